"""``hubtack ready``: waits until GRADE has held, for a start in the morning and for scripts."""

from __future__ import annotations

import argparse

from hubtack.cli import options

EXAMPLE = """
hubtack ready --rover serial:///dev/ttyUSB0?baud=115200 --hold 30 --for 300 && echo "dig"
hubtack ready sample_logs/good_day --speed 0
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    options.add_sources(parser)
    options.add_site(parser)
    options.add_speed(parser, 1.0)
    options.add_near(parser)
    options.add_json(parser)
    options.add_keeping(parser)
    parser.add_argument(
        "--hold",
        type=options.seconds,
        default=10.0,
        metavar="SECONDS",
        help="how long the verdict must have held (default 10)",
    )
    parser.add_argument(
        "--for",
        type=options.seconds,
        dest="for_s",
        default=600.0,
        metavar="SECONDS",
        help="give up after this long (default 600)",
    )
    parser.add_argument(
        "--accept",
        choices=("grade", "rough"),
        default="grade",
        help="rough: pass at the best that this equipment can do",
    )


def run(args: argparse.Namespace) -> int:
    """Wait; exit 0 when ready, 1 with the reason when not, 3 if a source failed."""
    from hubtack.live.readying import ready

    return ready(args)
