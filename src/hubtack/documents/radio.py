"""The radio documents: losses by place and time, with the likelier cure."""

from __future__ import annotations

from typing import Any

import numpy as np

from hubtack.diagnosis.loss_places import FALSE_ALARM, LossPlaces
from hubtack.diagnosis.loss_words import middle_of_losses, place_figures, says
from hubtack.engine.axis import SessionAxis
from hubtack.knowledge.radio import CAUTIONS
from hubtack.radio.cure import Cure, RangeBand
from hubtack.radio.losses import Pooled
from hubtack.safe import safe_text


def losses_body(record: Pooled, found: LossPlaces, bands: list[RangeBand], cure: Cure) -> dict[str, Any]:
    """The body of ``radio_losses``; what could not be told is None or NaN."""
    axis = record.axis
    slots = record.slots
    placed = ~np.isnan(slots.range_m)
    n = len(slots.lost)
    return {
        "sessions": [
            {"name": safe_text(s.name), "basis": s.basis, "slots": len(s.slots.lost), "lost": int(s.slots.lost.sum()),
             "interval_s": s.interval_s, "stations": list(s.stations), "frames": s.frames, "bad_crc": s.bad_crc,
             "base_computed": s.computed_base}
            for s in record.sessions
        ],
        "left_out": [{"name": safe_text(name), "reason": reason} for name, reason in record.left_out],
        "start_utc": axis.utc_iso(int(slots.time_ns[0])) if n else None,
        "end_utc": axis.utc_iso(int(slots.time_ns[-1])) if n else None,
        "slots": found.slots,
        "lost": found.lost,
        "lost_percent": round(100 * found.lost / found.slots, 2) if found.slots else None,
        "placed_slots": found.placed,
        "placed_lost": found.placed_lost,
        "range_m": {"min": _edge(slots.range_m[placed], np.min), "max": _edge(slots.range_m[placed], np.max)},
        **middle_of_losses(slots),
        "pattern": {"kind": found.pattern.kind, "test": found.pattern.test or None, "p_value": found.pattern.p_value,
                    "period_s": found.pattern.period_slots * _interval_s(record), "bursts": found.pattern.bursts,
                    "longest_s": found.pattern.longest_slots * _interval_s(record)},
        "places": [{**place_figures(p), "says": says(p)} for p in found.places],
        "stretch": None if found.stretch is None else _stretch(found, axis),
        "places_tried": found.tests,
        "false_alarm": FALSE_ALARM,
        "why_not": found.why_not or None,
        "by_range": [
            {"from_m": b.from_m, "to_m": b.to_m, "slots": b.slots, "lost": b.lost,
             "lost_percent": round(100 * b.lost / b.slots, 2), "expected_percent": 100 * b.expected_share,
             "margin_db": b.margin_db}
            for b in bands
        ],
        "cure": {"likelier": cure.likelier, "does": cure.does or None, "because": list(cure.because),
                 "model_short_db": cure.model_short_db},
        "cautions": list(CAUTIONS),
        "findings": [],
    }  # fmt: skip


def _edge(range_m: Any, of: Any) -> float | None:
    return float(of(range_m)) if len(range_m) else None


def _interval_s(record: Pooled) -> float:
    return record.sessions[0].interval_s if record.sessions else float("nan")


def _stretch(found: LossPlaces, axis: SessionAxis) -> dict[str, Any]:
    assert found.stretch is not None
    figures = place_figures(found.stretch)
    start_ns, end_ns = figures.pop("start_ns"), figures.pop("end_ns")
    return {
        **figures,
        "start_utc": axis.utc_iso(start_ns),
        "end_utc": axis.utc_iso(end_ns),
        "says": says(found.stretch),
    }
