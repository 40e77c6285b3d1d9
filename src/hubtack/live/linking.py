"""``link``: one correction stream through the engine, and the technician's report of it."""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from hubtack.capture.reading import is_capture, iter_capture, read_description
from hubtack.diagnosis.ready import criteria
from hubtack.documents.expect import changes, expected_form
from hubtack.documents.finding import finding_document
from hubtack.documents.link import ToGrid, link_body
from hubtack.engine.from_site import setup_of
from hubtack.errors import LogFormatError, SourceError, UsageError
from hubtack.json_out import document, plain, to_json
from hubtack.knowledge.findings import LINK_CODES
from hubtack.live.opening import find_site
from hubtack.live.run import LiveRun
from hubtack.live.unread import session_of_nothing, told_as_document
from hubtack.live.watching import forwarding
from hubtack.logs.discover import SessionFiles, discover
from hubtack.logs.drive import run_events, run_files, session_for
from hubtack.readers.files import open_bytes
from hubtack.readers.hub import Hub
from hubtack.readers.urls import SourceSpec, parse_source
from hubtack.safe import safe_text
from hubtack.session.from_site import link_setup_of
from hubtack.session.session import Session
from hubtack.site import Site

EXIT_READY, EXIT_NO, EXIT_SOURCE = 0, 1, 3
_MOST_EXPECT_BYTES = 1 << 24


def link(args: argparse.Namespace) -> int:
    """Run ``hubtack link``; returns the exit code."""
    spec = parse_source(args.source)
    against = None
    if args.against is not None:
        from hubtack.live.against import compared

        against = compared(spec, args.against)
    site = find_site(args.site, args.source if spec.kind == "file" else None)
    expected = _read_expected(args.expect) if args.expect is not None else None
    for warning in (*site.warnings, *spec.warnings):
        _say(warning)
    if spec.kind == "file":
        code = _judge_log(args, spec, site, expected, against)
        return max(code, EXIT_NO) if against is not None and against["fault"] != "none" else code
    return _judge_live(args, spec, site, expected)


def _say(text: str) -> None:
    print(f"hubtack link: {safe_text(text, 400)}", file=sys.stderr)


# What it was like when it worked ---------------------------------------------------------------------------------


def _read_expected(path: Path) -> Mapping[str, Any]:
    """A ``link`` document saved with ``--json``."""
    shown = safe_text(str(path))
    with open_bytes(path) as file:
        text = file.read(_MOST_EXPECT_BYTES)
    try:
        found = json.loads(text)
    except (ValueError, RecursionError) as err:
        raise LogFormatError(f"{shown}: byte 0: not JSON; expected what hubtack link --json printed") from err
    if not isinstance(found, dict) or found.get("kind") != "link":
        kind = found.get("kind") if isinstance(found, dict) else type(found).__name__
        raise LogFormatError(f"{shown}: holds {safe_text(str(kind), 40)}; expected a document of hubtack link --json")
    try:
        return expected_form(found)
    except ValueError as err:
        raise LogFormatError(f"{shown}: {err}; expected a document of hubtack link --json, unchanged") from None


def _with_expected(session: Session, expected: Mapping[str, Any] | None) -> None:
    """Where the site file names no base, the one that was heard when it worked is the one to expect."""
    setup = session.link.setup
    if expected is None or setup.base_ecef_m is not None or setup.base_station_id is not None:
        return
    real = [
        s
        for s in expected.get("stations") or []
        if s.get("arp_ecef_m") and not s.get("computed") and s.get("id") is not None
    ]
    if len(real) == 1:
        x, y, z = (float(v) for v in real[0]["arp_ecef_m"])
        session.link.setup = replace(setup, base_ecef_m=(x, y, z), base_station_id=int(real[0]["id"]))


def _with_navigation(session: Session, path: Path | None) -> None:
    """Ephemerides of a navigation file, for a stream that carries none."""
    if path is not None:
        from hubtack.orbits.navfile import read_rinex_nav

        session.base.add_ephemerides(read_rinex_nav(path))


# Logs ------------------------------------------------------------------------------------------------------------


def _judge_log(
    args: argparse.Namespace,
    spec: SourceSpec,
    site: Site,
    expected: Mapping[str, Any] | None,
    against: Mapping[str, Any] | None,
) -> int:
    path = Path(spec.path)
    failed = False
    files: SessionFiles | None = None
    if is_capture(path):
        session = _session_of_capture(path, site, args)
    else:
        with told_as_document(args, lambda _: _unread(args, spec.label, site)):
            files = _files_of(path)
        session = session_for(files, site)
        session.expects_link = True
        session.link.setup = replace(session.link.setup, near_deg=args.near)
    _with_navigation(session, args.navigation)
    _with_expected(session, expected)
    try:
        if files is None:
            run_events(session, iter_capture(path), lambda rows: None)
            session.close()
        else:
            run_files(session, files)
    except SourceError as err:
        _say(str(err))
        failed = True
        session.close()
    ready = _report(args, session, spec.label, site=site, expected=expected, against=against)
    if failed:
        return EXIT_SOURCE
    return EXIT_READY if ready else EXIT_NO


