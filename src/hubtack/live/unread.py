"""The document of a command whose source could not be read: the same shape as ever, nothing known, and why.

A script that asks for JSON must never have to tell "no answer" from "the answer is no" by an empty output: absent data
is HOLD, here as anywhere.
"""

from __future__ import annotations

import argparse
import contextlib
import json
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from hubtack.documents.finding import finding_document
from hubtack.documents.watch import watch_document
from hubtack.engine.from_site import setup_of
from hubtack.errors import HubtackError, LogFormatError, SourceError
from hubtack.safe import safe_text
from hubtack.session.from_site import link_setup_of
from hubtack.session.session import Session
from hubtack.session.snapshots import snapshot
from hubtack.site import Site, default_site, load_site


@contextlib.contextmanager
def told_as_document(args: argparse.Namespace, make: Callable[[str], Mapping[str, Any]]) -> Iterator[None]:
    """Print what ``make`` says of a source that cannot be read, where JSON was asked for; the error goes on."""
    try:
        yield
    except (SourceError, LogFormatError) as err:
        if args.json:
            print(json.dumps({**make(str(err)), "error": safe_text(str(err), 400)}, allow_nan=False))
        raise


def session_of_nothing(args: argparse.Namespace, role: str) -> Session:
    """A session that waits for a source of that role; the site file's tolerance where that file can be read."""
    site = _site_or_default(args)
    session = Session(
        setup_of(site, has_corrections=role == "corrections"), link_setup_of(site, "file", has_arrival=False)
    )
    session.expect(role)
    return session


def verdict_of_nothing(args: argparse.Namespace, kind: str) -> dict[str, Any]:
    """The ``watch`` or ``ready`` document without any data: HOLD."""
    session = session_of_nothing(args, "rover")
    snap = snapshot(session, 0, allow_partial=True, findings=tuple(session.findings()), link=session.link_line(0))
    return watch_document(snap, lambda finding: finding_document(finding, session.axis), kind)


def _site_or_default(args: argparse.Namespace) -> Site:
    with contextlib.suppress(HubtackError):
        if args.site is not None:
            return load_site(args.site)
    return default_site()
