"""``hubtack control``: which question is asked, and the check of one mark from sources to record."""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from dataclasses import replace
from typing import Any

import numpy as np

from hubtack import __version__
from hubtack.commands.control_rows import gather, given_date, site_of
from hubtack.control.answer import Answer, findings_of_check, history_at, record_entry
from hubtack.control.check import Check, Circumstances, check_mark
from hubtack.control.frame import Frame, HeightDatum, Mark, frame_of
from hubtack.control.judge import limits_for
from hubtack.control.record import FILE_NAME, append_record
from hubtack.control.shown import check_shown
from hubtack.documents.control import check_document
from hubtack.engine.from_site import setup_of
from hubtack.errors import SourceError, UsageError
from hubtack.geo.crs import geoid_height_m
from hubtack.json_out import to_json
from hubtack.knowledge.control_limits import CONTROL_BY_KEY
from hubtack.live.unread import told_as_document
from hubtack.safe import safe_text
from hubtack.site import Site

EXIT_FINE, EXIT_NO, EXIT_SOURCE = 0, 1, 3
_CHECK_ONLY = ("point", "at", "measure", "shown")


def control(args: argparse.Namespace) -> int:
    """Run ``hubtack control``; returns the exit code."""
    asked = [name for name in ("fit", "accuracy", "history", "base_days") if getattr(args, name) is not None]
    if len(asked) > 1:
        raise UsageError(f"one question at a time: {' and '.join('--' + a.replace('_', '-') for a in asked)}")
    if (args.write is not None or args.residuals is not None) and asked != ["fit"]:
        raise UsageError("--write and --residuals belong to --fit")
    if asked:
        from hubtack.commands import control_questions as questions

        return int(getattr(questions, f"answer_{asked[0]}")(args))
    return check(args)


def check(args: argparse.Namespace) -> int:
    """One mark checked, or measured."""
    site = site_of(args)
    _refuse_contradictions(args)
    frame = _frame(args, site)
    mark = None if args.measure else mark_of(args, site, frame)
    place = frame.place(mark) if frame is not None and mark is not None else None
    shown_only = args.shown is not None and not any((args.source, args.rover, args.corrections))
    answer = Answer(site=site, mark=mark, frame=frame, name=mark.name if mark else args.measure)
    answer.antenna_height_m = args.antenna_height_m
    if shown_only:
        answer.utc = _now()
        answer.check = _shown(args, answer, None, has_log=False)
    else:
        _from_sources(args, answer, None if place is None or np.isnan(place[0]) or args.shown else place)
    record = _record_path(args, site)
    history_at(answer, record)
    document = check_document(answer, findings_of_check(answer))
    _keep(args, answer, document, record)
    _print(args, answer, document)
    for warning in answer.warnings:
        print(f"hubtack control: {safe_text(warning, 400)}", file=sys.stderr)
    if answer.refused:
        for message in answer.refused:
            print(f"hubtack control: {safe_text(message, 400)}", file=sys.stderr)
        return EXIT_SOURCE
    if mark is None:
        return EXIT_FINE if answer.check.occupied is not None else EXIT_NO
    return EXIT_FINE if answer.check.passed else EXIT_NO


def _from_sources(args: argparse.Namespace, answer: Answer, place: tuple[float, float] | None) -> None:
    with told_as_document(args, lambda why: check_document(replace(answer, check=Check(why_not=why)), [])):
        gathered = gather(args, answer.site, place)
    session = gathered.session
    if args.date is not None:
        given_date(args.date, session)
    answer.session, answer.source, answer.is_live = session, gathered.source, gathered.is_live
    answer.warnings, answer.refused = gathered.warnings, gathered.refused
    answer.ended_why = gathered.ended_why
    answer.stream = gathered.stream_messages()
    rows = gathered.rows().between(args.from_s, args.to_s)
    position = session.rover_position()
    if answer.frame is not None and answer.frame.geoid_m is None and position is not None:
        answer.frame = _with_geoid(answer.frame, answer.site, position[0], position[1])
    if args.shown is not None:
        answer.check = _shown(args, answer, rows, has_log=True)
    else:
        answer.check = check_mark(rows, answer.frame, answer.mark, _circumstances(args, answer))
    occupied = answer.check.occupied
    if occupied is not None:
        answer.utc = session.axis.utc_iso(occupied.end_ns)
    elif len(rows):
        answer.utc = session.axis.utc_iso(int(rows.time_ns[-1]))


