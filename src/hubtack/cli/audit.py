"""``hubtack audit``: logs in, an account of every session out."""

from __future__ import annotations

import argparse
from pathlib import Path

from hubtack.cli import options

EXAMPLE = """
hubtack audit sample_logs
hubtack audit logs/ --json > audit.json
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("paths", nargs="+", type=Path, metavar="PATH", help="logs, or folders with logs")
    options.add_site(parser)
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Audit; exit 0, or 1 when there are findings at stop level, or 3 when nothing could be read."""
    from hubtack.audit.command import audit

    return audit(args)
