"""How are lost epochs spread? One classifier over the ledger of intervals, with its tests and their error rates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

PERIODIC_P = 1e-6  # chance of calling independent losses periodic, over all periods tried
BURST_P = 1e-6
LEAST_LOST = 8  # fewer losses than this say nothing about their pattern
LEAST_SHARE = 0.01


@dataclass(frozen=True, slots=True)
class LossPattern:
    """The pattern of losses, the test that decided and its significance."""

    kind: Literal["none", "independent", "burst", "periodic"]
    lost: int
    slots: int
    bursts: int = 0
    period_slots: float = float("nan")
    p_value: float = float("nan")
    test: str = ""


def loss_pattern(steps_ms: Ints, interval_ms: float, stalled_ms: float) -> LossPattern:
    """Pattern of the epochs missing from a stream of intervals (N,), gaps of ``stalled_ms`` and more left out.

    Periodic: Rayleigh's test of the starts of losses against every frequency that the length resolves, the p-value
    multiplied by the number tried (Bonferroni). Bursts: the number of runs of losses against that of independent
    losses (Wald and Wolfowitz), one-sided.
    """
    usable = steps_ms[(steps_ms > 0) & (steps_ms < stalled_ms)]
    missing = np.maximum(np.round(usable / interval_ms).astype(np.int64) - 1, 0)
    slots = int((missing + 1).sum())
    lost = int(missing.sum())
    if lost < LEAST_LOST or slots < 60:
        return LossPattern("none" if lost < LEAST_LOST else "independent", lost, slots)
    start = np.cumsum(missing + 1)[missing > 0] - missing[missing > 0]
    bursts = len(start)
    periodic = _periodic(start, slots)
    if periodic is not None:
        period, p_value = periodic
        return LossPattern("periodic", lost, slots, bursts, period, p_value, f"Rayleigh, p < {max(p_value, 1e-12):.0e}")
    p_value = _runs_p(lost, slots, bursts)
    if p_value < BURST_P:
        return LossPattern(
            "burst", lost, slots, bursts, float("nan"), p_value, f"runs test, p < {max(p_value, 1e-12):.0e}"
        )
    p_value = _dispersion_p(start, slots)
    if p_value < BURST_P:
        return LossPattern(
            "burst", lost, slots, bursts, float("nan"), p_value, f"dispersion, p < {max(p_value, 1e-12):.0e}"
        )
    return LossPattern("independent", lost, slots, bursts, float("nan"), p_value, "no pattern found")


def _periodic(start: Ints, slots: int) -> tuple[float, float] | None:
    """Period in slots and its p-value, or None. The lowest of a comb of harmonics is the period."""
    n = len(start)
    if n < 6:
        return None
    # Periods from 3 slots up to a fifth of the record; four frequencies to each resolvable one.
    lowest, highest = 5.0 / slots, 1.0 / 3.0
    count = int(min(20_000, (highest - lowest) * slots * 4))
    if count < 1:
        return None
    frequency = lowest + (highest - lowest) * np.arange(count) / max(count - 1, 1)
    used = start[:2000].astype(np.float64)
    power = np.empty(count)
    for i in range(0, count, 512):
        phase = 2.0 * np.pi * frequency[i : i + 512, None] * used[None, :]
        power[i : i + 512] = (np.cos(phase).sum(axis=1) ** 2 + np.sin(phase).sum(axis=1) ** 2) / len(used)
    best = float(power.max())
    p_value = count * float(np.exp(-best))
    if p_value >= PERIODIC_P or best < 0.5 * len(used):
        return None
    first = int(np.argmax(power >= 0.8 * best))
    while first + 1 < count and power[first + 1] > power[first]:
        first += 1
    return 1.0 / float(frequency[first]), p_value


def _runs_p(lost: int, slots: int, bursts: int) -> float:
    """Chance of as few runs of losses when each slot is lost independently (normal form of the runs test)."""
    kept = slots - lost
    mean = lost * (kept + 1) / slots
    variance = lost * (lost - 1) * (kept + 1) * kept / (slots * slots * max(slots - 1, 1))
    if variance <= 0:
        return 1.0
    return _normal_tail((mean - bursts - 0.5) / np.sqrt(variance))


def _dispersion_p(start: Ints, slots: int) -> float:
    """Chance of losses as unevenly spread over windows when they fall independently (index of dispersion)."""
    windows = max(5, min(200, len(start) // 2, slots // 10))
    counts = np.bincount(np.minimum(start * windows // slots, windows - 1), minlength=windows)
    mean = float(counts.mean())
    chi2 = float(((counts - mean) ** 2).sum()) / mean
    df = windows - 1
    # Wilson and Hilferty's normal form of the chi-square distribution.
    z = ((chi2 / df) ** (1.0 / 3.0) - (1.0 - 2.0 / (9.0 * df))) / np.sqrt(2.0 / (9.0 * df))
    return _normal_tail(float(z))


def _normal_tail(z: float) -> float:
    from math import erfc, sqrt

    return 0.5 * erfc(z / sqrt(2.0))