def _shown(args: argparse.Namespace, answer: Answer, rows: Any, *, has_log: bool) -> Any:
    """The check of the whole chain; ``rows`` are those of the log beside it, if there is one."""
    assert answer.frame is not None and answer.mark is not None
    answer.what = "shown_edge"
    about = _circumstances(args, answer)
    antenna = check_mark(rows, None, None, about) if rows is not None else Check()
    answer.shown = _as_mark(answer.frame, args.shown, "shown", 0.0, answer.mark.height_datum)
    return check_shown(antenna, answer.frame, answer.mark, answer.shown, about, has_log=has_log)


def _circumstances(args: argparse.Namespace, answer: Answer) -> Circumstances:
    site, session = answer.site, answer.session
    base = site.site.base
    base_height_m = base.antenna_height_m if base is not None and base.point == "mark" else 0.0
    computed, epoch = False, None
    if session is not None:
        station = session.link.tally.stations.get(session.base_id() or -1)
        if station is not None and np.isfinite(station.antenna_height_m or np.nan) and station.antenna_height_m:
            base_height_m = float(station.antenna_height_m)
        computed = session.base_computed()
        epoch = decimal_year(session.axis.utc_iso(session.first_ns()))
    elif answer.utc is not None:
        epoch = decimal_year(answer.utc)
    return Circumstances(
        limits=limits_for(site.job.class_ or ""),
        setup=session.setup if session is not None else setup_of(site),
        base_computed=computed,
        antenna_height_m=args.antenna_height_m,
        base_antenna_height_m=base_height_m,
        site_geoid_m=None if answer.frame is None else answer.frame.geoid_m,
        epoch=epoch,
        most_s=None if answer.is_live else args.for_s,
        stream=answer.stream,
        others=_others(args, answer),
    )


def _others(args: argparse.Namespace, answer: Answer) -> tuple[Mark, ...]:
    """The marks of the site file, where they are in the same system as the one asked for."""
    frame = answer.frame
    if frame is None or frame.is_geographic or args.crs not in (None, answer.site.site.crs):
        return ()
    return tuple(
        _as_mark(frame, (m.easting_m, m.northing_m, m.height_m), m.name, m.sigma_m, m.height_datum)
        for m in answer.site.site.control
    )


def decimal_year(utc: str | None) -> float | None:
    """The moment as a decimal year, as epochs of reference frames are written; None without a date."""
    if utc is None:
        return None
    at = dt.datetime.fromisoformat(utc)
    start = dt.datetime(at.year, 1, 1, tzinfo=dt.UTC)
    end = dt.datetime(at.year + 1, 1, 1, tzinfo=dt.UTC)
    return at.year + (at - start) / (end - start)


def _refuse_contradictions(args: argparse.Namespace) -> None:
    if args.measure and (args.point or args.at or args.shown):
        raise UsageError("--measure is for a mark that is not known; leave out --point, --at and --shown")
    if not any(getattr(args, name) for name in _CHECK_ONLY):
        raise UsageError(
            "which mark? Give --point NAME with a site file, --at EAST,NORTH,HEIGHT with --crs, or --measure NAME"
        )
    if args.at is None:
        for name in ("crs", "height_datum", "mark_sigma_m"):
            if getattr(args, name) is not None:
                raise UsageError(f"--{name.replace('_', '-')} belongs to --at; a mark of the site file has its own")
    if args.antenna_height_m and args.shown is not None:
        raise UsageError("--antenna-height-m is not used with --shown: the screen speaks of the tooth on the mark")


def _frame(args: argparse.Namespace, site: Site) -> Frame | None:
    local = None if args.crs is not None else site.site.local
    crs = args.crs or site.site.crs
    if args.measure and local is None and crs is None:
        return None
    return frame_of(crs=crs, local=local, geoid_m=site.site.geoid_separation_m)


