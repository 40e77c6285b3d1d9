"""Accuracy of many check points as the two American standards report it: RMSE, and the 95 % figure with its factor.

NSSDA (FGDC-STD-007.3-1998, factors from memory and reproduced) and ASPRS (Edition 1 of 2014 from memory, Edition 2 of
2023: the 95 % figure is no longer used and the survey's own error is added). Neither sets a limit, neither is about
machines. The points must be independent: other marks than those the site was fitted to.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.quantities import Z95, r95_factor

Floats = NDArray[np.float64]

CIRCLE_95_PER_AXIS = 2.4477  # FGDC-STD-007.3: for RMSE_x = RMSE_y, per axis
CIRCLE_95_RADIAL = 1.7308  # the same, on the radial RMSE
LINE_95 = 1.9600
LEAST_POINTS = 20  # NSSDA, and ASPRS Edition 1
LEAST_POINTS_2023 = 30  # ASPRS Edition 2


@dataclass(frozen=True, slots=True)
class AccuracyReport:
    """RMSE by axis and radial, mean offset, 95 % figures; all in metres. ``notes`` say what the figures rest on."""

    points: int
    rmse_east_m: float
    rmse_north_m: float
    rmse_radial_m: float
    rmse_up_m: float
    mean_m: tuple[float, float, float]
    horizontal_95_m: float
    horizontal_factor: str
    vertical_95_m: float
    rmse_radial_2023_m: float
    rmse_up_2023_m: float
    rmse_3d_2023_m: float
    notes: tuple[str, ...]


def accuracy_report(
    residual_m: Floats, *, survey_sigma_m: float = 0.0, positions_m: Floats | None = None
) -> AccuracyReport:
    """Report of (N, 3) residuals east, north, up.

    Parameters
    ----------
    residual_m : (N, 3) float
        Measured less known; NaN in up where there is none. [m]
    survey_sigma_m : float
        1 sigma per axis of the check survey itself (the marks), for Edition 2. [m]
    positions_m : (N, 2) float or None
        Easting and northing of the points, to look at their distribution. [m]

    Raises
    ------
    ValueError
        If there is no point.
    """
    if not len(residual_m):
        raise ValueError("no check points")
    east, north = _rmse(residual_m[:, 0]), _rmse(residual_m[:, 1])
    up = _rmse(residual_m[:, 2])
    radial = float(np.hypot(east, north))
    horizontal, factor = horizontal_95_m(east, north)
    notes = []
    n = len(residual_m)
    if n < LEAST_POINTS:
        notes.append(f"{n} points: NSSDA asks for {LEAST_POINTS} at least, so this is not a report by it")
    if n < LEAST_POINTS_2023:
        notes.append(f"{n} points: ASPRS Edition 2 (2023) asks for {LEAST_POINTS_2023} at least")
    means = [float(np.nanmean(residual_m[:, axis])) if np.isfinite(residual_m[:, axis]).any() else float("nan")
             for axis in range(3)]  # fmt: skip
    for axis, (mean, rmse) in enumerate(zip(means, (east, north, up), strict=True)):
        if rmse > 0 and n > 2:
            # RMSE is about zero and so holds the mean: one that is more than chance is a bias, not scatter.
            sigma = np.sqrt(max(rmse**2 - mean**2, 0.0) / (n - 1))
            if abs(mean) > 3.0 * sigma:
                notes.append(
                    f"the mean {('east', 'north', 'up')[axis]} offset is {1000 * mean:+.0f} mm: a bias (datum, base, "
                    "antenna height), not scatter"
                )
    if positions_m is not None:
        notes.extend(_distribution(positions_m))
    survey_h = np.sqrt(2.0) * survey_sigma_m
    radial_2023 = float(np.hypot(radial, survey_h))
    up_2023 = float(np.hypot(up, survey_sigma_m))
    return AccuracyReport(
        points=n,
        rmse_east_m=east,
        rmse_north_m=north,
        rmse_radial_m=radial,
        rmse_up_m=up,
        mean_m=(means[0], means[1], means[2]),
        horizontal_95_m=horizontal,
        horizontal_factor=factor,
        vertical_95_m=LINE_95 * up,
        rmse_radial_2023_m=radial_2023,
        rmse_up_2023_m=up_2023,
        rmse_3d_2023_m=float(np.hypot(radial_2023, up_2023)),
        notes=tuple(notes),
    )


def horizontal_95_m(rmse_east_m: float, rmse_north_m: float) -> tuple[float, str]:
    """The 95 % figure in plan and the factor used. [m]

    NSSDA's averaged form from an axis ratio of 0.6 on (at 0.6 it is 5.9 % too small); below, where NSSDA has no form,
    the exact circle of 95 %.
    """
    larger, smaller = max(rmse_east_m, rmse_north_m), min(rmse_east_m, rmse_north_m)
    if not larger > 0:
        return larger, "no error"
    if smaller == larger:
        return CIRCLE_95_RADIAL * float(np.hypot(larger, smaller)), "1.7308 x radial RMSE (NSSDA, equal axes)"
    if smaller / larger >= 0.6:
        return CIRCLE_95_PER_AXIS * 0.5 * (larger + smaller), "2.4477 x mean of the two RMSE (NSSDA, unequal axes)"
    exact = larger * float(r95_factor(np.array([smaller / larger]))[0])
    return max(exact, float(Z95 * larger)), "exact 95 % circle (axis ratio below 0.6, for which NSSDA has no form)"


def _rmse(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.sqrt((known**2).mean())) if len(known) else float("nan")


def _distribution(positions_m: Floats) -> list[str]:
    """NSSDA: at least 20 % of the points in each quadrant, spacing at least 10 % of the diagonal (from memory)."""
    low, high = positions_m.min(axis=0), positions_m.max(axis=0)
    middle, diagonal = (low + high) / 2, float(np.hypot(*(high - low)))
    notes = []
    quadrant = (positions_m[:, 0] > middle[0]) * 2 + (positions_m[:, 1] > middle[1])
    if (np.bincount(quadrant, minlength=4) < 0.2 * len(positions_m)).any():
        notes.append("the points are not spread over the site: NSSDA asks for 20 % of them in each quadrant")
    offset = positions_m[:, None, :] - positions_m[None, :, :]
    apart = np.sqrt((offset**2).sum(axis=-1))
    np.fill_diagonal(apart, np.inf)
    if len(positions_m) > 1 and float(apart.min()) < 0.1 * diagonal:
        notes.append("some points are closer than 10 % of the site's diagonal, which NSSDA advises against")
    return notes
