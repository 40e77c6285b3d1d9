"""The audit command: find sessions, run each, and print the account."""

from __future__ import annotations

import argparse
import hashlib
import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from hubtack.audit.gather import Gathered, gather
from hubtack.audit.places import places_under
from hubtack.audit.progress import Progress
from hubtack.documents.audit import audit_document, write_audit_json
from hubtack.errors import SourceError, UsageError
from hubtack.fleet.account import SessionAccount
from hubtack.fleet.plan import Settings
from hubtack.logs.discover import Found, SkippedFile, site_of
from hubtack.safe import safe_text

__all__ = ["audit", "site_of"]

EXIT_FINE, EXIT_STOP, EXIT_SOURCE = 0, 1, 3


def audit(args: argparse.Namespace) -> int:
    """Run ``hubtack audit``; returns the exit code."""
    if args.query is not None:
        return _query(args)
    settings = settings_of(args)
    if args.before is not None and args.report is None:
        raise UsageError("--before needs --report FILE.html: the comparison stands in the report")
    if not args.paths:
        raise UsageError("name logs or folders with logs (or a ledger with --ledger FOLDER --query SQL)")
    found = Found()
    try:
        places = list(places_under(args.paths, found))
    except SourceError as err:
        if args.json:
            missing = next(path for path in args.paths if not path.exists())
            write_audit_json(sys.stdout, (), [SkippedFile.because(missing, err)])
        raise
    with Progress(sys.stderr.isatty() and not args.quiet) as progress:
        gathered = gather(
            places, settings, ledger_url=args.ledger, jobs=args.jobs, cluster=args.cluster, progress=progress
        )
    gathered.skipped[:0] = found.skipped
    try:
        return _show(args, gathered)
    finally:
        gathered.close()


def settings_of(args: argparse.Namespace) -> Settings:
    """What the answers depend on; a site file or a pattern that cannot be used ends the command at once."""
    site_path: str | None = None
    if args.site is not None:
        from hubtack.site import load_site

        load_site(args.site)
        site_path = str(args.site.resolve() if args.cluster else args.site)
    if args.machine_pattern is not None:
        try:
            re.compile(args.machine_pattern)
        except re.error as err:
            raise UsageError(f"--machine-pattern {args.machine_pattern!r} is no regular expression: {err}") from None
    if args.gap <= 0:
        raise UsageError(f"--gap {args.gap:g}: must be more than 0 minutes")
    return Settings(args.gap * 60.0, site_path, args.machine_pattern, navigation=_navigation(args))


def _navigation(args: argparse.Namespace) -> tuple[str, str] | None:
    """Path and hash of a navigation file; one that cannot be read ends the command at once."""
    if args.navigation is None:
        return None
    from hubtack.orbits.navfile import read_rinex_nav

    read_rinex_nav(args.navigation)
    path = args.navigation.resolve() if args.cluster else args.navigation
    return str(path), hashlib.sha256(path.read_bytes()).hexdigest()


def _show(args: argparse.Namespace, gathered: Gathered) -> int:
    accounts = gathered.accounts
    if len(accounts):
        _write_files(args, gathered)
    if args.json:
        write_audit_json(sys.stdout, (a.document for a in accounts), gathered.skipped, gathered.notices)
    else:
        from hubtack.views.audit_report import print_audit

        head = audit_document([], gathered.skipped, gathered.notices)
        print_audit({**head, "sessions": Documents(accounts)})
    for skipped in gathered.skipped:
        print(f"hubtack audit: {safe_text(f'{skipped.path}: {skipped.reason}', 400)}", file=sys.stderr)
    for notice in gathered.notices:
        print(f"hubtack audit: {safe_text(notice, 400)}", file=sys.stderr)
    if gathered.reused and not args.quiet:
        known = f"{gathered.reused} of {len(accounts)} sessions"
        print(f"hubtack audit: {known} from the ledger, since nothing they rest on has changed", file=sys.stderr)
    if not len(accounts):
        if not gathered.skipped:
            print(f"hubtack audit: no logs in {', '.join(safe_text(str(p)) for p in args.paths)}", file=sys.stderr)
        return EXIT_SOURCE
    fails = {"stop": {"stop"}, "warn": {"stop", "warn"}, "never": set()}[args.fail_on]
    return EXIT_STOP if gathered.severities & fails else EXIT_FINE


class Documents(Sequence[Mapping[str, Any]]):
    """The documents of accounts, one in memory at a time."""

    def __init__(self, accounts: Sequence[SessionAccount]) -> None:
        self._accounts = accounts

    def __len__(self) -> int:
        return len(self._accounts)

    def __getitem__(self, index: Any) -> Any:
        return self._accounts[index].document

    def __iter__(self) -> Iterator[Mapping[str, Any]]:
        return (account.document for account in self._accounts)


def _before(args: argparse.Namespace, settings: Settings) -> Sequence[SessionAccount]:
    """The period to compare with: a ledger, or logs that are audited for it."""
    text = str(args.before)
    path = Path(text)
    if "://" in text or (path.is_dir() and any(path.glob("sessions-*.parquet"))):
        from hubtack.fleet.ledger import Ledger

        return list(Ledger.open(text, writing=False).accounts())
    found = Found()
    with Progress(sys.stderr.isatty() and not args.quiet) as progress:
        gathered = gather(
            list(places_under([path], found)), settings, jobs=args.jobs, cluster=args.cluster, progress=progress
        )
    return gathered.accounts


def _write_files(args: argparse.Namespace, gathered: Gathered) -> None:
    from hubtack.audit import reports
    from hubtack.fleet.exports import write_exports, write_geojson

    accounts = gathered.accounts
    if args.report is not None:
        before = _before(args, settings_of(args)) if args.before is not None else None
        reports.write_report(args, accounts, gathered.skipped, gathered.notices, before)
    if args.csv is not None:
        write_exports(accounts, args.csv)
    if args.geojson is not None:
        write_geojson(accounts, args.geojson)


def _query(args: argparse.Namespace) -> int:
    if args.ledger is None:
        raise UsageError("--query needs --ledger FOLDER: it asks the ledger")
    if args.paths:
        raise UsageError("--query asks the ledger and reads no logs; run hubtack audit PATH --ledger FOLDER before it")
    from hubtack.fleet.query import run_query

    columns, rows = run_query(args.ledger, args.query)
    if args.json:
        from hubtack.json_out import document, to_json

        print(to_json(document("query", {"columns": columns, "rows": rows})))
    else:
        from hubtack.views.audit_report import print_rows

        print_rows(columns, rows)
    return EXIT_FINE
