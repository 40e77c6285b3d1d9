"""Tail probability of the F distribution, standard library only: is a point that does not fit more than chance?"""

from __future__ import annotations

import math


def f_tail(f: float, dof_above: float, dof_below: float) -> float:
    """Probability that F with the given degrees of freedom exceeds ``f``; 1 at f <= 0, NaN without degrees of freedom.

    References
    ----------
    Abramowitz and Stegun 26.6.2 (F by the incomplete beta function) and 26.5.8 (its continued fraction).
    """
    if not (dof_above > 0 and dof_below > 0) or math.isnan(f):
        return float("nan")
    if f <= 0:
        return 1.0
    if math.isinf(f):
        return 0.0
    return _beta_share(dof_below / (dof_below + dof_above * f), dof_below / 2.0, dof_above / 2.0)


def _beta_share(x: float, a: float, b: float) -> float:
    """Regularised incomplete beta function I_x(a, b)."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x))
    # The fraction converges fast on one side only; the other is its complement.
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _fraction(x, a, b) / a
    return 1.0 - front * _fraction(1.0 - x, b, a) / b


def _fraction(x: float, a: float, b: float) -> float:
    tiny = 1e-300
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d if abs(d) > tiny else tiny)
    result = d
    for m in range(1, 400):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 + numerator * d
            d = 1.0 / (d if abs(d) > tiny else tiny)
            c = 1.0 + numerator / c
            c = c if abs(c) > tiny else tiny
            result *= d * c
        if abs(d * c - 1.0) < 1e-14:
            break
    return result
