"""From the command line and the site file to readers and a session: which source has which role, and what that means.

A source on the command line wins over the site file. Files are played as logs, everything else is read live.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field
from pathlib import Path

from hubtack.capture.reading import CaptureClock, CaptureReader, is_capture, read_description
from hubtack.engine.from_site import setup_of
from hubtack.errors import LogFormatError, SourceError, UsageError
from hubtack.live.player import LogPlayer
from hubtack.logs.discover import Found, SessionFiles, discover
from hubtack.readers.chunk import Reader
from hubtack.readers.urls import SourceSpec, parse_source
from hubtack.session.from_site import convergence_of, link_setup_of, session_of_capture
from hubtack.session.session import Session
from hubtack.site import Site, default_site, load_site


@dataclass(slots=True)
class Opened:
    """A session that can start: its readers, the site, and what to call it on a screen."""

    session: Session
    readers: list[Reader]
    site: Site
    title: str
    is_live: bool
    warnings: list[str] = field(default_factory=list)


def open_sources(args: argparse.Namespace) -> Opened:
    """Readers and session for ``watch``, ``ready`` and their like.

    Raises
    ------
    UsageError
        If no source is named anywhere, or one is named wrongly.
    SourceError, LogFormatError
        If a file cannot be read or is not what it should be. A live source that fails does so later, as a notice.
    """
    site = find_site(args.site, getattr(args, "source", None))
    if args.source is not None and is_capture(Path(args.source)):
        return _open_capture(args, site)
    logs, live = _sources(args, site)
    warnings = list(site.warnings)
    is_live = bool(live)
    kinds = {role: spec.kind for role, spec in live.items()}
    setup = setup_of(site, has_arrival=is_live, has_corrections="corrections" in (logs | live))
    session = Session(
        setup,
        link_setup_of(
            site,
            kinds.get("corrections") or kinds.get("rover") or "file",
            has_arrival=is_live,
            near=getattr(args, "near", None),
        ),
    )
    session.link_role = "corrections" if "corrections" in (logs | live) else "rover"
    session.is_live = is_live
    session.convergence_deg = convergence_of(site)
    readers: list[Reader] = []
    if logs:
        readers.append(LogPlayer(logs, speed=args.speed, label=", ".join(str(p) for p in logs.values())))
    for role, spec in live.items():
        warnings.extend(spec.warnings)
        readers.append(_live_reader(spec, role, session, site, getattr(args, "near", None)))
    for role in (*logs, *live):
        session.expect(role)
    session.rover.compare_ages = session.rover.sums_up_later = is_live
    return Opened(session, readers, site, site.machine.name or "", is_live, warnings)


def _open_capture(args: argparse.Namespace, site: Site) -> Opened:
    """A recording of live sources: the same events in the same order, with the arrival times they had."""
    folder = Path(args.source)
    session = session_of_capture(site, read_description(folder).labels)
    clock = CaptureClock(folder, args.speed) if args.speed > 0 else None
    reader = CaptureReader(folder, clock=clock)
    return Opened(session, [reader], site, site.machine.name or "", False, list(site.warnings))


def find_site(named: Path | None, source: str | None) -> Site:
    """The site file that was named, else ``site.toml`` beside the log, else the defaults."""
    if named is not None:
        return load_site(named)
    if source is not None and source != "-":
        path = Path(source)
        folder = path if path.is_dir() else path.parent
        if path.exists() and (folder / "site.toml").is_file():
            return load_site(folder / "site.toml")
    return default_site()


def _sources(args: argparse.Namespace, site: Site) -> tuple[dict[str, Path], dict[str, SourceSpec]]:
    """Logs and live sources by role."""
    named: dict[str, str | None] = {
        "rover": args.rover,
        "second_antenna": args.second_antenna,
        "corrections": args.corrections,
    }
    if args.source is None and not any(named.values()):
        named = {
            "rover": site.rover.source,
            "second_antenna": site.second_antenna.source,
            "corrections": site.corrections.source,
        }
        if not any(named.values()):
            raise UsageError(
                "no source: name a log, a folder, --rover URL or a site file with [rover] source "
                "(for example serial:///dev/ttyUSB0?baud=115200)"
            )
    logs: dict[str, Path] = {}
    live: dict[str, SourceSpec] = {}
    if args.source is not None:
        spec = parse_source(args.source)
        if spec.kind == "file":
            logs = _logs_of(Path(spec.path))
        else:
            live["rover"] = spec
    for role, text in named.items():
        if text:
            spec = parse_source(text)
            if spec.kind == "file":
                path = Path(spec.path)
                found = discover([path])
                if found.skipped and not found.sessions:
                    raise LogFormatError(f"{path}: {found.skipped[0].reason}")
                logs[role] = path
            else:
                live[role] = spec
    return logs, live


def _logs_of(path: Path) -> dict[str, Path]:
    """The logs of one session: a file, or a folder that holds one."""
    if not path.exists():
        raise SourceError(f"{path}: no such file or folder; check the path")
    found: Found = discover([path])
    if not found.sessions:
        skipped = found.skipped[0] if found.skipped else None
        raise LogFormatError(
            f"{skipped.path}: {skipped.reason}" if skipped else f"{path}: holds no log; expected NMEA or RTCM 3 files"
        )
    if len(found.sessions) > 1:
        names = ", ".join(s.name for s in found.sessions[:4])
        raise UsageError(
            f"{path}: holds {len(found.sessions)} sessions ({names} ...); name one of them, or use hubtack audit"
        )
    return roles_of(found.sessions[0])


def roles_of(files: SessionFiles) -> dict[str, Path]:
    """Files of a session by role; several correction logs are played one after the other only in an audit."""
    logs: dict[str, Path] = {}
    if files.rover:
        logs["rover"] = files.rover
    if files.second_antenna:
        logs["second_antenna"] = files.second_antenna
    if files.corrections:
        logs["corrections"] = files.corrections[0]
    return logs


def _live_reader(spec: SourceSpec, role: str, session: Session, site: Site, near: tuple[float, float] | None) -> Reader:
    from hubtack.readers.opening import open_reader

    return open_reader(spec, role, near=near, position=session.rover_position, site=site)
