"""The check before work starts, point by point: what has been seen, what has not, and what no program can see.

A pure function of a snapshot. ``passed`` is True, False, or None where it cannot be told; None never passes silently,
it is written out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hubtack.knowledge.fix_types import FIX_TYPES, FIXED
from hubtack.knowledge.reasons import BY_CODE, codes
from hubtack.session.snapshot import Snapshot
from hubtack.units import LengthUnit, small_text

_BASE = (
    "latched_two_bases",
    "latched_wrong_base",
    "latched_base_moved",
    "latched_base_disturbed",
    "latched_base_misplaced",
    "latched_overnight_shift",
)
_HONEST = ("suspect_fix", "frozen_position", "age_contradiction", "status_contradiction", "restarted", "rover_late")
_HEADING = ("heading_lost", "heading_contradiction", "wrong_separation")
_SKY = ("few_satellites", "poor_geometry")
MARKS = {True: "pass", False: "FAIL", None: " -- "}
UNSEEN = (
    "-- could not be told here. Not seen by Hubtack, for a person to do: tooth and bucket calibrated, right design"
    " loaded, buried services located and marked, local codes kept"
)


@dataclass(frozen=True, slots=True)
class Point:
    """One point of the list."""

    item: str
    passed: bool | None
    text: str


def checklist(snap: Snapshot, unit: LengthUnit, *, held_s: float, hold_s: float, accepted: bool) -> list[Point]:
    """All points in the order in which a crew would go through them.

    ``held_s`` is how long an accepted verdict has held, ``hold_s`` how long it must; ``accepted`` whether the verdict
    is one that was asked for.
    """
    reasons = set(codes(snap.standing.bits))
    silent = ("no_rover", "no_position")
    held = f"{snap.standing.word} for {held_s:.0f} s, {hold_s:.0f} s wanted"
    return [
        Point("rover heard", not reasons & set(silent), _first(reasons, silent, f"{snap.rows} epochs")),
        Point("fix", snap.fix == FIXED, FIX_TYPES[snap.fix].words),
        _corrections(snap, reasons),
        _base(snap, reasons),
        Point("fix not contradicted", not reasons & set(_HONEST), _first(reasons, _HONEST, "nothing seen")),
        _heading(snap, reasons),
        Point("sky", not reasons & set(_SKY), _first(reasons, _SKY, _sky(snap))),
        _edge(snap, unit),
        _checked(snap, unit),
        Point("verdict held", accepted and held_s >= hold_s, held),
    ]


def _first(reasons: set[str], of: Sequence[str], otherwise: str) -> str:
    return next((BY_CODE[code].text for code in of if code in reasons), otherwise)


def _corrections(snap: Snapshot, reasons: set[str]) -> Point:
    bad = reasons & {"corrections_old", "corrections_ageing"}
    if math.isnan(snap.age_s):
        return Point("corrections fresh", False if bad else None, "the age is not known")
    return Point("corrections fresh", not bad, f"{snap.age_s:.1f} s old")


def _base(snap: Snapshot, reasons: set[str]) -> Point:
    wrong = reasons & set(_BASE)
    name = "station not named" if snap.base_id is None else f"station {snap.base_id}"
    if wrong:
        return Point("base", False, _first(reasons, _BASE, ""))
    if math.isnan(snap.baseline_m):
        return Point("base", None, f"{name}; where it stands is not known")
    return Point("base", True, f"{name}, {snap.baseline_m / 1000:.2f} km away")


def _heading(snap: Snapshot, reasons: set[str]) -> Point:
    if not snap.heading_required:
        return Point("heading", None, "no antenna pair in the site file")
    return Point("heading", not reasons & set(_HEADING), _first(reasons, _HEADING, f"{snap.heading_deg:.1f} deg"))


def _sky(snap: Snapshot) -> str:
    satellites = "satellites not told" if math.isnan(snap.satellites) else f"{snap.satellites:.0f} satellites"
    return satellites + ("" if math.isnan(snap.pdop) else f", PDOP {snap.pdop:.1f}")


def _edge(snap: Snapshot, unit: LengthUnit) -> Point:
    allowed = small_text(snap.tolerance_vertical_95_m, unit)
    if math.isnan(snap.edge_vertical_95_m):
        return Point("error at the edge", False, f"not known; ±{allowed} allowed")
    inside = (
        snap.edge_vertical_95_m <= snap.tolerance_vertical_95_m
        and snap.edge_horizontal_95_m <= snap.tolerance_horizontal_95_m
    )
    text = f"±{small_text(snap.edge_vertical_95_m, unit)} in height at 95 %, ±{allowed} allowed"
    return Point("error at the edge", inside, text)


def _checked(snap: Snapshot, unit: LengthUnit) -> Point:
    if snap.checked is None:
        return Point("control mark", None, "NOT CHECKED: touch a mark and run hubtack control")
    utc, up_m = snap.checked
    found = "" if math.isnan(up_m) else f", {small_text(up_m, unit, signed=True)} in height"
    return Point("control mark", True, f"checked {utc[:16].replace('T', ' ')} UTC{found}")
