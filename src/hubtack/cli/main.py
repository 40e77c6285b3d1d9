"""The ``hubtack`` command: finds the sub-command, lets it run, and turns its end into an exit code.

Only the standard library is imported here, and of the commands only the one that is asked for, so that ``--help``
is quick. This is the one place that catches broadly.
"""

from __future__ import annotations

import argparse
import errno
import importlib
import io
import os
import re
import stat
import sys
from collections.abc import Sequence
from typing import Any, NoReturn, TextIO

from hubtack import __version__
from hubtack.errors import HubtackError

# name -> (module, what it answers). A module has ``add_arguments(parser)``, ``run(args) -> int`` and, for the help
# page, ``EXAMPLE``.
COMMANDS: dict[str, tuple[str, str]] = {
    "watch": ("hubtack.cli.watch", "may I dig to grade now? A live screen from rover and corrections"),
    "ready": ("hubtack.cli.ready", "wait until GRADE has held for a time; exit 0, else 1 with the reason"),
    "link": ("hubtack.cli.link", "can a rover fix on these corrections, and if not, what is broken?"),
    "mounts": ("hubtack.cli.mounts", "which mount points of a caster can a rover fix on, nearest first?"),
    "audit": ("hubtack.cli.audit", "which logged sessions lost fix, when, why, and what did it cost?"),
    "control": ("hubtack.cli.control", "does the machine agree with a known mark, and if not, why?"),
    "sky": ("hubtack.cli.sky", "which satellites are shared now, and which hours are fit for grade?"),
    "setout": ("hubtack.cli.setout", "what are two touched points worth at the far end of a line?"),
    "record": ("hubtack.cli.record", "keep every byte of live sources, with times, safe from power cuts"),
    "replay": ("hubtack.cli.replay", "play a capture or log as if live: file, TCP, pseudo-terminal, caster"),
    "ports": ("hubtack.cli.ports", "which serial ports are here, and at what speed does one run?"),
    "radio": ("hubtack.cli.radio", "does the radio reach the machine and carry the load? A check list"),
    "simulate": ("hubtack.cli.simulate", "write a session with chosen faults, and the truth beside it"),
}

EXIT_FINE, EXIT_NO, EXIT_USAGE, EXIT_SOURCE, EXIT_INTERRUPTED = 0, 1, 2, 3, 130

EPILOG = """\
exit codes: 0 fine; 1 ran, and the answer is no; 2 usage or site file; 3 a
source could not be opened, was refused or ended early.
Each command has its own help: hubtack COMMAND --help

Hubtack speaks of positioning only. It does not see the bucket, the design or
buried services: locate services and follow local codes before any machine
digs."""


class Parser(argparse.ArgumentParser):
    """An argument parser whose complaint is one line and whose exit code is the designed one.

    South and west are negative: ``--near -45.03,170.01`` is a value, which argparse does not see by itself.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._negative_number_matcher = re.compile(r"-\.?\d[\d.,eE+-]*\Z")

    def error(self, message: str) -> NoReturn:
        self.exit(EXIT_USAGE, f"{self.prog}: {message} (see {self.prog} --help)\n")


def top_parser() -> Parser:
    """Parser of the bare command: the list of sub-commands, and the version."""
    width = max(map(len, COMMANDS))
    rows = "\n".join(f"  {name:<{width}}  {answers}" for name, (_, answers) in COMMANDS.items())
    parser = Parser(
        prog="hubtack",
        usage="hubtack COMMAND ...",
        description="Is GNSS positioning on this site good enough to cut grade, and if not, why not?\n\n"
        f"commands:\n{rows}",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"hubtack {__version__}")
    parser.add_argument("command", nargs="?", metavar="COMMAND", help="one of the above")
    return parser


def command_parser(name: str) -> Parser:
    """Parser of one sub-command, with its example under the options."""
    module_name, answers = COMMANDS[name]
    module = importlib.import_module(module_name)
    parser = Parser(
        prog=f"hubtack {name}",
        description=answers[0].upper() + answers[1:],
        epilog="example:\n  " + "\n  ".join(module.EXAMPLE.strip().splitlines()),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    module.add_arguments(parser)
    parser.add_argument("--debug", action="store_true", help="show a traceback with an error")
    return parser


def main(argv: Sequence[str]) -> int:
    """Run the command line ``argv`` (without the program's name) and return the exit code."""
    if not argv or argv[0] not in COMMANDS:
        parser = top_parser()
        args = parser.parse_args(argv[:1] or ["--help"])  # ends here for --help and --version
        import difflib

        near = difflib.get_close_matches(args.command, COMMANDS, 1)
        hint = f"; did you mean {near[0]}?" if near else ""
        parser.error(f"no command {args.command!r}{hint}")
    name = argv[0]
    args = command_parser(name).parse_args(list(argv[1:]))
    try:
        module = importlib.import_module(COMMANDS[name][0])
        return int(module.run(args))
    except HubtackError as err:
        if args.debug:
            raise
        _complain(name, str(err))
        return err.exit_code
    except BrokenPipeError:
        # The reader of our output left (head, less): not an error, but nothing more may be written either.
        _mute(sys.stdout)
        return EXIT_FINE
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    except Exception as err:
        if isinstance(err, OSError) and err.errno == errno.EIO and _terminal_is_gone():
            _mute(sys.stdout, sys.stderr)
            return EXIT_INTERRUPTED
        if args.debug:
            raise
        _complain(name, f"internal error: {type(err).__name__}: {err}. Run again with --debug and report it.")
        return EXIT_USAGE


def _mute(*streams: TextIO) -> None:
    for stream in streams:
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _terminal_is_gone() -> bool:
    """True where output or messages go to a terminal that has been closed: a device still, and a terminal no more."""
    for stream in (sys.stdout, sys.stderr):
        try:
            if stat.S_ISCHR(os.fstat(stream.fileno()).st_mode) and not os.isatty(stream.fileno()):
                return True
        except (OSError, ValueError):  # no real file, as in a test
            continue
    return False


def _complain(name: str, message: str) -> None:
    from hubtack.safe import safe_text

    # A message may list several problems, one a line; the indent keeps a line from outside from passing for ours.
    lines = [safe_text(line, 2000) for line in message.split("\n")[:12]]
    print(f"hubtack {name}: " + "\n  ".join(lines), file=sys.stderr)


def run() -> NoReturn:
    """Entry point of the console script."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal that is not UTF-8 gets "?" for a sign it lacks
            stream.reconfigure(errors="replace")
    sys.exit(main(sys.argv[1:]))
