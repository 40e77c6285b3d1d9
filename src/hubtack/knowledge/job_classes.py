"""Tolerances at the cutting edge by job class, at 95 %. A job document always overrides them.

These are Hubtack's defaults, each at the loose end of the published documents named beside it; they are limits for
the positioning, not acceptance limits of a finished surface.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class JobClass:
    """One class of work: key, name, tolerance at 95 % vertical and horizontal [m], source."""

    key: str
    name: str
    vertical_95_m: float
    horizontal_95_m: float
    source: str


JOB_CLASSES: tuple[JobClass, ...] = (
    JobClass(
        "mass_excavation",
        "mass excavation",
        0.100,
        0.300,
        "cut benches +-1 ft, landscape +-100 mm (city lot grading rules)",
    ),
    JobClass(
        "rough_grade",
        "rough grade",
        0.060,
        0.150,
        "Overland Park, Kansas, Construction Tolerances, ES Policy 1-05: 0.2 ft",
    ),
    JobClass(
        "trench",
        "trench before bedding",
        0.050,
        0.100,
        "Tauranga City, Infrastructure Development Code, CS-9.4: level +-50 mm",
    ),
    JobClass(
        "bulk_subgrade",
        "bulk subgrade",
        0.030,
        0.075,
        "state tabulation of construction tolerances, 204.03.10 (5): +-0.1 ft",
    ),
    JobClass(
        "pipe_grade", "pipe grade", 0.020, 0.050, "Tauranga City, Infrastructure Development Code, CS-9.4: +-20 mm"
    ),
    JobClass(
        "finish_grade", "finish grade", 0.015, 0.050, "subgrade before paving: 1/2 in to 0.05 ft in several documents"
    ),
)

JOB_CLASSES_BY_KEY: Mapping[str, JobClass] = {job.key: job for job in JOB_CLASSES}
DEFAULT_JOB_CLASS = "trench"
HORIZONTAL_SOURCE = (
    "2 to 3 times the vertical figure for open grading, 50 to 75 mm for pipe line: common practice, no source"
)
