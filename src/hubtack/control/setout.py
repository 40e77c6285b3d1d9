"""What two touched points are worth: the error at the far end of their line, and of the fall between them.

Two points at a distance D are touched, each with the same 1 sigma S per axis and independently of the other. The
design is laid through them; its far end lies at L from the first point along the line.

    first        second                                   far end
      o------------o- - - - - - - - - - - - - - - - - - - - -x
      |<--- D ---->|
      |<------------------------ L ------------------------->|

Everything is linear in S / D: at S = 10 mm and D = 0.9 m the bearing is 0.9 degrees uncertain and the terms left out
are 0.01 % of the answer. What both points share (a wrong base height, a datum) is not in here, and cancels in the fall.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Z95 = 1.959963984540054  # 97.5 % point of the normal distribution
Point = tuple[float, float, float]  # easting, northing, height


def bearing_sigma_rad(separation_m: ArrayLike, sigma_m: ArrayLike) -> Floats:
    """1 sigma of the bearing of a line through two touched points. [rad]

    Parameters
    ----------
    separation_m : (N,) float
        Distance between the points, above 0. [m]
    sigma_m : (N,) float
        1 sigma per axis of each point. [m]

    Returns
    -------
    (N,) float
        NaN where an input is NaN or the separation is not above 0.
    """
    separation = _positive(separation_m)
    return np.asarray(np.sqrt(2.0) * np.asarray(sigma_m, dtype=np.float64) / separation)


def far_end_sigma_m(separation_m: ArrayLike, length_m: ArrayLike, sigma_m: ArrayLike) -> Floats:
    """1 sigma of the far end, across the line or in height. [m]

    The far end is P1 + k (P2 - P1) with k = L / D, so each axis has S sqrt((1 - k)^2 + k^2): S at k = 1 (the far end is
    the second point), 0.71 S half-way, S k sqrt(2) far beyond.

    Parameters
    ----------
    separation_m, length_m, sigma_m : (N,) float
        Distance between the points, distance of the far end from the first, 1 sigma per axis of each point. [m]

    Returns
    -------
    (N,) float
        NaN where an input is NaN or the separation is not above 0.

    References
    ----------
    JCGM 100:2008, eq. 10 (independent inputs).
    """
    k = np.asarray(length_m, dtype=np.float64) / _positive(separation_m)
    return np.asarray(np.asarray(sigma_m, dtype=np.float64) * np.sqrt((1.0 - k) ** 2 + k**2))


def grade_sigma(separation_m: ArrayLike, sigma_m: ArrayLike) -> Floats:
    """1 sigma of the grade between two touched points, m per m. Flat lines: a slope of 0.1 adds 0.5 %.

    Parameters
    ----------
    separation_m : (N,) float
        Horizontal distance between the points, above 0. [m]
    sigma_m : (N,) float
        1 sigma of the height of each point. [m]
    """
    return bearing_sigma_rad(separation_m, sigma_m)


def separation_needed_m(length_m: float, sigma_m: float, tolerance_95_m: float) -> float:
    """Least distance between the touched points for a far end within a tolerance at 95 %; NaN where none is enough. [m]

    Solves ``far_end_sigma_m`` for D. A tolerance below 1.96 S sqrt(1/2) cannot be reached with two touches at any
    distance: touch more points, or use a better instrument.
    """
    if not (length_m > 0 and sigma_m > 0 and tolerance_95_m > 0):
        return float("nan")
    ratio2 = (tolerance_95_m / (Z95 * sigma_m)) ** 2
    if ratio2 < 0.5:
        return float("nan")
    return float(length_m / ((1.0 + np.sqrt(2.0 * ratio2 - 1.0)) / 2.0))


def run_for_slope_m(slope: float, sigma_m: float) -> float:
    """Shortest run over which two shots tell that a slope falls at all, at 95 %; infinite for a slope of 0. [m]"""
    return float("inf") if slope == 0 else float(Z95 * np.sqrt(2.0) * sigma_m / abs(slope))


@dataclass(frozen=True, slots=True)
class SetOut:
    """What two touched points give at the far end; 95 % values are of one axis."""

    bearing_sigma_deg: float
    far_end_error_95_m: float
    far_end_height_95_m: float
    grade_error_95: float
    separation_needed_m: float


def set_out(
    *, separation_m: float, length_m: float, sigma_m: float, sigma_height_m: float, tolerance_95_m: float | None
) -> SetOut:
    """All figures of one set-out; ``separation_needed_m`` is NaN without a tolerance, or where none is enough."""
    needed = float("nan")
    if tolerance_95_m is not None:
        needed = separation_needed_m(length_m, max(sigma_m, sigma_height_m), tolerance_95_m)
    return SetOut(
        bearing_sigma_deg=float(np.degrees(bearing_sigma_rad(separation_m, sigma_m))),
        far_end_error_95_m=float(Z95 * far_end_sigma_m(separation_m, length_m, sigma_m)),
        far_end_height_95_m=float(Z95 * far_end_sigma_m(separation_m, length_m, sigma_height_m)),
        grade_error_95=float(Z95 * grade_sigma(separation_m, sigma_height_m)),
        separation_needed_m=needed,
    )


@dataclass(frozen=True, slots=True)
class Line:
    """The line between two measured points. ``grade`` is m per m, falling negative; 95 % values beside each figure."""

    distance_m: float
    distance_95_m: float
    bearing_deg: float
    bearing_95_deg: float
    rise_m: float
    rise_95_m: float
    grade: float
    grade_95: float

    @property
    def grade_deg(self) -> float:
        """The grade as an angle. [deg]"""
        return float(np.degrees(np.arctan(self.grade)))

    @property
    def grade_95_deg(self) -> float:
        """Its uncertainty at 95 %. [deg]"""
        return float(np.degrees(self.grade_95 / (1.0 + self.grade**2)))

    def ratio_range(self) -> tuple[float, float, float]:
        """The grade as 1 in n: as measured, and the steepest and the flattest that 95 % allow (infinite: level)."""
        steep, flat = abs(self.grade) + self.grade_95, abs(self.grade) - self.grade_95
        return tuple(1.0 / g if g > 0 else float("inf") for g in (abs(self.grade), steep, flat))  # type: ignore[return-value]


def line_between(first: Point, second: Point, *, sigma_m: float, sigma_height_m: float) -> Line:
    """The line from ``first`` to ``second`` (easting, northing, height) and what it is worth. [m]

    Raises
    ------
    ValueError
        If the two points are one in plan.
    """
    d_east, d_north, rise = (second[i] - first[i] for i in range(3))
    distance = float(np.hypot(d_east, d_north))
    if not distance > 0:
        raise ValueError("the two points have the same easting and northing")
    height_part = grade_sigma(distance, sigma_height_m)
    run_part = rise / distance * np.sqrt(2.0) * sigma_m / distance
    return Line(
        distance_m=distance,
        distance_95_m=float(Z95 * np.sqrt(2.0) * sigma_m),
        bearing_deg=float(np.degrees(np.arctan2(d_east, d_north)) % 360.0),
        bearing_95_deg=float(Z95 * np.degrees(bearing_sigma_rad(distance, sigma_m))),
        rise_m=float(rise),
        rise_95_m=float(Z95 * np.sqrt(2.0) * sigma_height_m),
        grade=float(rise / distance),
        grade_95=float(Z95 * np.hypot(height_part, run_part)),
    )


@dataclass(frozen=True, slots=True)
class Offset:
    """A third point against a line: along it from the first point, right of it (left is negative), above it. [m]"""

    station_m: float
    offset_m: float
    offset_95_m: float
    above_m: float
    above_95_m: float


def offset_from_line(first: Point, second: Point, point: Point, *, sigma_m: float, sigma_height_m: float) -> Offset:
    """Station and offset of ``point`` from the line; its own uncertainty and that of the line are both in the 95 %."""
    line = line_between(first, second, sigma_m=sigma_m, sigma_height_m=sigma_height_m)
    along = np.array([second[0] - first[0], second[1] - first[1]]) / line.distance_m
    to_point = np.array([point[0] - first[0], point[1] - first[1]])
    station = float(to_point @ along)
    offset = float(to_point[0] * along[1] - to_point[1] * along[0])
    across = far_end_sigma_m(line.distance_m, station, sigma_m)
    up = far_end_sigma_m(line.distance_m, station, sigma_height_m)
    return Offset(
        station_m=station,
        offset_m=offset,
        offset_95_m=float(Z95 * np.hypot(across, sigma_m)),
        above_m=float(point[2] - (first[2] + line.grade * station)),
        above_95_m=float(Z95 * np.hypot(up, sigma_height_m)),
    )


def distance_fits(measured_m: float, design_m: float, sigma_m: float) -> tuple[float, float, bool]:
    """Measured less design distance, what two touches explain at 95 %, and whether the first is within the second."""
    limit = float(Z95 * np.sqrt(2.0) * sigma_m)
    difference = measured_m - design_m
    return difference, limit, abs(difference) <= limit


SlopeAnswer = str
FALL_SHOWN = "fall_shown"
ADVERSE_POSSIBLE = "adverse_possible"
BELOW_MINIMUM_POSSIBLE = "below_minimum_possible"
FALL_TOO_FLAT = "below_minimum"


def slope_answer(fall: float, error_95: float, least: float | None) -> SlopeAnswer:
    """Whether a fall (m per m, positive downhill) is shown at 95 %, and the least slope with it.

    ``below_minimum``: too flat whatever the error. ``adverse_possible``: water could run back. In between, the fall is
    sure and the least slope is not.
    """
    if least is not None and fall + error_95 < least:
        return FALL_TOO_FLAT
    if fall - error_95 <= 0:
        return ADVERSE_POSSIBLE
    if least is not None and fall - error_95 < least:
        return BELOW_MINIMUM_POSSIBLE
    return FALL_SHOWN


def _positive(value: ArrayLike) -> Floats:
    array = np.asarray(value, dtype=np.float64)
    return np.asarray(np.where(array > 0, array, np.nan))
