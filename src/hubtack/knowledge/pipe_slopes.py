"""Least slopes of gravity sewers by diameter, and where each figure comes from.

The table is recalled, not read; each row was recomputed by Manning (full pipe, n = 0.013) and carries at least
2.0 ft/s. Two ordinances that copy the table were seen; where they disagree with it they also break that velocity.
A job document or the authority that will take over the pipe always overrides it.
"""

from __future__ import annotations

from dataclasses import dataclass

SOURCE = (
    "Recommended Standards for Wastewater Facilities (Ten States Standards), 33.41: 2.0 ft/s full, n = 0.013 "
    "(table from memory, recomputed by Manning)"
)
LEAST_VELOCITY_FT_S = 2.0
MANNING_N = 0.013


@dataclass(frozen=True, slots=True)
class PipeSlope:
    """One diameter: nominal size [in], least slope [m/m]."""

    diameter_in: float
    slope_m_per_m: float


PIPE_SLOPES: tuple[PipeSlope, ...] = tuple(
    PipeSlope(diameter, percent / 100.0)
    for diameter, percent in (
        (8, 0.40), (10, 0.28), (12, 0.22), (14, 0.17), (15, 0.15), (16, 0.14), (18, 0.12), (21, 0.10), (24, 0.08),
        (27, 0.067), (30, 0.058), (36, 0.046), (42, 0.037),
    )
)  # fmt: skip

INCH_MM = 25.4  # exact


def least_slope(diameter_mm: float) -> PipeSlope | None:
    """The row for a diameter in millimetres: its own, else that of the next smaller size, which is steeper and so safer.

    None below the smallest size. A metric pipe is named by a round figure and takes the row within 3.5 % of it.
    """
    nearest = min(PIPE_SLOPES, key=lambda row: abs(row.diameter_in * INCH_MM - diameter_mm))
    if abs(nearest.diameter_in * INCH_MM - diameter_mm) < 0.035 * diameter_mm:
        return nearest
    smaller = [row for row in PIPE_SLOPES if row.diameter_in * INCH_MM <= diameter_mm]
    return smaller[-1] if smaller else None
