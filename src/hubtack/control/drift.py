"""One mark over time: how visits differ, whether two of them are independent, and whether something creeps."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.control.quantiles import f_tail
from hubtack.engine.quantities import Z95
from hubtack.knowledge.control_limits import CONTROL_BY_KEY
from hubtack.knowledge.control_words import TWO_VISITS

Floats = NDArray[np.float64]
CHANCE = 0.0027
LEAST_SEEN = 5  # visits


@dataclass(frozen=True, slots=True)
class Visit:
    """One occupation of a mark: when (UTC), residual east, north, up (3,), its 1 sigma (3,) [m], PDOP."""

    utc: dt.datetime | None
    residual_m: Floats
    sigma_m: Floats
    pdop: float = float("nan")


@dataclass(frozen=True, slots=True)
class Difference:
    """A later visit less an earlier one, what two visits explain at 95 %, and how far apart they were. [m, s]"""

    change_m: tuple[float, float, float]
    noise_95_m: tuple[float, float, float]
    apart_s: float
    differs: bool | None
    independent: bool
    words: str


def compare(first: Visit, second: Visit) -> Difference:
    """Two occupations of one mark, as the guidelines ask for: at another satellite geometry, 20 minutes apart at least.

    ``differs`` is None where the two are too close in time to be independent and agree: then that says little.
    """
    change = second.residual_m - first.residual_m
    noise = Z95 * np.hypot(first.sigma_m, second.sigma_m)
    apart_s = float("nan")
    if first.utc is not None and second.utc is not None:
        apart_s = (second.utc - first.utc).total_seconds()
    independent = bool(np.isfinite(apart_s) and abs(apart_s) >= CONTROL_BY_KEY["again_after_s"])
    known = np.isfinite(change) & np.isfinite(noise)
    beyond = bool((np.abs(change[known]) > noise[known]).any())
    differs = True if beyond else (False if independent and known.any() else None)
    if not independent:
        words = TWO_VISITS["too_soon"]
    elif abs(apart_s) < CONTROL_BY_KEY["best_apart_h"] * 3600:
        words = TWO_VISITS["sooner_than_best"]
    else:
        words = TWO_VISITS["independent"]
    axes = [axis for axis, over in zip(("east", "north", "up"), np.abs(change) > noise, strict=True) if over]
    if axes:
        words = f"{' and '.join(axes)} differ{'s' if len(axes) == 1 else ''} by more than noise explains; {words}"
    return Difference(
        (float(change[0]), float(change[1]), float(change[2])),
        (float(noise[0]), float(noise[1]), float(noise[2])),
        apart_s,
        differs,
        independent,
        words,
    )


@dataclass(frozen=True, slots=True)
class Trend:
    """A straight line through the visits of one mark: change per day with its 1 sigma by axis (3,). [m/day]"""

    visits: int
    days: float
    rate_m_per_day: tuple[float, float, float]
    sigma_m_per_day: tuple[float, float, float]
    significant: tuple[str, ...]


def trend(visits: Sequence[Visit]) -> Trend | None:
    """Drift over at least three visits with dates and a day, weighted by their sigmas; None where there are fewer.

    An axis is significant where chance alone makes as much in fewer than 1 of 370 cases (3 sigma): three axes and a few
    marks are looked at, and 2 sigma would cry wolf weekly. Stated sigmas are cautious; from five visits on, what the
    visits themselves scatter by about the line counts as well (t test).
    """
    dated = sorted((v for v in visits if v.utc is not None), key=lambda v: v.utc or dt.datetime.min)
    if len(dated) < 3:
        return None
    start = dated[0].utc
    assert start is not None
    t = np.array([(v.utc - start).total_seconds() / 86_400.0 for v in dated if v.utc is not None])
    if float(np.ptp(t)) < CONTROL_BY_KEY["drift_least_days"]:
        return None
    rates, sigmas, significant = [], [], []
    for axis, name in enumerate(("east", "north", "up")):
        values = np.array([v.residual_m[axis] for v in dated])
        spread = np.array([v.sigma_m[axis] for v in dated])
        known = np.isfinite(values) & (spread > 0)
        if known.sum() < 3 or not float(np.ptp(t[known])) > 0:
            rates.append(float("nan"))
            sigmas.append(float("nan"))
            continue
        w = 1.0 / spread[known] ** 2
        mean_t = float((w * t[known]).sum() / w.sum())
        power = float((w * (t[known] - mean_t) ** 2).sum())
        rate = float((w * (t[known] - mean_t) * values[known]).sum() / power)
        rates.append(rate)
        mean = float((w * values[known]).sum() / w.sum())
        left = values[known] - mean - rate * (t[known] - mean_t)
        dof = int(known.sum()) - 2
        seen = float(np.sqrt((w * left**2).sum() / dof / power)) if dof >= LEAST_SEEN - 2 else float("inf")
        sigmas.append(min(power**-0.5, seen))
        by_visits = seen > 0 and f_tail((rate / seen) ** 2, 1, dof) < CHANCE
        if by_visits or abs(rate) > 3.0 * power**-0.5:
            significant.append(name)
    return Trend(
        len(dated),
        float(t[-1]),
        (rates[0], rates[1], rates[2]),
        (sigmas[0], sigmas[1], sigmas[2]),
        tuple(significant),
    )
