"""The audit command: find sessions, run each, and print the account."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from hubtack.audit.discover import Found, SessionFiles, SkippedFile, discover
from hubtack.audit.drive import run_files, session_for
from hubtack.documents.audit import audit_document, session_document
from hubtack.documents.finding import finding_document
from hubtack.documents.json_out import plain, to_json
from hubtack.documents.link import link_body
from hubtack.errors import SourceError, UsageError
from hubtack.knowledge.findings import LINK_CODES
from hubtack.safe import safe_text
from hubtack.site import Site, default_site, load_site

EXIT_FINE, EXIT_STOP, EXIT_SOURCE = 0, 1, 3


def audit(args: argparse.Namespace) -> int:
    """Run ``hubtack audit``; returns the exit code."""
    found = discover(args.paths)
    site = load_site(args.site) if args.site is not None else None
    documents: list[dict[str, Any]] = []
    for files in found.sessions:
        document = audit_session(files, site, found)
        if document is not None:
            documents.append(document)
    whole = audit_document(documents, found.skipped)
    if args.json:
        print(to_json(whole))
    else:
        from hubtack.views.audit_report import print_audit

        print_audit(whole)
    for skipped in found.skipped:
        print(f"hubtack audit: {safe_text(f'{skipped.path}: {skipped.reason}', 400)}", file=sys.stderr)
    if not documents:
        if not found.skipped:
            print(f"hubtack audit: no logs in {', '.join(safe_text(str(p)) for p in args.paths)}", file=sys.stderr)
        return EXIT_SOURCE
    stops = any(f["severity"] == "stop" for d in documents for f in d["findings"])
    return EXIT_STOP if stops else EXIT_FINE


def audit_session(files: SessionFiles, site: Site | None, found: Found) -> dict[str, Any] | None:
    """The document of one session; None where nothing of it could be read, which is then in ``found.skipped``."""
    try:
        own = site if site is not None else site_of(files)
    except UsageError as err:
        found.skipped.append(SkippedFile(files.site or Path(files.name), None, str(err)))
        own = default_site()
    session = session_for(files, own)
    try:
        run_files(session, files)
    except SourceError as err:
        found.skipped.append(SkippedFile(files.paths[0], None, str(err)))
        if not session.rover.tally.epochs and not session.link.tally.frames:
            return None
        session.close()
    findings = session.findings()
    shown = [finding_document(f, session.axis) for f in findings]
    link = None
    if session.has_link():
        source = ", ".join(str(p) for p in files.corrections) or str(files.rover)
        names = [f for f, g in zip(shown, findings, strict=True) if g.code in LINK_CODES]
        link = link_body(
            session.link,
            session.axis,
            source=source,
            ready=session.rtk_ready(findings),
            findings=names,
            base=session.base.seen(),
        )
    machine = own.machine.name
    return dict(plain(session_document(session, files, shown, link, machine)))


def site_of(files: SessionFiles) -> Site:
    """The site file beside the logs, or the defaults."""
    return load_site(files.site) if files.site is not None else default_site()
