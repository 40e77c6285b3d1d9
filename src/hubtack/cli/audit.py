"""``hubtack audit``: logs in, an account of every session out."""

from __future__ import annotations

import argparse
from pathlib import Path

from hubtack.cli import options

EXAMPLE = """
hubtack audit sample_logs
hubtack audit logs/ --json > audit.json
hubtack audit logs/ --ledger ledger --report week.html
hubtack audit --ledger ledger --query "SELECT machine, sum(lost_working_s)/3600 AS lost_h FROM sessions GROUP BY 1"
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("paths", nargs="*", type=Path, metavar="PATH", help="logs, captures, or folders with them")
    options.add_site(parser)
    options.add_navigation(parser)
    options.add_json(parser)
    parser.add_argument(
        "--gap", type=options.seconds, default=30.0, metavar="MINUTES",
        help="a silence longer than this starts a new session (default 30)",
    )  # fmt: skip
    parser.add_argument(
        "--machine-pattern", metavar="REGEX",
        help="find the machine's name in the path: the group (?P<machine>...), else the first group, else all that fits",
    )  # fmt: skip
    parser.add_argument(
        "--fail-on", choices=("stop", "warn", "never"), default="stop",
        help="exit with 1 where a finding is at least this heavy (default stop)",
    )  # fmt: skip
    files = parser.add_argument_group("files it writes")
    files.add_argument(
        "--ledger", metavar="FOLDER",
        help="add to a Parquet ledger, a folder or a store's URL; what is in it and unchanged is not read again",
    )  # fmt: skip
    files.add_argument("--report", type=Path, metavar="FILE.html", help="write a report, one file without any other")
    files.add_argument("--zone", metavar="NAME", help="time zone of the report (default: the site file's, else UTC)")
    files.add_argument("--before", metavar="LEDGER|PATH", help="compare in the report with this ledger, or these logs")
    files.add_argument("--csv", type=Path, metavar="FOLDER", help="write tables for a spreadsheet")
    files.add_argument(
        "--geojson", type=Path, metavar="FILE", help="write the places where the fix was lost, for a map"
    )
    files.add_argument(
        "--query", metavar="SQL", help="ask the ledger (DuckDB): tables sessions, findings, minutes, losses ..."
    )
    how = parser.add_argument_group("how it works")
    how.add_argument("--jobs", type=_jobs, metavar="N", help="processes (default: one a core; small audits use one)")
    how.add_argument("--cluster", metavar="ADDRESS", help="run on a Dask scheduler, such as tcp://host:8786")
    how.add_argument("--quiet", action="store_true", help="no progress bar, and no word of what came from the ledger")


def _jobs(text: str) -> int:
    if not text.isdigit() or not 1 <= int(text) <= 1024:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of processes, 1 to 1024")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Audit; exit 0, or 1 when there are findings at the level of --fail-on, or 3 when nothing could be read."""
    from hubtack.audit.command import audit

    return audit(args)
