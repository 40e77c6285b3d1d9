"""``hubtack sky``: the satellites of base and rover now, and which hours ahead are fit for grade work."""

from __future__ import annotations

import argparse
from pathlib import Path

from hubtack.cli import options

EXAMPLE = """
hubtack sky sample_logs/good_day
hubtack sky ntrip://user@caster.example:2101/MOUNT --for 120 --plot sky.png
hubtack sky --navigation today.rnx --near -45.03,170.01 --from 2026-11-26T07:00 --hours 10
"""


def _mask(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of degrees") from None
    if not 0.0 <= value <= 60.0:
        raise argparse.ArgumentTypeError(f"{text!r}: a mask lies between 0 and 60 degrees")
    return value


def _hours(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of hours") from None
    if not 0.5 <= value <= 24.0:
        raise argparse.ArgumentTypeError(f"{text!r}: from 0.5 to 24 hours")
    return value


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument(
        "source",
        nargs="?",
        metavar="SOURCE",
        help="a correction log, a mixed log, a session folder, or a live correction source (a URL)",
    )
    options.add_navigation(parser)
    options.add_near(parser)
    parser.add_argument("--mask-deg", type=_mask, default=10.0, metavar="DEG", help="elevation mask (default 10)")
    parser.add_argument("--hours", type=_hours, default=12.0, metavar="H", help="how far ahead (default 12)")
    parser.add_argument(
        "--from",
        dest="from_utc",
        metavar="UTC",
        help="begin, as 2026-11-26T07:00; else the source's newest epoch, or now",
    )
    parser.add_argument("--plot", type=Path, metavar="FILE", help="draw it as .png, .svg or .pdf (extra: plot)")
    options.add_site(parser)
    options.add_for(parser)
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Show the sky; exit 0, or 1 where it cannot be told, or 3 if the source failed."""
    from hubtack.live.skying import sky

    return sky(args)
