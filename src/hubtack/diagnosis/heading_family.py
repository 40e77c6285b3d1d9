"""Does the heading fit the machine? Told by the swing of an excavator's house, and by the way other machines go."""

from __future__ import annotations

import numpy as np

from hubtack.diagnosis.episode import Episode
from hubtack.engine.course import Course
from hubtack.engine.setup import Setup
from hubtack.engine.swing import SwingFit, Swings


def heading_episodes(swings: Swings, setup: Setup) -> list[Episode]:
    """``heading_flipped``: against the antenna's place in the site file, else against what the swings said before."""
    fits = swings.fits()
    if not fits:
        return []
    if setup.antenna_forward_m is not None and setup.antenna_right_m is not None:
        expected = float(np.degrees(np.arctan2(setup.antenna_right_m, setup.antenna_forward_m)))
        off = [_difference(f.direction_deg, expected) for f in fits]
        middle = _circular_median(off)
        if abs(middle) < setup.limit("heading_off_warn_deg"):
            return []
        stop = abs(middle) >= setup.limit("heading_off_stop_deg")
        return [_episode(fits, middle, "the antenna's place in the site file", stop=stop)]
    return _against_learnt(fits, setup)


def course_episodes(course: Course, setup: Setup) -> list[Episode]:
    """``heading_flipped`` for a machine that goes where it points: against the course it makes good."""
    found = course.offset_deg()
    if found is None or course.first_ns is None:
        return []
    offset_deg, seconds = _difference(found[0], 0.0), found[1]
    if abs(offset_deg) < setup.limit("course_off_warn_deg"):
        return []
    return [
        Episode(
            "heading_flipped", course.first_ns, None, severity="warn",
            evidence={"offset_deg": offset_deg, "against": "the course made good", "seconds": seconds},
        )
    ]  # fmt: skip


def _against_learnt(fits: list[SwingFit], setup: Setup) -> list[Episode]:
    """The first two swings that agree say where the antenna is; a later one that differs is another heading."""
    if len(fits) < 3:
        return []
    learnt = fits[0].direction_deg
    if abs(_difference(fits[1].direction_deg, learnt)) > setup.limit("heading_off_warn_deg"):
        return []
    flipped_deg = setup.limit("heading_off_stop_deg")
    off = [f for f in fits[2:] if abs(_difference(f.direction_deg, learnt)) >= flipped_deg]
    if not off:
        return []
    middle = _circular_median([_difference(f.direction_deg, learnt) for f in off])
    return [_episode(off, middle, "the swings before", stop=True)]


def _episode(fits: list[SwingFit], offset_deg: float, against: str, *, stop: bool) -> Episode:
    return Episode(
        "heading_flipped", fits[0].start_ns, None, severity="stop" if stop else "warn",
        evidence={"offset_deg": offset_deg, "against": against, "swings": len(fits),
                  "radius_m": float(np.median([f.radius_m for f in fits]))},
    )  # fmt: skip


def _difference(a_deg: float, b_deg: float) -> float:
    return (a_deg - b_deg + 180.0) % 360.0 - 180.0


def _circular_median(values: list[float]) -> float:
    """Median of angles that lie near each other, also across 180 degrees."""
    first = values[0]
    return _difference(first + float(np.median([_difference(v, first) for v in values])), 0.0)
