"""Places and stretches of losses in words and in figures, as findings and documents have them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from hubtack.diagnosis.loss_places import FALSE_ALARM, LossPlace, LossPlaces, PlacedSlots


def place_figures(place: LossPlace) -> dict[str, Any]:
    """The figures of a place, keys with units; a stretch has its times in nanoseconds."""
    figures: dict[str, Any] = {"kind": place.kind}
    if place.kind == "sector":
        figures |= {"bearing_from_deg": place.low, "bearing_to_deg": place.high}
        if place.or_range_m is not None:
            low, high = place.or_range_m
            figures["or_range_from_m"], figures["or_range_to_m"] = low, None if np.isinf(high) else high
    elif place.kind == "stretch":
        figures |= {"start_ns": int(place.low), "end_ns": int(place.high)}
    else:
        figures |= {"range_from_m": place.low, "range_to_m": None if np.isinf(place.high) else place.high}
    figures |= {
        "slots": place.slots, "lost": place.lost, "lost_percent": round(100 * place.share, 1),
        "elsewhere_percent": round(100 * place.elsewhere_share, 1), "p_value": place.p_value,
    }  # fmt: skip
    if place.kind != "stretch":
        figures |= {"visits": place.visits, "visits_with_loss": place.visits_with_loss}
        figures["nearest_lost_m"] = place.nearest_lost_m
    return figures


def says(place: LossPlace) -> str:
    """One place in words, without its times."""
    share = f"{100 * place.share:.0f} % lost there, {100 * place.elsewhere_share:.1f} % elsewhere"
    if place.kind == "sector":
        where = f"bearing {place.low:.0f} to {place.high:.0f} deg from the base, from {place.nearest_lost_m:.0f} m on"
    elif place.kind == "beyond":
        where = f"beyond {place.low:.0f} m from the base"
    elif place.kind == "within":
        where = f"within {place.high:.0f} m of the base"
    else:
        return f"one stretch of time: {100 * place.share:.0f} % lost in it, {100 * place.elsewhere_share:.1f} % outside"
    once = "" if place.visits > 1 else "; one visit only, so it may as well have been the hour"
    other = ""
    if place.or_range_m is not None:
        low, high = place.or_range_m
        ring = f"beyond {low:.0f} m" if np.isinf(high) else f"within {high:.0f} m"
        other = f"; or it is the range, {ring}: the machine was there on the same occasions"
    return f"{where}: {share}{once}{other}"


def evidence(found: LossPlaces) -> Mapping[str, Any]:
    """What goes into the evidence of a loss finding: ``where`` in words, ``places`` in figures."""
    all_places = (*found.places, *((found.stretch,) if found.stretch else ()))
    if all_places:
        where = "; ".join(says(p) for p in all_places)
    elif found.why_not:
        where = found.why_not
    else:
        where = f"no place and no stretch of time stands out ({found.tests} places tried)"
    return {
        "where": where, "places": [place_figures(p) for p in all_places], "places_tried": found.tests,
        "false_alarm": FALSE_ALARM,
    }  # fmt: skip


def middle_of_losses(slots: PlacedSlots) -> dict[str, float]:
    """Median range and mean direction of the places where epochs were lost; NaN where no place is known. [m, deg]"""
    at = slots.lost & ~np.isnan(slots.range_m)
    if not at.any():
        return {"lost_range_m": float("nan"), "lost_bearing_deg": float("nan")}
    turn = np.radians(slots.bearing_deg[at])
    bearing = np.degrees(np.arctan2(np.sin(turn).sum(), np.cos(turn).sum())) % 360.0
    return {"lost_range_m": float(np.median(slots.range_m[at])), "lost_bearing_deg": float(bearing)}
