"""``hubtack link``: the technician's judgement of one correction stream, live or logged."""

from __future__ import annotations

import argparse
from pathlib import Path

from hubtack.cli import options

EXAMPLE = """
hubtack link sample_logs/corrupt_frames/corrections.rtcm3
hubtack link serial:///dev/ttyUSB1?baud=38400 --for 60
hubtack link at_rover.rtcm3 --against at_base.rtcm3
hubtack link ntrip://user@caster.example:2101/MOUNT --near -45.03,170.01 --for 120 --json
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("source", metavar="SOURCE", help="a correction log, a session folder, or a live source (a URL)")
    options.add_site(parser)
    options.add_speed(parser, 0.0)
    options.add_for(parser)
    options.add_near(parser)
    parser.add_argument(
        "--expect",
        type=Path,
        metavar="FILE",
        help="a document saved with --json when it worked: say what has changed since",
    )
    parser.add_argument(
        "--against", metavar="AT_BASE", help="a recording of the same stream at the base: match both frame by frame"
    )
    options.add_navigation(parser)
    options.add_json(parser)
    options.add_forward(parser)


def run(args: argparse.Namespace) -> int:
    """Judge the stream; exit 0 if a rover can fix on it, 1 if not (or not told), 3 if the source failed."""
    from hubtack.live.linking import link

    return link(args)
