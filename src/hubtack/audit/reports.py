"""Files that an audit writes beside its answer: the report, tables for a spreadsheet, places for a map."""

from __future__ import annotations

import argparse
import datetime as dt
import os
from collections.abc import Sequence
from pathlib import Path

from hubtack.errors import UsageError
from hubtack.fleet.account import SessionAccount
from hubtack.logs.discover import SkippedFile


def zone_of(args: argparse.Namespace) -> str:
    """The time zone of the report: ``--zone``, else the site file's, else UTC."""
    if args.zone is not None:
        return str(args.zone)
    if args.site is not None:
        from hubtack.site import load_site

        return load_site(args.site).time_zone
    return "UTC"


def write_report(
    args: argparse.Namespace,
    accounts: Sequence[SessionAccount],
    skipped: Sequence[SkippedFile],
    notices: Sequence[str],
    before: Sequence[SessionAccount] | None,
) -> None:
    """``--report FILE.html``; raises ``UsageError`` where it cannot be written."""
    from hubtack.fleet.report import report_html

    made = dt.datetime.now(dt.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    page = report_html(accounts, skipped, zone=zone_of(args), made_utc=made, before=before, notices=notices)
    write_whole(args.report, page)


def write_whole(path: Path, text: str) -> None:
    """Write a text file so that it is there whole or not at all; raises ``UsageError`` where that cannot be done."""
    part = path.with_name(f"{path.name}.part")
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
        os.replace(part, path)
    except OSError as err:
        part.unlink(missing_ok=True)
        raise UsageError(f"{path}: cannot be written: {err.strerror}") from err
