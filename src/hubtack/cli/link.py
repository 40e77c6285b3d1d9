"""``hubtack link``: the technician's judgement of one correction stream, live or logged."""

from __future__ import annotations

import argparse

from hubtack.cli import options

EXAMPLE = """
hubtack link sample_logs/corrupt_frames/corrections.rtcm3
hubtack link serial:///dev/ttyUSB1?baud=38400 --for 60
hubtack link ntrip://user@caster.example:2101/MOUNT --near -45.03,170.01 --for 120 --json
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("source", metavar="SOURCE", help="a correction log, a session folder, or a live source (a URL)")
    options.add_site(parser)
    options.add_speed(parser, 0.0)
    options.add_for(parser)
    options.add_near(parser)
    options.add_json(parser)
    options.add_forward(parser)


def run(args: argparse.Namespace) -> int:
    """Judge the stream; exit 0 if a rover can fix on it, 1 if not (or not told), 3 if the source failed."""
    from hubtack.live.linking import link

    return link(args)
