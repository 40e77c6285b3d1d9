"""Pass, fail or "cannot tell" for a residual at a known mark.

    |residual|    0 ......... what noise explains ......... limit ..........
                    pass      |       cannot tell          |      fail

The limit is that of the trade and never below what noise explains (95 %: 1.96 sigma in height, the 95 % circle in plan,
where sigma is that of occupation and mark together). A residual passes only where noise explains it and it is within
the limit of the trade: a noisy occupation cannot pass what a good one would fail.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.quantities import Z95, r95_factor
from hubtack.knowledge.control_limits import CONTROL_BY_KEY, FINE_CLASSES

Floats = NDArray[np.float64]


_ROUNDING_M = 1e-6  # 30 mm typed in is 30 mm, whatever the subtraction of two coordinates makes of it


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the trade in plan and in height, before noise is looked at. [m]"""

    horizontal_m: float
    vertical_m: float


def limits_for(job_class: str) -> Limits:
    """Limits for an antenna or a pole on the mark, by job class."""
    fine = job_class in FINE_CLASSES
    return Limits(CONTROL_BY_KEY["horizontal_m"], CONTROL_BY_KEY["vertical_fine_m" if fine else "vertical_m"])


@dataclass(frozen=True, slots=True)
class Judgement:
    """The answer: ``passed`` is None for "cannot tell". ``noise_*`` are what noise explains at 95 %. [m]"""

    passed: bool | None
    horizontal_m: float
    up_m: float
    noise_horizontal_m: float
    noise_vertical_m: float
    limit_horizontal_m: float
    limit_vertical_m: float
    why: str


def judge(residual_m: Floats, sigma_m: Floats, mark_sigma_m: float, limits: Limits) -> Judgement:
    """Judge one residual.

    Parameters
    ----------
    residual_m : (3,) float
        East, north, up; NaN where it cannot be told, which is never a pass. [m]
    sigma_m : (3,) float
        1 sigma of the occupation by axis. [m]
    mark_sigma_m : float
        1 sigma of the mark per axis. [m]

    References
    ----------
    JCGM 100:2008, eq. 10 (independent inputs); the 95 % circle as in FGDC-STD-007.3, for unequal axes exactly.
    """
    both = np.hypot(sigma_m, mark_sigma_m)
    larger, smaller = float(max(both[0], both[1])), float(min(both[0], both[1]))
    noise_h = larger * float(r95_factor(np.array([smaller / larger if larger > 0 else 1.0]))[0])
    noise_v = float(Z95 * both[2])
    horizontal, up = float(np.hypot(residual_m[0], residual_m[1])), float(residual_m[2])
    plan = _one(horizontal, noise_h, limits.horizontal_m)
    height = _one(abs(up), noise_v, limits.vertical_m)
    answers = (plan, height)
    passed = False if False in answers else (True if answers == (True, True) else None)
    return Judgement(
        passed,
        horizontal,
        up,
        noise_h,
        noise_v,
        _larger(limits.horizontal_m, noise_h),
        _larger(limits.vertical_m, noise_v),
        _why(plan, height, np.isnan(horizontal), np.isnan(up)),
    )


def _one(size_m: float, noise_m: float, limit_m: float) -> bool | None:
    if np.isnan(size_m):
        return None
    if size_m > _larger(limit_m, noise_m) + _ROUNDING_M:
        return False
    if np.isnan(noise_m):
        return None
    return True if size_m <= min(limit_m, noise_m) + _ROUNDING_M else None


def _larger(limit_m: float, noise_m: float) -> float:
    return limit_m if np.isnan(noise_m) else max(limit_m, noise_m)


def _why(plan: bool | None, height: bool | None, no_plan: bool, no_height: bool) -> str:
    if plan is False or height is False:
        return " and ".join(word for word, ok in (("plan", plan), ("height", height)) if ok is False)
    if no_plan:
        return "no position"
    if no_height:
        return "no height to compare"
    return "" if plan and height else "noise"