def _session_of_capture(folder: Path, site: Site, args: argparse.Namespace) -> Session:
    """A capture knows when each byte arrived, so it is judged as the live stream was."""
    labels = read_description(folder).labels
    role = "corrections" if "corrections" in labels else "rover"
    kind = "mixed"
    if role in labels:
        with contextlib.suppress(UsageError):
            kind = parse_source(labels[role]).kind
    session = Session(
        setup_of(site, has_arrival=True, has_corrections=role == "corrections"),
        link_setup_of(site, kind, has_arrival=True, near=args.near),
        link_role=role,
    )
    session.expect(role)
    session.expects_link = True
    return session


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


def _unread(args: argparse.Namespace, label: str, site: Site) -> dict[str, Any]:
    return document("link", _body(session_of_nothing(args, "corrections"), label, site=site)[0])


# Live ------------------------------------------------------------------------------------------------------------


def _judge_live(args: argparse.Namespace, spec: SourceSpec, site: Site, expected: Mapping[str, Any] | None) -> int:
    from hubtack.readers.opening import open_reader

    session = Session(
        setup_of(site, has_arrival=True, has_corrections=True),
        link_setup_of(site, spec.kind, has_arrival=True, near=args.near),
    )
    _with_expected(session, expected)
    _with_navigation(session, args.navigation)
    session.is_live = True
    session.expect("corrections")
    reader = open_reader(spec, "corrections", near=args.near, position=session.rover_position, site=site)
    screen = _Screen(args, session, spec.label, site)
    try:
        with forwarding(args.forward, "link") as send, Hub([reader]) as hub, screen:
            run = LiveRun(session, hub, lambda rows: None, screen.look, for_s=args.for_s, draw_s=0.5, forward=send)
            with contextlib.suppress(KeyboardInterrupt):
                run.loop()
    except SourceError as err:
        _say(str(err))
        if args.json:
            _report(args, session, spec.label, site=site, expected=expected)
        return EXIT_SOURCE
    elapsed_ns = run.elapsed_ns(run.mono())
    session.close()
    ready = _report(args, session, spec.label, elapsed_ns, site=site, expected=expected)
    for notice in run.refused:
        _say(notice.message)
    if run.refused or (run.failed and not session.link.tally.bytes):
        return EXIT_SOURCE
    return EXIT_READY if ready else EXIT_NO


class _Screen:
    """The live technician's view, where there is a terminal to show it on."""

    def __init__(self, args: argparse.Namespace, session: Session, label: str, site: Site) -> None:
        from rich.console import Console

        self._session, self._label, self._json, self._site = session, label, args.json, site
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
            from hubtack.views.link_report import link_screen

            body = _body(self._session, self._label, elapsed_ns, site=self._site)[0]
            size = self._console.size
            self._live.update(link_screen(plain(body), size.width, size.height), refresh=True)
        return True


# Out -------------------------------------------------------------------------------------------------------------


def _grid_of(site: Site) -> ToGrid | None:
    """Latitude and longitude to the site's grid, where the site has one."""
    from hubtack.geo.crs import find_crs, to_grid
    from hubtack.geo.local_grid import to_local

    local, crs = site.site.local, site.site.crs
    if local is not None:

        def by_local(lat: float, lon: float) -> tuple[float, float]:
            easting, northing, _ = to_local(local, [lat], [lon], [0.0])
            return float(easting[0]), float(northing[0])

        return by_local
    if crs is None:
        return None
    found = find_crs(crs)

    def by_crs(lat: float, lon: float) -> tuple[float, float]:
        easting, northing = to_grid(found, [lat], [lon])
        return float(easting[0]), float(northing[0])

    return by_crs


def _body(
    session: Session,
    label: str,
    elapsed_ns: int = 0,
    *,
    site: Site,
    expected: Mapping[str, Any] | None = None,
) -> tuple[dict[str, Any], bool | None]:
    findings = [f for f in session.findings(elapsed_ns) if f.code in LINK_CODES]
    ready = session.rtk_ready(findings, elapsed_ns)
    view = session.link_view(elapsed_ns)
    body = link_body(
        session.link,
        session.axis,
        source=label,
        ready=ready,
        findings=[finding_document(f, session.axis) for f in findings],
        criteria=criteria(view),
        now_ns=view.now_ns,
        to_grid=_grid_of(site),
        base=view.base,
    )
    if expected is not None:
        body["changes"] = changes(expected, plain(body))
    return body, ready


def _report(
    args: argparse.Namespace,
    session: Session,
    label: str,
    elapsed_ns: int = 0,
    *,
    site: Site,
    expected: Mapping[str, Any] | None,
    against: Mapping[str, Any] | None = None,
) -> bool | None:
    body, ready = _body(session, label, elapsed_ns, site=site, expected=expected)
    if against is not None:
        body["against"] = against
    show(args, body)
    return ready


def show(args: argparse.Namespace, body: Mapping[str, Any]) -> None:
    """Print a ``link`` document, for machines or for people."""
    if args.json:
        print(to_json(document("link", body)))
        return
    from rich.console import Console

    from hubtack.views.link_report import link_report

    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=160)  # lines stay whole for other programs
    console.print(link_report(document("link", body), console.width))
