"""``sky``: listens to a source or reads a log, and shows the sky it has learnt with the hours ahead."""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import datetime as dt
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from hubtack.documents.sky import iso_of, sky_body
from hubtack.engine.from_site import setup_of
from hubtack.errors import LogFormatError, SourceError, UsageError
from hubtack.geo import geodetic_to_ecef
from hubtack.json_out import document, to_json
from hubtack.knowledge.leap_seconds import CURRENT_LEAP_S
from hubtack.live.opening import find_site
from hubtack.logs.discover import SessionFiles, discover
from hubtack.logs.drive import run_files, session_for
from hubtack.orbits.calendar import week_of
from hubtack.orbits.ephemeris import WEEK_S, Ephemeris, EphemerisStore
from hubtack.orbits.outlook import SkyNow, outlook
from hubtack.readers.urls import SourceSpec, parse_source
from hubtack.safe import safe_text
from hubtack.session.from_site import link_setup_of
from hubtack.session.session import Session
from hubtack.session.sky_state import gpst_at, sky_now
from hubtack.site import Site

EXIT_FINE, EXIT_CANNOT, EXIT_SOURCE = 0, 1, 3
LISTEN_S = 90.0  # a base repeats its ephemerides within a minute or so
_LEAST_SATELLITES = 4
_GPS_EPOCH = dt.datetime(1980, 1, 6, tzinfo=dt.UTC)


def sky(args: argparse.Namespace) -> int:
    """Run ``hubtack sky``; returns the exit code.

    Raises
    ------
    UsageError
        If neither a source nor a navigation file is named, or a file alone comes without a place.
    SourceError, LogFormatError
        If a file or source cannot be read.
    """
    if args.source is None and (args.navigation is None or args.near is None):
        raise UsageError("name a SOURCE, or --navigation FILE with --near LAT,LON: whose sky, and when?")
    spec = parse_source(args.source) if args.source is not None else None
    site = find_site(args.site, args.source if spec is not None and spec.kind == "file" else None)
    given = _ephemerides(args.navigation)
    start = _start(args.from_utc)
    if spec is None:
        week: int | None
        basis: str | None = "given"
        now, week = _of_file(given, args.near, start)
        label = str(args.navigation)
    else:
        session = _read(args, spec, site, given)
        found, label = sky_now(session, near_deg=args.near), spec.label
        if found is None or len(found.ephemerides) < _LEAST_SATELLITES:
            _say(_why_not(session))
            return EXIT_CANNOT
        now, week, basis = found, _week(session), session.axis.time_basis
        if start is not None:
            now, week = dataclasses.replace(now, t_gpst_s=start[1]), start[0]
    seen = outlook(now, hours=args.hours, mask_deg=args.mask_deg)
    iso = iso_of(week, now.leap_s)
    offset_s, zone = _zone(site, iso(now.t_gpst_s))
    if args.plot is not None:
        from hubtack.views.sky_plot import plot_sky

        plot_sky(seen, args.plot, title=f"Sky: {safe_text(label, 80)}", utc_offset_s=offset_s, zone=zone)
        _say(f"wrote {args.plot}")
    if args.json:
        print(to_json(document("sky", sky_body(seen, iso, source=label, time_basis=basis))))
        return EXIT_FINE
    from rich.console import Console

    from hubtack.views.sky_report import sky_report

    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=120)
    console.print(sky_report(seen, console.width, utc_offset_s=offset_s, zone=zone))
    return EXIT_FINE


def _say(text: str) -> None:
    print(f"hubtack sky: {safe_text(text, 400)}", file=sys.stderr)


def _ephemerides(path: Path | None) -> list[Ephemeris]:
    if path is None:
        return []
    from hubtack.orbits.navfile import read_rinex_nav

    return read_rinex_nav(path)


# When ------------------------------------------------------------------------------------------------------------


def _start(text: str | None) -> tuple[int, float] | None:
    """GPS week and second of it of a UTC moment that was typed."""
    if text is None:
        return None
    try:
        at = dt.datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"--from {safe_text(text, 40)}: not a moment such as 2026-11-26T07:00 (UTC)") from None
    return _gps(at if at.tzinfo is not None else at.replace(tzinfo=dt.UTC))


