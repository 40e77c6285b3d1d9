"""``hubtack simulate``: writes a session with chosen faults, and the truth beside it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hubtack.simulate.session import Progress

EXAMPLE = """
hubtack simulate --fault link_stalled --seed 7 --minutes 6 --out practice
hubtack simulate --list
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument(
        "--fault", default="", metavar="CODE[,CODE]", help="what goes wrong (--list names them); none: a clean day"
    )
    parser.add_argument(
        "--clean", default="untidy", metavar="VARIANT", help="which kind of ordinary day (--list names them)"
    )
    parser.add_argument(
        "--seed", type=int, default=1, metavar="N", help="the same seed gives the same bytes (default 1)"
    )
    parser.add_argument("--minutes", type=float, default=6.0, metavar="M", help="length of the session (default 6)")
    parser.add_argument(
        "--rate", type=float, default=1.0, metavar="HZ", help="epochs a second of the rover (default 1)"
    )
    parser.add_argument(
        "--systems", default="", metavar="LETTERS", help="constellations of the base, as GREC (default: all)"
    )
    parser.add_argument(
        "--anywhere",
        action="store_true",
        help="draw place, date and equipment too, instead of the usual site in its usual week",
    )
    parser.add_argument("--out", type=Path, metavar="FOLDER", help="folder to write; must be new or empty")
    parser.add_argument(
        "--mixed", action="store_true", help="one mixed log in the order of arrival instead of separate logs"
    )
    parser.add_argument(
        "--arrivals",
        action="store_true",
        help="write a capture: the arrival of every chunk too, for replay and latency",
    )
    parser.add_argument("--describe", default="", metavar="TEXT", help="what the session shows, for its README")
    parser.add_argument("--overwrite", action="store_true", help="write into a folder that holds files already")
    parser.add_argument("--list", action="store_true", help="name the faults and the kinds of ordinary day, and exit")


def run(args: argparse.Namespace) -> int:
    """Write the session; exit 0, or 2 where the arguments do not fit."""
    from hubtack.errors import SourceError, UsageError
    from hubtack.simulate.faults import CLEAN, FAULTS
    from hubtack.simulate.session import simulate, write_folder

    if args.list:
        for title, table in (("faults", FAULTS), ("ordinary days", CLEAN)):
            print(f"{title}:")
            for name, apply in table.items():
                print(f"  {name:<22} {(apply.__doc__ or '').strip()}")
        return 0
    codes = [code for code in args.fault.split(",") if code]
    for given, table, what in ((codes, FAULTS, "fault"), ([args.clean], CLEAN, "kind of day")):
        for name in given:
            if name not in table:
                raise UsageError(f"no {what} {name!r} to simulate; hubtack simulate --list names them")
    if args.seed < 0:
        raise UsageError(f"--seed {args.seed}: 0 or more")
    if not 0.5 <= args.minutes <= 24 * 60:
        raise UsageError(f"--minutes {args.minutes:g}: from 0.5 to 1440")
    if not 0.2 <= args.rate <= 50:
        raise UsageError(f"--rate {args.rate:g}: from 0.2 to 50 epochs a second")
    if set(args.systems.upper()) - set("GREC"):
        raise UsageError(f"--systems {args.systems}: letters of G (GPS), R (GLONASS), E (Galileo), C (BeiDou)")
    if args.mixed and args.arrivals:
        raise UsageError("--mixed and --arrivals are two forms of the same session; name one")
    _check_folder(args.out, overwrite=args.overwrite)
    result = simulate(
        codes,
        args.clean,
        args.seed,
        round(args.minutes * 60),
        args.rate,
        progress=_progress(),
        systems=args.systems.upper(),
        anywhere=args.anywhere,
    )
    try:
        paths = write_folder(
            result,
            args.out,
            mixed=args.mixed,
            arrivals=args.arrivals,
            command=_command(args, codes),
            description=args.describe,
        )
    except OSError as err:
        raise SourceError(f"{args.out}: cannot be written ({err.strerror or err}); what is in it is not whole") from err
    print(f"wrote {', '.join(p.name for p in paths)} to {args.out}")
    return 0


def _check_folder(out: Path | None, *, overwrite: bool) -> None:
    """Refuse a folder that is missing, a file, or holds something already."""
    from hubtack.errors import UsageError

    if out is None:
        raise UsageError("--out FOLDER is missing: where to write the session")
    if out.exists() and not out.is_dir():
        raise UsageError(f"{out} is a file; name a folder")
    if out.is_dir() and any(out.iterdir()) and not overwrite:
        raise UsageError(f"{out} holds files already; name a new folder, or add --overwrite")


def _command(args: argparse.Namespace, codes: list[str]) -> str:
    """The command that makes the same bytes again."""
    words = ["hubtack simulate"]
    words += [f"--fault {','.join(codes)}"] if codes else []
    words += [f"--clean {args.clean}"] if args.clean != "untidy" else []
    words += [f"--systems {args.systems.upper()}"] if args.systems else []
    words += ["--anywhere"] if args.anywhere else []
    words += [f"--seed {args.seed} --minutes {args.minutes:g} --rate {args.rate:g}"]
    words += ["--mixed"] if args.mixed else []
    words += ["--arrivals"] if args.arrivals else []
    return " ".join([*words, f"--out {args.out.name}"])


def _progress() -> Progress | None:
    """A line on standard error that counts up; none where that is not a terminal."""
    import sys
    import time

    if not sys.stderr.isatty():
        return None
    began = time.monotonic()

    shown = False

    def show(share: float) -> None:
        nonlocal shown
        if shown or (time.monotonic() - began > 1.0 and share < 0.8):  # worth a line only if there is more to come
            shown = share < 1.0
            filled = round(30 * share)
            bar = "#" * filled + "." * (30 - filled)
            print(f"  {bar} {100 * share:3.0f} %", end="\r" if shown else "\n", file=sys.stderr, flush=True)

    return show
