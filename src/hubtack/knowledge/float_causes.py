"""What may keep a rover float while its corrections are healthy: the words for each cause, and how they are weighed.

A weight is a figure over its limit, so 1 is at the limit; causes are shown heaviest first. In braces is what
``diagnosis.why_float`` puts in. Order and limits: common practice, no source, where no other is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FloatCause:
    """One cause: its name in JSON and on screens, and its figure as a sentence."""

    cause: str
    text: str


FLOAT_CAUSES: Mapping[str, FloatCause] = {
    "common": FloatCause("few common satellites", "{satellites} satellites are heard by base and rover"),
    "baseline": FloatCause("long baseline", "the base is {baseline_km:.1f} km away"),
    "geometry": FloatCause("geometry", "PDOP {pdop:.1f} of the satellites used"),
    "systems": FloatCause("missing system", "the stream lacks {missing} of the rover's {systems} systems"),
    "ionosphere": FloatCause(
        "active ionosphere", "{rate:.1f} lost locks an hour and satellite at the base, {solar_h:.0f} h by the sun"
    ),
    "reflections": FloatCause(
        "reflections or a blocked sky", "steel, walls, water or trees around the rover's antenna"
    ),
}

LEAST_WEIGHT = 0.3
"""A cause farther from its limit than this is not named."""

UNSEEN_WEIGHT = 0.5
"""Reflections show in no figure: they come after whatever is past half of its limit, and before the rest."""

LOST_LOCKS_PER_H = 6.0
"""Lost locks an hour and satellite at a base under an open sky, from which the ionosphere counts as active."""

DISTURBED_SOLAR_H = (12.0, 22.0)
"""Afternoon and evening by the sun [h], when the ionosphere is most disturbed."""

QUIET_SHARE = 0.5
"""What the same rate of lost locks weighs at other hours."""

LEAST_LISTENED_H = 0.02
"""A stream heard for less [h] gives no rate of lost locks."""