def _with_geoid(frame: Frame, site: Site, lat_deg: float, lon_deg: float) -> Frame:
    """The site's geoid grid, looked up where the rover is: over a site its height is as good as constant."""
    model = site.site.geoid_model
    if model is None:
        return frame
    return Frame(frame.crs, frame.local, geoid_height_m(model, lat_deg, lon_deg))


def mark_of(args: argparse.Namespace, site: Site, frame: Frame | None) -> Mark:
    """The mark that is asked for, from the command line or the site file.

    Raises
    ------
    UsageError
        If the site file has none of that name; the message lists those it has.
    """
    assert frame is not None
    if args.at is not None:
        sigma_m = CONTROL_BY_KEY["mark_sigma_m"] if args.mark_sigma_m is None else args.mark_sigma_m
        return _as_mark(frame, args.at, args.point or "the mark", sigma_m, args.height_datum or "ellipsoid")
    if args.point is None:
        raise UsageError("which mark? --shown needs --point NAME or --at EAST,NORTH,HEIGHT")
    known = site.site.mark(args.point)
    if known is None:
        import difflib

        names = [m.name for m in site.site.control]
        where = "there is no site file" if site.path is None else f"{safe_text(str(site.path))} has no such mark"
        near = difflib.get_close_matches(args.point, names, 1)
        hint = f"; did you mean {safe_text(near[0], 40)}?" if near else ""
        listed = f"; it has {', '.join(safe_text(n, 30) for n in names[:10])}" if names else ""
        raise UsageError(
            f"--point {safe_text(args.point, 40)}: {where}{hint or listed}. Marks are [[site.control]] tables; "
            "or give --at EAST,NORTH,HEIGHT --crs EPSG:n"
        )
    at = (known.easting_m, known.northing_m, known.height_m)
    if frame.is_geographic:
        raise UsageError(
            "the marks of a site file are in metres, and site.crs is in degrees: name the projected system of the "
            "control sheet, or give --at LAT,LON,HEIGHT with --crs"
        )
    return _as_mark(frame, at, known.name, known.sigma_m, known.height_datum)


def _as_mark(frame: Frame, at: tuple[float, float, float], name: str, sigma_m: float, datum: HeightDatum) -> Mark:
    first, second, height_m = at
    if frame.is_geographic:  # latitude comes first there, as people write it
        if abs(first) > 90.0:
            swapped = "; latitude and longitude look swapped" if abs(second) <= 90.0 else ""
            raise UsageError(f"latitude {first:g}, longitude {second:g} is no place{swapped}: latitude comes first")
        return Mark(name, second, first, height_m, sigma_m, datum)
    return Mark(name, first, second, height_m, sigma_m, datum)


def _record_path(args: argparse.Namespace, site: Site) -> Any:
    if args.record is not None:
        return args.record
    return None if site.path is None else site.path.parent / FILE_NAME


def _keep(args: argparse.Namespace, answer: Answer, document: dict[str, Any], record: Any) -> None:
    """Append the check to the record; a place that was not asked for and cannot be written is only said."""
    if args.no_record or answer.mark is None:
        return
    if record is None:
        answer.warnings.append(
            "not recorded, since there is no site file to keep it beside; --record FILE names a place"
        )
        return
    if answer.check.judgement is None or answer.check.mistake is not None:
        answer.warnings.append("not recorded: this was no occupation of the mark")
        return
    try:
        append_record(record, record_entry(answer, document, __version__))
    except SourceError as err:
        if args.record is not None:
            answer.refused.append(str(err))
        else:
            answer.warnings.append(str(err))


def _print(args: argparse.Namespace, answer: Answer, document: dict[str, Any]) -> None:
    if args.json:
        print(to_json(document))
    else:
        from hubtack.views.control_report import print_check

        print_check(document, args.units or answer.site.unit, answer.site.tzinfo)
    if args.plot is not None:
        from hubtack.views.control_plot import plot_check

        plot_check(args.plot, answer, args.units or answer.site.unit)


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
