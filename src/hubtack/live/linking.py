"""``link``: one correction stream through the engine, and the technician's report of it."""

from __future__ import annotations

import argparse
import contextlib
import sys
from pathlib import Path
from typing import Any

from hubtack.audit.discover import SessionFiles, discover
from hubtack.audit.drive import run_files, session_for
from hubtack.documents.finding import finding_document
from hubtack.documents.json_out import document, to_json
from hubtack.documents.link import link_body
from hubtack.engine.from_site import setup_of
from hubtack.errors import SourceError, UsageError
from hubtack.knowledge.findings import LINK_CODES
from hubtack.live.opening import find_site, link_setup_of
from hubtack.live.run import LiveRun
from hubtack.live.watching import forwarding
from hubtack.readers.files import open_bytes
from hubtack.readers.hub import Hub
from hubtack.readers.urls import SourceSpec, parse_source
from hubtack.safe import safe_text
from hubtack.session.session import Session
from hubtack.site import Site

EXIT_READY, EXIT_NO, EXIT_SOURCE = 0, 1, 3


def link(args: argparse.Namespace) -> int:
    """Run ``hubtack link``; returns the exit code."""
    spec = parse_source(args.source)
    site = find_site(args.site, args.source if spec.kind == "file" else None)
    for warning in (*site.warnings, *spec.warnings):
        _say(warning)
    if spec.kind == "file":
        return _judge_log(args, spec, site)
    return _judge_live(args, spec, site)


def _say(text: str) -> None:
    print(f"hubtack link: {safe_text(text, 400)}", file=sys.stderr)


def _judge_log(args: argparse.Namespace, spec: SourceSpec, site: Site) -> int:
    files = _files_of(Path(spec.path))
    session = session_for(files, site)
    session.expects_link = True
    failed = False
    try:
        run_files(session, files)
    except SourceError as err:
        _say(str(err))
        failed = True
        session.close()
    ready = _report(args, session, spec.label)
    if failed:
        return EXIT_SOURCE
    return EXIT_READY if ready else EXIT_NO


def _files_of(path: Path) -> SessionFiles:
    """The files to judge: a session folder, a mixed log, or whatever a file holds, taken as corrections."""
    if path.is_dir():
        found = discover([path])
        with_frames = [s for s in found.sessions if s.corrections]
        if len(with_frames) != 1:
            raise UsageError(
                f"{path}: holds {len(with_frames)} correction logs; name one of them"
                if with_frames
                else f"{path}: holds no correction log; expected RTCM 3 frames"
            )
        return with_frames[0]
    open_bytes(path).close()  # missing, empty or not to be read: one clear line
    found = discover([path])
    if found.sessions and found.sessions[0].rover is not None:
        return found.sessions[0]
    return SessionFiles(path.name, None, (path,))


def _judge_live(args: argparse.Namespace, spec: SourceSpec, site: Site) -> int:
    from hubtack.readers.opening import open_reader

    session = Session(
        setup_of(site, has_arrival=True, has_corrections=True),
        link_setup_of(site, spec.kind, has_arrival=True, near=args.near),
    )
    session.is_live = True
    session.expect("corrections")
    reader = open_reader(spec, "corrections", near=args.near, position=session.rover_position, site=site)
    screen = _Screen(args, session, spec.label)
    try:
        with forwarding(args.forward, "link") as send, Hub([reader]) as hub, screen:
            run = LiveRun(session, hub, lambda rows: None, screen.look, for_s=args.for_s, draw_s=0.5, forward=send)
            with contextlib.suppress(KeyboardInterrupt):
                run.loop()
    except SourceError as err:
        _say(str(err))
        if args.json:
            _report(args, session, spec.label)
        return EXIT_SOURCE
    elapsed_ns = int(run.listened_s() * 1e9) if not session.link.tally.frames else run.elapsed_ns(run.mono())
    session.close()
    ready = _report(args, session, spec.label, elapsed_ns)
    for notice in run.refused:
        _say(notice.message)
    if run.refused or (run.failed and not session.link.tally.bytes):
        return EXIT_SOURCE
    return EXIT_READY if ready else EXIT_NO


class _Screen:
    """The live technician's view, where there is a terminal to show it on."""

    def __init__(self, args: argparse.Namespace, session: Session, label: str) -> None:
        from rich.console import Console

        self._session, self._label, self._json = session, label, args.json
        self._console = Console(highlight=False)
        self._live: Any = None

    def __enter__(self) -> _Screen:
        if not self._json and self._console.is_terminal and not self._console.is_dumb_terminal:
            from rich.live import Live

            self._live = Live(console=self._console, screen=True, auto_refresh=False, vertical_overflow="crop")
            self._live.__enter__()
        return self

    def __exit__(self, *exc: object) -> None:
        if self._live is not None:
            self._live.__exit__(*exc)

    def look(self, elapsed_ns: int, partial: bool) -> bool:
        if self._live is not None:
            from hubtack.views.link_report import link_report

            body = _body(self._session, self._label, elapsed_ns)[0]
            self._live.update(link_report(body, self._console.width), refresh=True)
        return True


def _body(session: Session, label: str, elapsed_ns: int = 0) -> tuple[dict[str, Any], bool | None]:
    findings = [f for f in session.findings(elapsed_ns) if f.code in LINK_CODES]
    ready = session.rtk_ready(findings, elapsed_ns)
    shown = [finding_document(f, session.axis) for f in findings]
    return link_body(session.link, session.axis, source=label, ready=ready, findings=shown), ready


def _report(args: argparse.Namespace, session: Session, label: str, elapsed_ns: int = 0) -> bool | None:
    body, ready = _body(session, label, elapsed_ns)
    if args.json:
        print(to_json(document("link", body)))
    else:
        from rich.console import Console

        from hubtack.views.link_report import link_report

        console = Console(highlight=False)
        if not console.is_terminal:
            console = Console(highlight=False, width=160)  # lines stay whole for other programs
        console.print(link_report(document("link", body), console.width))
    return ready
