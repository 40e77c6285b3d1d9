"""Why does the rover stay float on a healthy link? What is known of it, ranked by how far past its limit each figure is.

Nothing here is a finding: a cause that is past its limit has its own code and comes first. This is what stands beside
``stuck_float`` when none does, so that a technician starts at the likeliest end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from hubtack.diagnosis.link_view import LinkView
from hubtack.engine.link_content import common_satellites

# Afternoon and evening by the sun, when the ionosphere is most disturbed, and the lost locks an hour and satellite at a
# base under an open sky that go with it: common practice, no source.
_IONOSPHERE_HOURS = (12.0, 22.0)
_LOCKS_PER_HOUR = 6.0
_MEDIAN_CN0_DBHZ = 40.0


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
        _reflections(view),
    ]
    return sorted((c for c in found if c is not None and c.weight >= 0.3), key=lambda c: -c.weight)


def _common(view: LinkView) -> Cause | None:
    counts = sorted(n for _, n in common_satellites(view.rover.heard, view.tally.content.sky))
    if not counts:
        return None
    middle = counts[len(counts) // 2]
    weight = view.limit("common_warn") / max(middle, 1)
    return Cause("few common satellites", f"{middle} satellites are heard by base and rover", weight)


def _baseline(view: LinkView, baseline_m: float) -> Cause | None:
    if math.isnan(baseline_m):
        return None
    return Cause(
        "long baseline", f"the base is {baseline_m / 1000:.1f} km away", baseline_m / view.limit("baseline_warn_m")
    )


def _geometry(view: LinkView, pdop: float) -> Cause | None:
    if math.isnan(pdop):
        return None
    return Cause("geometry", f"PDOP {pdop:.1f} of the satellites used", pdop / view.limit("pdop_warn"))


def _systems(view: LinkView) -> Cause | None:
    missing = len(view.rover.systems - view.tally.content.sky.systems())
    if not missing or not view.tally.content.sky.bins:
        return None
    share = missing / max(len(view.rover.systems), 1)
    return Cause(
        "missing system", f"the stream lacks {missing} of the rover's {len(view.rover.systems)} systems", share
    )


def _ionosphere(view: LinkView, longitude_deg: float, utc_hour: float) -> Cause | None:
    hours = view.tally.duration_s() / 3600.0
    systems = view.tally.content.systems.values()
    satellites = sum(s.satellites.quantile(0.5) for s in systems if s.satellites.total)
    if hours <= 0.02 or not satellites or math.isnan(longitude_deg) or math.isnan(utc_hour):
        return None
    rate = sum(s.lock_resets for s in systems) / satellites / hours
    solar_hour = (utc_hour + longitude_deg / 15.0) % 24.0
    late = _IONOSPHERE_HOURS[0] <= solar_hour <= _IONOSPHERE_HOURS[1]
    text = f"{rate:.1f} lost locks an hour and satellite at the base, {solar_hour:.0f} h by the sun"
    return Cause("active ionosphere", text, rate / _LOCKS_PER_HOUR * (1.0 if late else 0.5))


def _reflections(view: LinkView) -> Cause:
    """What no figure shows: it stays at the end of the list, and moves up as all else falls away."""
    return Cause("reflections or a blocked sky", "steel, walls, water or trees around the rover's antenna", 0.5)
