"""``hubtack replay``: plays a capture, or any log, as the live sources were."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from hubtack.cli import options
from hubtack.errors import SourceError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from hubtack.capture.outputs import Output
    from hubtack.capture.playing import Player

EXAMPLE = """
hubtack replay capture-20300412-070000 --to rover=pty:rover_port --to corrections=ntrip://127.0.0.1:2101/BANK1
hubtack replay base.rtcm3 --to tcp://127.0.0.1:5018 --fault loss=0.1 --fault cut=30:10 --speed 2
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("source", metavar="SOURCE", type=Path, help="a capture, a session folder or a log")
    parser.add_argument(
        "--to",
        action="append",
        default=[],
        metavar="[ROLE=]WHERE",
        help="tcp://HOST:PORT, ntrip://HOST:PORT/MOUNT[?needs_position], pty:[LINK] or a new file; ROLE is rover, "
        "corrections or second_antenna, and can be left out where SOURCE holds one; may be given several times",
    )
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="[ROLE:]KIND=VALUE",
        help="loss=0.1 (share of frames), delay=2.5 (s), cut=30:10 (from, for; s), bits=1e-5 (share of bits)",
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="the same N gives the same faults (default 1)")
    parser.add_argument("--wait", action="store_true", help="start when somebody has connected to every port")
    options.add_speed(parser, 1.0)
    options.add_for(parser)
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Exit 0 when all was played, 3 where the source is damaged or a port is in use."""
    import contextlib
    import os
    import signal
    import threading

    from hubtack.capture.faults import parse_fault
    from hubtack.capture.outputs import open_output
    from hubtack.capture.playing import Player
    from hubtack.capture.reading import CaptureClock, is_capture
    from hubtack.json_out import document, to_json
    from hubtack.readers.clock import ScaledClock
    from hubtack.secret import Secret

    faults = [parse_fault(text) for text in args.fault]
    if any(f.kind in ("delay", "cut") for f in faults) and not args.speed:
        raise UsageError("--fault delay and cut need a pace: give --speed above 0")
    if not args.source.exists():
        raise UsageError(f"{args.source}: no such file or folder; a replay takes a capture, a session folder or a log")
    captured = args.source.is_dir() and is_capture(args.source)
    paths = _roles_captured(args.source) if captured else _roles_logged(args.source)
    roles = list(paths)
    wanted = _wanted(args.to, roles)
    unknown = {f.role for f in faults} - {"", *roles}
    if unknown:
        raise UsageError(f"--fault {min(unknown)}: no such source in {args.source}; it holds {', '.join(roles)}")
    env = os.environ.get("HUBTACK_PASSWORD")
    stop = threading.Event()
    with contextlib.ExitStack() as stack:
        stack.callback(signal.signal, signal.SIGTERM, signal.signal(signal.SIGTERM, lambda *_: stop.set()))
        outputs: dict[str, list[Output]] = {}
        for role, where in wanted:
            output = open_output(where, password=Secret(env) if env else None)
            stack.callback(output.close)
            outputs.setdefault(role, []).append(output)
            _say(f"{role}: {output.where}")
        if args.wait:
            for group in outputs.values():
                for output in group:
                    while not output.ready.wait(0.2) and not stop.is_set():
                        pass
        clock = None
        if args.speed:
            clock = CaptureClock(args.source, args.speed) if captured else ScaledClock(args.speed)
        player = Player(args.source if captured else paths, outputs, faults, clock=clock, seed=args.seed)
        if args.for_s is not None:
            timer = threading.Timer(args.for_s, stop.set)
            timer.daemon = True
            timer.start()
            stack.callback(timer.cancel)
        try:
            player.run(stop, _status(player))
        except KeyboardInterrupt:
            stop.set()
        finally:
            if sys.stderr.isatty():
                print(file=sys.stderr)
    lost = player.lost_by_role
    for role, size in player.bytes_by_role.items():
        _say(f"{role}: {size} bytes sent" + (f", {lost[role]} lost to faults" if lost[role] else ""))
    if args.json:
        print(
            to_json(
                document(
                    "replay",
                    {
                        "sources": [
                            {
                                "name": role,
                                "to": [output.where for output in group],
                                "bytes": player.bytes_by_role[role],
                                "lost_bytes": lost[role],
                            }
                            for role, group in outputs.items()
                        ],
                    },
                )
            )
        )
    return 0


def _status(player: Player) -> Callable[[], None]:
    """Rewrites one line on a terminal, twice a second; nothing elsewhere."""
    import time

    began_s = time.monotonic()
    shown_s = 0.0

    def show() -> None:
        nonlocal shown_s
        now_s = time.monotonic()
        if not sys.stderr.isatty() or now_s - shown_s < 0.5:
            return
        shown_s = now_s
        sizes = "  ".join(f"{role} {size / 1000:.1f} kB" for role, size in player.bytes_by_role.items())
        print(f"\r{now_s - began_s:6.0f} s  {sizes}  ", end="", file=sys.stderr, flush=True)

    return show


def _roles_captured(folder: Path) -> dict[str, Path]:
    from hubtack.capture.reading import read_description

    return dict.fromkeys(read_description(folder).labels, folder)


def _roles_logged(source: Path) -> dict[str, Path]:
    """Roles that a session folder holds, or the one of a plain log, and the log of each."""
    from hubtack.logs.discover import discover

    found = discover([source])
    if len(found.sessions) != 1:
        names = ", ".join(session.name for session in found.sessions[:5])
        why = found.skipped[0].reason if found.skipped else "it holds no log"
        raise SourceError(f"{source}: holds several sessions ({names}); name one" if names else f"{source}: {why}")
    session = found.sessions[0]
    roles: dict[str, Path] = {}
    if session.rover is not None:
        roles["rover"] = session.rover
    if session.second_antenna is not None:
        roles["second_antenna"] = session.second_antenna
    if session.corrections:
        roles["corrections"] = session.corrections[0]
    return roles


def _wanted(texts: list[str], roles: list[str]) -> list[tuple[str, str]]:
    known = ("rover", "second_antenna", "corrections")
    if not texts:
        raise UsageError(f"where to? give --to ROLE=WHERE for one or more of: {', '.join(roles)}")
    wanted = []
    for text in texts:
        role, equals, where = text.partition("=")
        if not equals or role not in (*known, *roles):
            if len(roles) != 1:
                raise UsageError(f"--to {text}: which source? write ROLE={text} with one of: {', '.join(roles)}")
            role, where = roles[0], text
        if role not in roles:
            raise UsageError(f"--to {text}: no {role} in this source; it holds {', '.join(roles)}")
        wanted.append((role, where))
    return wanted


def _say(text: str) -> None:
    from hubtack.safe import safe_text

    print(f"hubtack replay: {safe_text(text, 1000)}", file=sys.stderr, flush=True)
