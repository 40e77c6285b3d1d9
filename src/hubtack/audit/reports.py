"""Files that an audit writes beside its answer: the report, tables for a spreadsheet, places for a map."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from hubtack.audit.discover import SkippedFile
from hubtack.fleet.account import SessionAccount


def write_report(
    args: argparse.Namespace,
    accounts: Sequence[SessionAccount],
    skipped: Sequence[SkippedFile],
    before: Sequence[SessionAccount] | None,
) -> None:
    """``--report FILE.html``."""
    raise NotImplementedError


def write_tables(args: argparse.Namespace, accounts: Sequence[SessionAccount]) -> None:
    """``--csv FOLDER`` and ``--geojson FILE``."""
    raise NotImplementedError
