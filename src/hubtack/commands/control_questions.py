"""What ``hubtack control`` answers beside the check of a mark: site transformation, accuracy, history, base between days."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from hubtack.control.accuracy import accuracy_report
from hubtack.control.answer import base_tolerance_m, days_of, visit_of
from hubtack.control.base_days import BaseDay, base_steps
from hubtack.control.drift import compare, trend
from hubtack.control.record import paths_of, read_record
from hubtack.control.site_fit import fit_site, local_toml
from hubtack.control.tables import fit_csv, read_check_points, read_fit_points
from hubtack.documents import control_questions as documents
from hubtack.engine.from_site import base_ecef_m
from hubtack.errors import LogFormatError, SourceError, UsageError
from hubtack.json_out import to_json
from hubtack.logs.discover import SessionFiles, discover
from hubtack.logs.drive import run_files, session_for
from hubtack.safe import safe_text
from hubtack.site import Site, default_site, load_site
from hubtack.units import METRE, LengthUnit

EXIT_FINE, EXIT_NO = 0, 1


def answer_fit(args: argparse.Namespace) -> int:
    """``--fit``: the site's own grid; exit 1 where a mark does not fit."""
    points = read_fit_points(args.fit)
    fit = fit_site(points)
    if args.residuals is not None:
        _write(args.residuals, fit_csv(fit))
    written = None
    bad = [name for name in (fit.misfit_plan, fit.misfit_height) if name is not None]
    if args.write is not None:
        from hubtack.site.local_writer import write_local_grid

        if bad:
            raise UsageError(
                f"nothing is written: {safe_text(bad[0], 40)} does not fit the other marks. Measure it again, or leave it "
                "out with plan, height or none in the column use"
            )
        write_local_grid(args.write, local_toml(fit.grid), fit.grid)
        written = str(args.write)
    document = documents.fit_document(str(args.fit), points, fit, written)
    _show(args, document, "print_fit")
    if args.plot is not None:
        from hubtack.views.control_plot import plot_residuals

        plan = np.array([[p.easting_m, p.northing_m] for p in points])
        residual = np.array([[p.east_m, p.north_m, p.up_m] for p in fit.points])
        plot_residuals(
            args.plot, [p.name for p in points], plan, residual, _unit(args), "Site transformation: what is left"
        )
    return EXIT_NO if bad else EXIT_FINE


def answer_accuracy(args: argparse.Namespace) -> int:
    """``--accuracy``: the report of two standards over many marks."""
    names, plan, residual, crowd = _check_points(args.accuracy)
    survey_m = args.mark_sigma_m or 0.0
    report = accuracy_report(residual, survey_sigma_m=survey_m, positions_m=plan if crowd else None)
    document = documents.accuracy_document(str(args.accuracy), names, residual, report, survey_m)
    _show(args, document, "print_accuracy")
    if args.plot is not None:
        from hubtack.views.control_plot import plot_residuals

        plot_residuals(args.plot, names, plan, residual, _unit(args), "Check points: measured less known")
    return EXIT_FINE


def _check_points(path: Path) -> tuple[list[str], Any, Any, bool]:
    """Names, places and residuals of a CSV of check points, or of a control record: each mark's newest check.

    A check that failed stays in: to leave out what is wrong would be no accuracy report. The last value says whether
    the places are in one grid, so that their spread over the site can be looked at.
    """
    if not _is_record(path):
        return (*read_check_points(path), True)
    entries, bad = read_record(path)
    if bad:
        print(f"hubtack control: {bad} lines of {safe_text(str(path))} could not be read", file=sys.stderr)
    newest: dict[str, dict[str, Any]] = {}
    for entry in entries:
        if np.isfinite([entry["east_m"], entry["north_m"]]).all():
            newest[entry["point"].casefold()] = entry
    if not newest:
        raise LogFormatError(f"{safe_text(str(path))}: no check with a residual in plan")
    chosen = list(newest.values())
    plan = np.array([[e["easting_m"], e["northing_m"]] for e in chosen])
    residual = np.array([[e["east_m"], e["north_m"], e["up_m"]] for e in chosen])
    one_grid = len({e["crs"] for e in chosen}) == 1 and bool(np.isfinite(plan).all())
    return [e["point"] for e in chosen], plan, residual, one_grid


