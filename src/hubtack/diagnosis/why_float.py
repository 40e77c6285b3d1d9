"""Why does the rover stay float on a healthy link? What is known of it, ranked by how far past its limit each figure is.

Nothing here is a finding: a cause that is past its limit has its own code and comes first. This is what stands beside
``stuck_float`` when none does, so that a technician starts at the likeliest end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.link_view import LinkView
from hubtack.diagnosis.ready import bands_of
from hubtack.engine.link_content import common_satellites
from hubtack.knowledge.float_causes import (
    DISTURBED_SOLAR_H,
    FLOAT_CAUSES,
    LEAST_LISTENED_H,
    LEAST_WEIGHT,
    LOST_LOCKS_PER_H,
    QUIET_SHARE,
    UNSEEN_WEIGHT,
)


@dataclass(frozen=True, slots=True)
class Cause:
    """One possible cause: a word for it, its figure as a sentence, and how near it is to its limit (1 is at it)."""

    cause: str
    text: str
    weight: float

    def plain(self) -> dict[str, Any]:
        """As JSON."""
        return {"cause": self.cause, "text": self.text, "weight": round(self.weight, 2)}


def likely_causes(
    view: LinkView, *, pdop: float, baseline_m: float, longitude_deg: float, utc_hour: float
) -> list[Cause]:
    """Causes of which something is known, likeliest first; those far from their limits are left out.

    ``pdop`` is of the satellites used, ``utc_hour`` the time of day; NaN is "not known".
    """
    found = [
        _common(view),
        _baseline(view, baseline_m),
        _geometry(view, pdop),
        _systems(view),
        _ionosphere(view, longitude_deg, utc_hour),
        _cause("reflections", UNSEEN_WEIGHT),  # what no figure shows
    ]
    return sorted((c for c in found if c is not None and c.weight >= LEAST_WEIGHT), key=lambda c: -c.weight)


def _cause(key: str, weight: float, **figures: float) -> Cause:
    row = FLOAT_CAUSES[key]
    return Cause(row.cause, row.text.format(**figures), weight)


def _common(view: LinkView) -> Cause | None:
    counts = sorted(n for _, n in common_satellites(view.rover.heard, view.tally.content.sky))
    if not counts:
        return None
    middle = counts[len(counts) // 2]
    return _cause("common", view.limit("common_warn") / max(middle, 1), satellites=middle)


def _baseline(view: LinkView, baseline_m: float) -> Cause | None:
    if math.isnan(baseline_m):
        return None
    return _cause("baseline", baseline_m / view.limit("baseline_warn_m"), baseline_km=baseline_m / 1000)


def _geometry(view: LinkView, pdop: float) -> Cause | None:
    if math.isnan(pdop):
        return None
    return _cause("geometry", pdop / view.limit("pdop_warn"), pdop=pdop)


def _systems(view: LinkView) -> Cause | None:
    missing = len(view.rover.systems - view.tally.content.sky.systems())
    if not missing or not view.tally.content.sky.bins:
        return None
    systems = len(view.rover.systems)
    return _cause("systems", missing / max(systems, 1), missing=missing, systems=systems)


def _ionosphere(view: LinkView, longitude_deg: float, utc_hour: float) -> Cause | None:
    hours = view.tally.duration_s() / 3600.0
    systems = view.tally.content.systems.values()
    satellites = sum(s.satellites.quantile(0.5) for s in systems if s.satellites.total)
    if hours <= LEAST_LISTENED_H or not satellites or math.isnan(longitude_deg) or math.isnan(utc_hour):
        return None
    rate = sum(s.lock_resets for s in systems) / satellites / hours
    solar_hour = (utc_hour + longitude_deg / 15.0) % 24.0
    disturbed = DISTURBED_SOLAR_H[0] <= solar_hour <= DISTURBED_SOLAR_H[1]
    weight = rate / LOST_LOCKS_PER_H * (1.0 if disturbed else QUIET_SHARE)
    return _cause("ionosphere", weight, rate=rate, solar_h=solar_hour)


def patient(episodes: list[Episode], view: LinkView) -> list[Episode]:
    """The episodes without floats that are no cause for worry yet.

    On one frequency a fix takes several times as long (limit ``stuck_float_single_s``; common practice, no source).
    """
    if bands_of(view.tally) != 1:
        return episodes
    least_ns = view.limit("stuck_float_single_s") * 1e9
    return [
        e
        for e in episodes
        if e.code != "stuck_float" or (view.now_ns if e.end_ns is None else e.end_ns) - e.start_ns >= least_ns
    ]
