"""What a check on a known mark is judged by: limits, and how an occupation is taken. Each row with its source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ControlLimit:
    """One figure: key, value, unit, what it does, where it is from."""

    key: str
    value: float
    unit: str
    effect: str
    source: str


_PRACTICE = "common practice, no source"

CONTROL_LIMITS: tuple[ControlLimit, ...] = (
    ControlLimit("horizontal_m", 0.030, "m", "residual in plan of an antenna or a pole on the mark",
                 "survey trade 0.02 to 0.07 ft, guided machines 20 to 30 mm: " + _PRACTICE),
    ControlLimit("vertical_m", 0.030, "m", "residual in height, earthwork classes", "30 mm for rough work: " + _PRACTICE),
    ControlLimit("vertical_fine_m", 0.020, "m", "residual in height, fine classes", "15 to 20 mm for fine work: " + _PRACTICE),
    ControlLimit("outlier_sigmas", 4.0, "robust sigmas", "an epoch farther than this from the median in any axis is left out",
                 "1 in 16,000 normal epochs an axis (textbook); the rule itself is ours"),
    ControlLimit("outlier_floor_m", 0.003, "m", "a robust sigma is not taken below this: quiet receivers repeat millimetres", _PRACTICE),
    ControlLimit("outlier_share_warn", 0.10, "", "more outliers than this are reported", _PRACTICE),
    ControlLimit("least_epochs", 10.0, "epochs", "fewer fixed epochs are no occupation",
                 "10 to 180 epochs for a check: " + _PRACTICE),
    ControlLimit("standing_radius_m", 0.15, "m", "fixed epochs that stay within this belong to one occupation", _PRACTICE),
    ControlLimit("standing_gap_s", 60.0, "s", "a longer pause begins another occupation", _PRACTICE),
    ControlLimit("correlation_time_s", 900.0, "s", "correlation time of multipath and atmosphere",
                 "20 to 45 minutes to decorrelate (Odolinski, Swedish User Guidelines for Network RTK): e^-3 at 45 minutes"),
    ControlLimit("again_after_s", 1200.0, "s", "sooner, a second occupation sees the same satellites", "same guidelines, 20 minutes"),
    ControlLimit("live_least_s", 60.0, "s", "a live occupation takes at least this",
                 "1 to 2 minutes remove most extreme outliers (Janssen, Haasdyk, McElroy 2012, seen second-hand)"),
    ControlLimit("live_most_s", 300.0, "s", "a live occupation ends after this by itself", _PRACTICE),
    ControlLimit("stable_m", 0.005, "m", "a live occupation ends when 1 sigma of its mean is below this (twice it in height)", _PRACTICE),
    ControlLimit("mistake_m", 20.0, "m", "a residual beyond this is a mix-up, not a datum", _PRACTICE),
)  # fmt: skip

CONTROL_BY_KEY: Mapping[str, float] = {row.key: row.value for row in CONTROL_LIMITS}

FINE_CLASSES = frozenset({"bulk_subgrade", "pipe_grade", "finish_grade"})
"""Job classes whose check in height takes the finer limit."""
