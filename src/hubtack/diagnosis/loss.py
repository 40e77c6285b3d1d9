"""How are lost epochs spread? One classifier over the ledger, with its tests and their error rates.

Order matters: a steady period is also a departure from independence, so it is asked for first.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, exp, log, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

PERIODIC_P = 1e-6  # chance of calling independent losses periodic, over all periods tried
BURST_P = 1e-6
LEAST_LOST = 8  # fewer losses than this say nothing about their pattern
LEAST_SLOTS = 60
_OVERSAMPLING = 4
_MOST_FREQUENCIES = 1 << 22
_STRENGTH = 0.5  # share of the losses that must fall in step
_LEAST_GAPS, _WIDE_GAP = 6, 6


@dataclass(frozen=True, slots=True)
class LossPattern:
    """The pattern of losses, the test that decided and its significance; ``bursts`` are runs of losses."""

    kind: Literal["none", "independent", "burst", "periodic"]
    lost: int
    slots: int
    bursts: int = 0
    longest_slots: int = 0
    period_slots: float = float("nan")
    p_value: float = float("nan")
    test: str = ""


def loss_pattern(lost: NDArray[np.bool_]) -> LossPattern:
    """Pattern of the losses among (N,) slots of a stream.

    Periodic: Rayleigh's test of the starts of losses against every frequency that the length resolves, the p-value
    multiplied by the number tried (Bonferroni). A few losses at a long period are too few for it, so their gaps are
    asked too: more of them alike than independent losses give (bound of the binomial tail). Bursts: the number of runs
    of losses against that of independent losses (Wald and Wolfowitz), one-sided; then their spread over the record
    (index of dispersion).

    References
    ----------
    Mardia and Jupp, Directional Statistics, section 6.3.1 (Rayleigh); Wald and Wolfowitz 1940 (runs); Chernoff 1952 (the
    bound), all from memory.
    """
    slots = len(lost)
    n_lost = int(np.count_nonzero(lost))
    edges = np.diff(np.concatenate(([0], lost.astype(np.int8), [0])))
    start, end = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    bursts = len(start)
    longest = int((end - start).max()) if bursts else 0
    if n_lost < LEAST_LOST or slots < LEAST_SLOTS:
        return LossPattern("none" if n_lost < LEAST_LOST else "independent", n_lost, slots, bursts, longest)
    periodic = _periodic(start, slots)
    if periodic is not None:
        period, p_value = periodic
        return LossPattern("periodic", n_lost, slots, bursts, longest, period, p_value, _says("Rayleigh test", p_value))
    steady = _equal_gaps(start, n_lost / slots)
    if steady is not None:
        period, p_value = steady
        return LossPattern("periodic", n_lost, slots, bursts, longest, period, p_value, _says("equal gaps", p_value))
    p_value = _runs_p(n_lost, slots, bursts)
    if p_value < BURST_P:
        return LossPattern("burst", n_lost, slots, bursts, longest, float("nan"), p_value, _says("runs test", p_value))
    p_value = min(1.0, _dispersion_p(start, slots))
    if p_value < BURST_P:
        return LossPattern("burst", n_lost, slots, bursts, longest, float("nan"), p_value, _says("dispersion", p_value))
    return LossPattern("independent", n_lost, slots, bursts, longest, float("nan"), p_value, "no pattern found")


def _says(test: str, p_value: float) -> str:
    return f"{test}, p < {max(p_value, 1e-12):.0e}"


def _periodic(start: Ints, slots: int) -> tuple[float, float] | None:
    """Period in slots and its p-value, or None. The lowest of a comb of harmonics is the period."""
    n = len(start)
    if n < 6:
        return None
    # Periods from 3 slots up to a fifth of the record; four frequencies to each one that the length resolves.
    size = 1 << (slots * _OVERSAMPLING - 1).bit_length()
    while size > _MOST_FREQUENCIES:
        size //= 2
    if size < slots:
        return None
    marks = np.zeros(slots)
    marks[start] = 1.0
    power = np.abs(np.fft.rfft(marks, size)) ** 2 / n
    low, high = int(np.ceil(5.0 * size / slots)), size // 3
    if high <= low:
        return None
    power = power[low : high + 1]
    best = float(power.max())
    p_value = len(power) * float(np.exp(-best))
    if p_value >= PERIODIC_P or best < _STRENGTH * n:
        return None
    at = int(np.argmax(power >= 0.8 * best))
    while at + 1 < len(power) and power[at + 1] > power[at]:
        at += 1
    return size / (low + at), p_value


def _equal_gaps(start: Ints, share: float) -> tuple[float, float] | None:
    """Period in slots and its p-value where the gaps from loss to loss are alike, or None.

    A gap of independent losses is a run of lost slots and a run of kept ones, both geometric; ``share`` is the chance
    that a slot is lost. From six slots on, gaps that differ by one slot count as alike.
    """
    gaps = np.diff(start)
    n = len(gaps)
    if n < _LEAST_GAPS:
        return None
    best: tuple[float, float] | None = None
    candidates, counts = np.unique(gaps, return_counts=True)
    for gap in candidates[(candidates >= 3) & (counts >= 2)].tolist():
        reach = 1 if gap >= _WIDE_GAP else 0
        alike = np.abs(gaps - gap) <= reach
        hits = int(np.count_nonzero(alike))
        if hits < _STRENGTH * n or hits < _LEAST_GAPS:
            continue
        chance = sum(_gap_chance(g, share) for g in range(gap - reach, gap + reach + 1))
        p_value = len(candidates) * _binomial_tail(hits, n, chance)
        if p_value < PERIODIC_P and (best is None or p_value < best[1]):
            best = float(gaps[alike].mean()), p_value
    return best


def _gap_chance(gap: int, share: float) -> float:
    """Chance that the start of a run of losses follows the one before it after just ``gap`` slots."""
    lost = np.arange(1, gap)
    return float((share ** (lost - 1) * (1 - share) * (1 - share) ** (gap - lost - 1) * share).sum())


def _binomial_tail(hits: int, n: int, chance: float) -> float:
    """Bound from above of the chance of ``hits`` or more out of ``n`` (Chernoff)."""
    seen = max(hits / n, chance)  # no more than chance gives: the bound is 1
    divergence = seen * log(seen / chance) + ((1 - seen) * log((1 - seen) / (1 - chance)) if seen < 1 else 0.0)
    return exp(-n * divergence)


def _runs_p(lost: int, slots: int, bursts: int) -> float:
    """Chance of as few runs of losses when each slot is lost independently (normal form of the runs test)."""
    kept = slots - lost
    mean = lost * (kept + 1) / slots
    variance = lost * (lost - 1) * (kept + 1) * kept / (slots * slots * max(slots - 1, 1))
    if variance <= 0:
        return 1.0
    return _normal_tail((mean - bursts - 0.5) / sqrt(variance))


def _dispersion_p(start: Ints, slots: int) -> float:
    """Chance of losses as unevenly spread over windows when they fall independently (index of dispersion)."""
    windows = max(5, min(200, len(start) // 2, slots // 10))
    counts = np.bincount(np.minimum(start * windows // slots, windows - 1), minlength=windows)
    mean = float(counts.mean())
    chi2 = float(((counts - mean) ** 2).sum()) / mean
    df = windows - 1
    # Wilson and Hilferty's normal form of the chi-square distribution.
    z = ((chi2 / df) ** (1.0 / 3.0) - (1.0 - 2.0 / (9.0 * df))) / sqrt(2.0 / (9.0 * df))
    return _normal_tail(float(z))


def _normal_tail(z: float) -> float:
    return 0.5 * erfc(z / sqrt(2.0))
