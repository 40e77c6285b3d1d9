"""``hubtack control``'s answers as JSON. A check follows the contract; what is beside it is ours to extend."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from hubtack.control.answer import Answer
from hubtack.control.base_days import BaseStep
from hubtack.control.drift import Difference, Trend
from hubtack.control.mean import OUTLIER_RULE
from hubtack.control.record import RESULTS
from hubtack.control.stream_crs import words
from hubtack.diagnosis.episode import Finding
from hubtack.documents.finding import finding_document
from hubtack.engine.axis import SessionAxis
from hubtack.json_out import document
from hubtack.knowledge.control_words import NO_PASS
from hubtack.safe import safe_text

_AXES = ("east", "north", "up")


def check_document(answer: Answer, findings: Sequence[Finding]) -> dict[str, Any]:
    """The document of one check or measurement."""
    check, occupied = answer.check, answer.check.occupied
    axis = answer.session.axis if answer.session is not None else SessionAxis()
    east, north, up = (float(v) for v in check.residual_m)
    judgement = check.judgement
    return document(
        "control",
        {
            "what": answer.what,
            "point": safe_text(answer.name, 80),
            "epochs": check.epochs,
            "used": 0 if occupied is None else occupied.mean.used,
            "duration_s": 0.0 if occupied is None else occupied.mean.duration_s,
            "mean": _mean(answer),
            "scatter_m": _axes(None if occupied is None else occupied.mean.scatter_m),
            "residual_m": {"east": east, "north": north, "up": up, "horizontal": math.hypot(east, north)},
            "limit_m": {
                "horizontal": None if judgement is None else judgement.limit_horizontal_m,
                "vertical": None if judgement is None else judgement.limit_vertical_m,
            },
            "passed": check.passed,
            "datum_fit": _fit(answer),
            "findings": [finding_document(f, axis) for f in findings],
            "result": "measured" if answer.mark is None and occupied is not None else RESULTS[check.passed],
            "why": _why(answer),
            "mistake": None if check.mistake is None else safe_text(check.mistake, 600),
            "notes": [safe_text(note, 400) for note in check.notes],
            "start_utc": None if occupied is None else axis.utc_iso(occupied.start_ns),
            "end_utc": None if occupied is None else axis.utc_iso(occupied.end_ns),
            "utc": answer.utc,
            "source": safe_text(answer.source, 200),
            "machine": _name(answer.site.machine.name),
            "site": _name(answer.site.site.name),
            "ended": answer.ended_why or None,
            "mark": _mark(answer),
            "shown": _shown(answer),
            "sigma_m": _axes(check.sigma_m if occupied is None or answer.mark is not None else occupied.sigma_m),
            "noise_m": {
                "horizontal": None if judgement is None else judgement.noise_horizontal_m,
                "vertical": None if judgement is None else judgement.noise_vertical_m,
            },
            "effective_epochs": _axes(None if occupied is None else occupied.mean.n_effective),
            "outlier_rule": OUTLIER_RULE,
            "antenna_height_m": answer.antenna_height_m,
            "pdop": None if occupied is None else occupied.pdop,
            "satellites": None if occupied is None else occupied.satellites,
            "baseline_m": None if occupied is None else occupied.baseline_m,
            "datum": _datum(answer),
            "stream_crs": [
                {"message": m.number, "text": words(m), "fields": dict(m.fields)} for m in answer.stream
            ],
            "again": _again(answer),
            "history": _history(answer),
            "base": [base_step_body(step) for step in answer.base],
        },
    )  # fmt: skip


def _name(text: str | None) -> str | None:
    """A name out of the site file, which may come from anywhere, as one line that steers no terminal."""
    return None if text is None else safe_text(text, 80)


def _mean(answer: Answer) -> dict[str, Any]:
    occupied, frame = answer.check.occupied, answer.frame
    if occupied is None:
        return dict.fromkeys(("latitude_deg", "longitude_deg", "height_m", "easting_m", "northing_m"))
    place = occupied.latitude_deg, occupied.longitude_deg
    easting, northing = (math.nan, math.nan)
    if frame is not None and not frame.is_geographic:
        easting, northing = frame.grid(*place)
    in_grid = math.nan
    if frame is not None:
        datum = "ellipsoid" if answer.mark is None else answer.mark.height_datum
        in_grid = frame.height_m(*place, occupied.h_ellipsoid_m, datum)
    return {
        "latitude_deg": place[0],
        "longitude_deg": place[1],
        "height_m": occupied.h_ellipsoid_m,
        "easting_m": easting,
        "northing_m": northing,
        "height_in_grid_m": in_grid,
    }


def _fit(answer: Answer) -> dict[str, Any] | None:
    datum = answer.check.datum
    if datum is None or datum.fit is None:
        return None
    return {"name": datum.fit.name, "explains_m": datum.fit.explains_m, "left_m": datum.fit.left_m}


def _datum(answer: Answer) -> dict[str, Any] | None:
    datum = answer.check.datum
    if datum is None:
        return None
    fit = datum.fit
    return {
        "tried": datum.tried,
        "not_tried": list(datum.not_tried),
        "why_none": datum.why_none or None,
        "possible": list(datum.possible),
        "chance": None if fit is None else fit.chance,
        "also_fits": [] if fit is None else list(fit.also_fits),
        "make_sure": None if fit is None else fit.make_sure,
    }


def _why(answer: Answer) -> str | None:
    """Why there is no pass, in words; None where there is one."""
    check = answer.check
    if check.why_not is not None:
        return check.why_not
    if check.judgement is None or check.passed:
        return None
    why = check.judgement.why
    if check.passed is False:
        return f"beyond the limit in {why}"
    return NO_PASS.get(why, NO_PASS[""])


def _mark(answer: Answer) -> dict[str, Any] | None:
    mark, frame = answer.mark, answer.frame
    if mark is None or frame is None:
        return None
    at = (
        {"latitude_deg": mark.northing, "longitude_deg": mark.easting}
        if frame.is_geographic
        else {"easting_m": mark.easting, "northing_m": mark.northing}
    )
    return {**at, "height_m": mark.height_m, "height_datum": mark.height_datum, "sigma_m": mark.sigma_m,
            "crs": safe_text(frame.name, 100), "geoid_m": frame.geoid_m}  # fmt: skip


def _shown(answer: Answer) -> dict[str, Any] | None:
    shown = answer.shown
    if shown is None:
        return None
    if answer.frame is not None and answer.frame.is_geographic:
        return {"latitude_deg": shown.northing, "longitude_deg": shown.easting, "height_m": shown.height_m}
    return {"easting_m": shown.easting, "northing_m": shown.northing, "height_m": shown.height_m}


def _again(answer: Answer) -> list[dict[str, Any]]:
    """Other occupations of the mark in the same log, each against the one that is judged."""
    from hubtack.control.drift import Visit, compare

    axis = answer.session.axis if answer.session is not None else SessionAxis()
    first = answer.check.occupied
    out = []
    for occupied, residual in answer.check.repeats:
        if first is None:
            continue
        pair = [
            Visit(_moment(axis, o.start_ns, first.start_ns), r, o.sigma_m, o.pdop)
            for o, r in sorted(((first, answer.check.residual_m), (occupied, residual)), key=lambda p: p[0].start_ns)
        ]
        out.append({
            "start_utc": axis.utc_iso(occupied.start_ns), "end_utc": axis.utc_iso(occupied.end_ns),
            "used": occupied.mean.used, "residual_m": _axes(residual), "pdop": occupied.pdop,
            **difference_body(compare(pair[0], pair[1])),
        })  # fmt: skip
    return out


def _moment(axis: SessionAxis, time_ns: int, origin_ns: int) -> Any:
    """A time on the axis as a moment; only the difference of two counts, so a log without a date serves too."""
    import datetime as dt

    return dt.datetime(2000, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=(time_ns - origin_ns) / 1e9)


def _history(answer: Answer) -> dict[str, Any]:
    last = answer.earlier[-1] if answer.earlier else None
    return {
        "visits": len(answer.earlier) + (answer.check.judgement is not None),
        "last": None if last is None else {"utc": last["utc"], "result": last["result"],
                                           "residual_m": {a: last[f"{a}_m"] for a in _AXES}},
        "since_last": None if answer.since_last is None else difference_body(answer.since_last),
        "drift": trend_body(answer.drift),
    }  # fmt: skip


def difference_body(difference: Difference) -> dict[str, Any]:
    """Two visits compared."""
    return {
        "change_m": dict(zip(_AXES, difference.change_m, strict=True)),
        "noise_95_m": dict(zip(_AXES, difference.noise_95_m, strict=True)),
        "apart_s": difference.apart_s,
        "differs": difference.differs,
        "independent": difference.independent,
        "words": difference.words,
    }


def trend_body(trend: Trend | None) -> dict[str, Any] | None:
    """Drift at a mark; None where visits are too few."""
    if trend is None:
        return None
    return {
        "visits": trend.visits,
        "days": trend.days,
        "mm_per_day": {a: round(1000 * v, 3) for a, v in zip(_AXES, trend.rate_m_per_day, strict=True) if v == v},
        "sigma_mm_per_day": {
            a: round(1000 * v, 3) for a, v in zip(_AXES, trend.sigma_m_per_day, strict=True) if v == v
        },
        "significant": list(trend.significant),
    }


def base_step_body(step: BaseStep) -> dict[str, Any]:
    """The base of one day against another or the site file."""
    return {
        "day": safe_text(step.day.label, 80),
        "utc": step.day.utc,
        "station_id": step.day.station_id,
        "against": safe_text(step.against, 80),
        "offset_m": dict(zip(_AXES, step.enu_m, strict=True)),
        "distance_m": step.distance_m,
        "moved": step.moved,
        "words": step.words,
    }


def _axes(values: Any) -> Mapping[str, float | None]:
    if values is None:
        return dict.fromkeys(_AXES)
    return {axis: float(v) for axis, v in zip(_AXES, np.asarray(values), strict=True)}
