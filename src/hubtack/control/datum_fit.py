"""Does a residual fit a known step between datums, and could it do so by chance?

Three questions, all of which must say yes before a name is given:
 1. Is there anything to explain: does noise not explain the residual by itself (99 %)?
 2. Does the candidate leave no more than noise explains (99 %)?
 3. Would a residual of this size and of no known cause have fitted one of the candidates in fewer than 1 of 100 cases
    (1 of 20 where it is in height only, since one number agrees with another more easily than three do)?

For the third, a residual of no known cause is taken as spread evenly over the ball (in height only: the interval) that
has twice the volume of the one it lies on. The chance is the volume that all candidates together cover; candidates that
cannot be told apart count once. The more candidates are tried, and the noisier the occupation, the less is claimed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.control.datum_candidates import Candidate

Floats = NDArray[np.float64]

# 99 % points of chi-square with 1, 2 and 3 degrees of freedom (textbook).
CHI2_99 = {1: 6.634897, 2: 9.210340, 3: 11.344867}
CHANCE_LIMIT = 0.01
CHANCE_LIMIT_HEIGHT = 0.05
# Chi-square by which one candidate must beat another before their order says anything (2 sigma).
_TIE = 4.0


@dataclass(frozen=True, slots=True)
class DatumFit:
    """A named explanation: what it explains and leaves, its chance, and the others that fit as well. [m]"""

    name: str
    explains_m: float
    left_m: float
    chance: float
    make_sure: str
    also_fits: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FitAnswer:
    """The fit, or None; ``possible`` are candidates that fit but would do so by chance; ``tried`` is their number."""

    fit: DatumFit | None
    possible: tuple[str, ...]
    tried: int
    not_tried: tuple[str, ...]
    why_none: str


def fit_datum(
    residual_m: Floats, sigma_m: Floats, candidates: Sequence[Candidate], not_tried: Sequence[str] = ()
) -> FitAnswer:
    """Test (3,) residual east, north, up with its (3,) 1 sigma (occupation and mark together) against candidates. [m]

    An unknown up (NaN) leaves the plan to decide, and no height candidate is tried.
    """
    known = np.isfinite(residual_m)
    usable = [c for c in candidates if known[2] or c.kind == "frame" or c.kind == "foot"]

    def none(why: str, possible: Sequence[str] = ()) -> FitAnswer:
        return FitAnswer(None, tuple(possible), len(usable), tuple(not_tried), why)

    if not known[:2].all():
        return none("no residual in plan")
    if _misfit(residual_m, sigma_m, known) <= CHI2_99[int(known.sum())]:
        return none("too close to noise to name a cause")
    plan_is_noise = _misfit(residual_m[:2], sigma_m[:2], known[:2]) <= CHI2_99[2]
    # A height-only residual is tried against all; one with a plan of its own cannot come from a height alone.
    fitting: list[tuple[float, Candidate]] = []
    for candidate in usable:
        both = np.hypot(sigma_m, np.array(candidate.sigma_m))
        misfit = _misfit(residual_m - np.array(candidate.enu_m), both, known)
        if misfit <= CHI2_99[int(known.sum())] and _explains(residual_m, candidate, known):
            fitting.append((misfit, candidate))
    if not fitting:
        return none("no known step fits")
    # Those that noise cannot tell apart stay in the order of the table, which has the frames most in use first.
    least = min(misfit for misfit, _ in fitting)
    fitting.sort(key=lambda pair: 0.0 if pair[0] - least < _TIE else pair[0])
    best = fitting[0][1]
    chance = _chance(residual_m, sigma_m, usable, known, height_only=plan_is_noise)
    if chance > (CHANCE_LIMIT_HEIGHT if plan_is_noise and known[2] else CHANCE_LIMIT):
        return none(
            f"by chance alone a residual of this size fits one of {len(usable)} known steps in {chance:.0%} of cases",
            [c.name for _, c in fitting],
        )
    left = residual_m - np.array(best.enu_m)
    return FitAnswer(
        DatumFit(
            name=best.name,
            explains_m=_length(np.array(best.enu_m), known),
            left_m=_length(left, known),
            chance=chance,
            make_sure=best.make_sure,
            also_fits=tuple(c.name for _, c in fitting[1:]),
        ),
        (),
        len(usable),
        tuple(not_tried),
        "",
    )


def _misfit(vector_m: Floats, sigma_m: Floats, known: NDArray[np.bool_]) -> float:
    return float(((vector_m[known] / sigma_m[known]) ** 2).sum())


def _length(vector_m: Floats, known: NDArray[np.bool_]) -> float:
    return float(np.sqrt((vector_m[known] ** 2).sum()))


def _explains(residual_m: Floats, candidate: Candidate, known: NDArray[np.bool_]) -> bool:
    """A step that is next to nothing fits whatever is next to nothing; it must take most of the residual away."""
    left = _length(residual_m - np.array(candidate.enu_m), known)
    return left < 0.5 * _length(residual_m, known)


def _chance(
    residual_m: Floats, sigma_m: Floats, candidates: Sequence[Candidate], known: NDArray[np.bool_], *, height_only: bool
) -> float:
    """Probability that a residual of this size and of no known cause fits at least one candidate."""
    if height_only and known[2]:
        up = abs(float(residual_m[2]))
        size = 2.0 * up
        if not size > 0:
            return 1.0
        intervals = []
        for c in candidates:
            flat = float(np.hypot(c.enu_m[0], c.enu_m[1])) <= 3.0 * float(max(sigma_m[0], sigma_m[1]))
            if flat and abs(c.enu_m[2]) > 0.5 * up:  # a smaller one explains too little to be named
                half = float(np.sqrt(CHI2_99[1]) * np.hypot(sigma_m[2], c.sigma_m[2]))
                intervals.append((c.enu_m[2] - half, c.enu_m[2] + half))
        return min(1.0, _covered(intervals, size) / (2.0 * size))
    dims = int(known.sum())
    size = _length(residual_m, known)
    space = {2: np.pi * 2.0 * size**2, 3: 4.0 / 3.0 * np.pi * 2.0 * size**3}[dims]
    reach = (2.0 ** (1.0 / dims)) * size
    total = 0.0
    counted: list[Floats] = []
    for c in candidates:
        vector = np.array(c.enu_m)[known]
        both = np.hypot(sigma_m, np.array(c.sigma_m))[known]
        # Steps shorter than noise are no explanation (rule 1); those beyond the ball cannot be met inside it.
        if not 0.5 * size < float(np.sqrt((vector**2).sum())) < reach + 3.0 * float(both.max()):
            continue
        if any((np.abs(vector - other) < 2.0 * both).all() for other in counted):
            continue
        counted.append(vector)
        radii = np.sqrt(CHI2_99[dims]) * both
        total += float({2: np.pi, 3: 4.0 / 3.0 * np.pi}[dims] * np.prod(radii))
    return min(1.0, total / space)


def _covered(intervals: list[tuple[float, float]], size: float) -> float:
    """Length of the union of intervals inside -size to size."""
    total, end = 0.0, -size
    for a, b in sorted(intervals):
        a, b = max(a, end), min(b, size)
        if b > a:
            total += b - a
            end = b
    return total