def _is_record(path: Path) -> bool:
    """Whether a file is a control record, by its first bytes: JSON lines, or the CSV beside them."""
    if path.is_dir():
        return True
    try:
        with path.open("rb") as file:
            head = file.read(64)
    except OSError as err:
        raise SourceError(f"{safe_text(str(path))} cannot be read: {err.strerror}; check the path") from err
    return head.lstrip().startswith(b"{") or (head.startswith(b"utc,point,") and paths_of(path)[0].exists())


def answer_history(args: argparse.Namespace) -> int:
    """``--history``: each mark's visits, what changed since the one before, and drift."""
    entries, bad = read_record(args.history, args.point)
    if not entries:
        known = sorted({e["point"] for e in read_record(args.history)[0]})
        raise UsageError(f"no check of {safe_text(str(args.point), 40)} in the record; it has {', '.join(known[:10])}")
    marks = []
    for key in dict.fromkeys((e["point"].casefold(), e["what"]) for e in entries):
        own = [e for e in entries if (e["point"].casefold(), e["what"]) == key]
        visits = [visit_of(e) for e in own]
        pair = compare(visits[-2], visits[-1]) if len(visits) > 1 else None
        marks.append((own, pair, trend(visits)))
    document = documents.history_document(str(args.history), marks, bad)
    _show(args, document, "print_history")
    if args.plot is not None:
        from hubtack.views.control_plot import plot_history

        if len({own[0]["point"].casefold() for own, _, _ in marks}) > 1:
            raise UsageError("--plot draws the history of one mark: name it with --point")
        plot_history(args.plot, marks[0][0], _unit(args))
    return EXIT_FINE


def answer_base_days(args: argparse.Namespace) -> int:
    """``--base-days``: where the base was on each day, by logs and records; exit 1 where it moved."""
    site = _site(args)
    days: list[BaseDay] = []
    for path in args.base_days:
        days.extend(_days(path, site))
    if not days:
        raise LogFormatError(
            "no base position in any of these: a correction stream carries it in message 1005 or 1006, a control record "
            "where the check saw one"
        )
    dated = sorted(days, key=lambda d: (d.utc is None, d.utc or ""))
    tolerance_m = base_tolerance_m(site)
    steps = base_steps(dated, base_ecef_m(site), tolerance_m)
    document = documents.base_document(dated, steps, tolerance_m)
    _show(args, document, "print_base")
    return EXIT_NO if any(step.moved for step in steps) else EXIT_FINE


def _days(path: Path, site: Site) -> list[BaseDay]:
    if path.is_file() and _is_record(path):
        return days_of(read_record(path)[0])
    found = discover([path])
    for skipped in found.skipped:
        print(f"hubtack control: {safe_text(f'{skipped.path}: {skipped.reason}', 300)}", file=sys.stderr)
    days: list[BaseDay] = []
    for files in found.sessions:
        days.extend(_bases_of(files, site))
    return days


def _bases_of(files: SessionFiles, site: Site) -> list[BaseDay]:
    session = session_for(files, site)
    try:
        run_files(session, files)
    except SourceError as err:
        print(f"hubtack control: {safe_text(str(err), 300)}; what was read before it is used", file=sys.stderr)
        session.close()
    days = []
    for number, station in session.link.tally.stations.items():
        for i, (at_ns, *arp) in enumerate(station.arps):
            label = files.name if i == 0 else f"{files.name}, later"
            place = (float(arp[0]), float(arp[1]), float(arp[2]))
            days.append(BaseDay(label, session.axis.utc_iso(int(at_ns)), number, place, station.computed))
    return days


def _site(args: argparse.Namespace) -> Site:
    return load_site(args.site) if args.site is not None else default_site()


def _unit(args: argparse.Namespace) -> LengthUnit:
    if args.units is not None:
        unit: LengthUnit = args.units
        return unit
    return _site(args).unit if args.site is not None else METRE


def _show(args: argparse.Namespace, document: dict[str, Any], printer: str) -> None:
    if args.json:
        print(to_json(document))
        return
    from hubtack.views import control_tables

    getattr(control_tables, printer)(document, _unit(args))


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as err:
        raise SourceError(f"{safe_text(str(path))} cannot be written: {err.strerror}") from err


__all__: Sequence[str] = ("answer_accuracy", "answer_base_days", "answer_fit", "answer_history")
