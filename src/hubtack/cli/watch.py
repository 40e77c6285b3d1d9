"""``hubtack watch``: the operator's live screen, or one JSON line an epoch."""

from __future__ import annotations

import argparse

from hubtack.cli import options

EXAMPLE = """
hubtack watch --rover serial:///dev/ttyUSB0?baud=115200 --corrections ntrip://user@caster.example:2101/MOUNT
hubtack watch sample_logs/link_stalled --speed 10
hubtack watch --rover tcp://192.0.2.10:5017 --once --json
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    options.add_sources(parser)
    options.add_site(parser)
    options.add_speed(parser, 1.0)
    options.add_for(parser)
    options.add_near(parser)
    options.add_json(parser)
    options.add_keeping(parser)
    options.add_forward(parser)
    parser.add_argument("--once", action="store_true", help="print one screen (or one JSON document) and exit")
    parser.add_argument("--ascii", action="store_true", help="keep to plain characters")
    parser.add_argument("--bell", action="store_true", help="ring the terminal's bell when the verdict changes")


def run(args: argparse.Namespace) -> int:
    """Show the verdict until the sources end; exit 0 if the last one is GRADE, 1 if not, 3 if a source failed."""
    from hubtack.live.watching import watch

    return watch(args)