def _gps(at: dt.datetime) -> tuple[int, float]:
    total_s = (at - _GPS_EPOCH).total_seconds() + CURRENT_LEAP_S
    return int(total_s // WEEK_S), total_s % WEEK_S


def _week(session: Session) -> int | None:
    """The GPS week of the session's newest epoch; None while no date is known."""
    day0 = session.axis.day0
    if day0 is None:
        return None
    at = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(days=day0, seconds=session.now_ns() / 1e9)
    week, second = _gps(at)
    t_s = gpst_at(session, session.now_ns()) % WEEK_S
    # The two may lie on either side of a week's end.
    return week + round((second - t_s) / WEEK_S)


def _zone(site: Site, utc: str | None) -> tuple[float, str]:
    """Offset of the site's time zone from UTC at a moment [s], and its name."""
    if site.time_zone == "UTC" or utc is None:
        return 0.0, "UTC"
    offset = ZoneInfo(site.time_zone).utcoffset(dt.datetime.fromisoformat(utc.replace("Z", "+00:00")))
    return (offset.total_seconds() if offset is not None else 0.0), site.time_zone


# From where ------------------------------------------------------------------------------------------------------


def _of_file(given: list[Ephemeris], near: tuple[float, float], start: tuple[int, float] | None) -> tuple[SkyNow, int]:
    """The sky of a navigation file at a place, and the GPS week."""
    week, t_s = start if start is not None else _gps(dt.datetime.now(dt.UTC))
    store = EphemerisStore()
    for ephemeris in given:
        store.add(ephemeris)
    near_ones = store.nearest(t_s, float(CURRENT_LEAP_S), longest_age_factor=8.0)
    file_week = week_of(store, np.clip(t_s, 30_000.0, WEEK_S - 30_000.0))
    if len(near_ones) < _LEAST_SATELLITES or (file_week is not None and abs(file_week - week) > 0):
        raise LogFormatError(
            "the navigation file has no ephemerides within half a day of the time asked for; give one of that day, or "
            "name the time with --from"
        )
    lat, lon = (np.array([v]) for v in near)
    place = np.asarray(geodetic_to_ecef(lat, lon, np.zeros(1))[0])
    return SkyNow(t_s, float(CURRENT_LEAP_S), near_ones, rover_ecef_m=place), week


def _read(args: argparse.Namespace, spec: SourceSpec, site: Site, given: list[Ephemeris]) -> Session:
    if spec.kind != "file":
        return _listen(args, spec, site, given)
    files = _files(Path(spec.path))
    session = session_for(files, site)
    session.expects_link = True
    session.link.setup = dataclasses.replace(session.link.setup, near_deg=args.near)
    session.base.add_ephemerides(given)
    run_files(session, files)
    return session


def _files(path: Path) -> SessionFiles:
    if not path.exists():
        raise SourceError(f"{path}: no such file or folder; check the path")
    found = discover([path])
    if not found.sessions:
        reason = found.skipped[0].reason if found.skipped else "holds no log"
        raise LogFormatError(f"{path}: {reason}")
    if len(found.sessions) > 1:
        raise UsageError(f"{path}: holds {len(found.sessions)} sessions; name one of them")
    return found.sessions[0]


def _listen(args: argparse.Namespace, spec: SourceSpec, site: Site, given: list[Ephemeris]) -> Session:
    """A live correction source, for as long as it takes to hear its ephemerides."""
    from hubtack.live.run import LiveRun
    from hubtack.readers.hub import Hub
    from hubtack.readers.opening import open_reader

    session = Session(
        setup_of(site, has_arrival=True, has_corrections=True),
        link_setup_of(site, spec.kind, has_arrival=True, near=args.near),
    )
    session.is_live = True
    session.expect("corrections")
    session.base.add_ephemerides(given)
    reader = open_reader(spec, "corrections", near=args.near, position=session.rover_position, site=site)
    for_s = args.for_s if args.for_s is not None else LISTEN_S
    _say(f"listening for {for_s:.0f} s (Ctrl-C ends it early)")
    with Hub([reader]) as hub:
        run = LiveRun(session, hub, lambda rows: None, lambda elapsed_ns, partial: True, for_s=for_s, draw_s=0.5)
        with contextlib.suppress(KeyboardInterrupt):
            run.loop()
    session.close()
    if run.refused or (run.failed and not session.link.tally.bytes):
        raise SourceError("; ".join(n.message for n in run.refused) or f"{spec.label}: nothing could be read")
    return session


def _why_not(session: Session) -> str:
    """Why there is no sky to show, and what would help."""
    seen = session.base.seen()
    if not len(session.base.watcher.ephemerides):
        return (
            "the source carries no ephemerides, so where the satellites stand cannot be told; switch on 1019, 1020, 1042 "
            "and 1046 at the base, or give --navigation FILE"
        )
    if seen.misplaced is None and seen.says:
        return f"{seen.says}; {seen.next_step}"
    return "neither the base nor the rover has said where it is; give --near LAT,LON"
