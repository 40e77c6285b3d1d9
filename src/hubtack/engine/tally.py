"""What a session adds up to, in bounded memory and in integers, so that any cut into blocks gives the same sums.

Figures that depend on something known only at the end, such as the median interval, are read out of a table of counts
by interval; nothing is stored per epoch.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.judge import HOLD, Judged
from hubtack.engine.quantities import Quantities
from hubtack.epochs.columns import Epochs
from hubtack.knowledge.fix_types import FIX_TYPES, FIXED
from hubtack.knowledge.job_classes import JOB_CLASSES
from hubtack.knowledge.reasons import BIT, HOLD_BITS, ROUGH_BITS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
MS = 1_000_000
# Reasons that speak against any tolerance: all but those that compare the error with the one in force.
_UNSOUND_BITS = (HOLD_BITS | ROUGH_BITS) & ~(BIT["edge_vertical"] | BIT["edge_horizontal"] | BIT["not_checked"])


@dataclass(slots=True)
class Histogram:
    """Counts of a quantity in steps of equal width from 0 up; the last bin takes all that is larger."""

    step: float
    n_bins: int
    counts: Ints = field(init=False)

    def __post_init__(self) -> None:
        self.counts = np.zeros(self.n_bins, dtype=np.int64)

    def add(self, values: Floats) -> None:
        """Count ``values`` (N,); NaN is left out, what lies below 0 counts as 0."""
        known = values[~np.isnan(values)]
        if len(known):
            index = np.clip(np.floor(known / self.step + 0.5), 0, self.n_bins - 1).astype(np.int64)
            np.add.at(self.counts, index, 1)

    @property
    def total(self) -> int:
        """How many values have been counted."""
        return int(self.counts.sum())

    def quantile(self, share: float) -> float:
        """The smallest binned value that at least ``share`` of all values do not exceed; NaN without values."""
        total = self.total
        if not total:
            return float("nan")
        rank = max(1, int(np.ceil(share * total - 1e-9)))
        return int(np.searchsorted(np.cumsum(self.counts), rank)) * self.step

    def largest(self) -> float:
        """The largest binned value; NaN without values."""
        filled = np.flatnonzero(self.counts)
        return float(filled[-1] * self.step) if len(filled) else float("nan")

    def smallest(self) -> float:
        """The smallest binned value; NaN without values."""
        filled = np.flatnonzero(self.counts)
        return float(filled[0] * self.step) if len(filled) else float("nan")


LOG_STEP = 1.001  # 0.1 % bins


@dataclass(slots=True)
class LogHistogram:
    """Counts of a length in bins of 0.1 %, from 1 mm to 10 000 km."""

    inner: Histogram = field(default_factory=lambda: Histogram(1.0, 23_100))

    def add(self, length_m: Floats) -> None:
        """Count lengths (N,); NaN is left out."""
        known = length_m[~np.isnan(length_m)]
        self.inner.add(np.log(np.maximum(known, 1e-3) / 1e-3) / np.log(LOG_STEP))

    def quantile(self, share: float) -> float:
        """As ``Histogram.quantile``, to 0.1 %. [m]"""
        return float(1e-3 * LOG_STEP ** self.inner.quantile(share))

    def largest(self) -> float:
        """The largest length, to 0.1 %. [m]"""
        return float(1e-3 * LOG_STEP ** self.inner.largest())


MAX_STEP_MS = 60_000  # longer intervals are all counted in the last column; three medians never reach it at 0.05 Hz


@dataclass(slots=True)
class Tally:
    """Sums over the rover epochs of one session."""

    epochs: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    run_first_ns: int = 0
    run_last_ns: int = 0
    steps: Ints = field(default_factory=lambda: np.zeros((len(FIX_TYPES), MAX_STEP_MS + 1), dtype=np.int64))
    last_fix: int = 0
    verdict_ms: Ints = field(default_factory=lambda: np.zeros(3, dtype=np.int64))
    working_ms: int = 0
    lost_working_ms: int = 0
    lost_by_bit_ms: Ints = field(default_factory=lambda: np.zeros(64, dtype=np.int64))
    workable_ms: Ints = field(default_factory=lambda: np.zeros(len(JOB_CLASSES), dtype=np.int64))
    last_workable: Bools = field(default_factory=lambda: np.zeros(len(JOB_CLASSES), dtype=bool))
    fix_losses: int = 0
    first_fixed_run_ns: int | None = None
    age: Histogram = field(default_factory=lambda: Histogram(0.1, 10_001))
    baseline: LogHistogram = field(default_factory=LogHistogram)
    satellites: Histogram = field(default_factory=lambda: Histogram(1.0, 200))
    hdop: Histogram = field(default_factory=lambda: Histogram(0.01, 10_001))
    edge_vertical: Histogram = field(default_factory=lambda: Histogram(0.001, 10_001))
    edge_horizontal: Histogram = field(default_factory=lambda: Histogram(0.001, 10_001))
    heading_epochs: int = 0
    heading_source: int = 0
    heading_sigma_deg: float = float("nan")
    # Carried from row to row.
    last_verdict: int = HOLD
    was_fixed: bool = False
    moved_run_ns: int | None = None
    sample: tuple[int, float, float, float, float] | None = None  # run second, ECEF, heading at the last sample

    def add(
        self,
        epochs: Epochs,
        q: Quantities,
        judged: Judged,
        *,
        working_moved_s: float,
        working_speed_max_m_s: float,
    ) -> Bools:
        """Add N > 0 judged rows that follow those added before; returns (N,) whether the machine was at work at each."""
        n = len(epochs)
        if self.first_ns is None:
            self.first_ns = int(epochs.time_ns[0])
            self.run_first_ns = int(judged.run_ns[0])
        self._add_durations(q, judged)
        self._add_losses(q, judged)
        working = self._add_work(epochs, q, judged, working_moved_s, working_speed_max_m_s)
        self.epochs += n
        self.last_ns = int(epochs.time_ns[-1])
        self.run_last_ns = int(judged.run_ns[-1])
        self.age.add(q.age_s)
        self.baseline.add(q.baseline_m)
        self.satellites.add(epochs.satellites)
        self.hdop.add(epochs.hdop)
        self.edge_vertical.add(q.edge_vertical_95_m)
        self.edge_horizontal.add(q.edge_horizontal_95_m)
        has_heading = ~np.isnan(q.heading_deg)
        count = int(np.count_nonzero(has_heading))
        self.heading_epochs += count
        if count:
            last = int(np.flatnonzero(has_heading)[-1])
            self.heading_sigma_deg = float(q.heading_sigma_deg[last])
            sources = epochs.heading_source[~np.isnan(epochs.heading_source)]
            if len(sources):
                self.heading_source = int(sources[-1])
        return working

    def _add_durations(self, q: Quantities, judged: Judged) -> None:
        """The time from each row to the next belongs to the earlier row; silence past the limit is HOLD."""
        step_ms = judged.step_ns // MS
        fix_before = np.concatenate(([self.last_fix], q.fix[:-1]))
        verdict_before = np.concatenate(([self.last_verdict], judged.verdict[:-1])).astype(np.int64)
        counted = slice(0 if self.epochs else 1, None)  # nothing comes before the first row of all
        np.add.at(self.steps, (fix_before[counted], np.minimum(step_ms[counted], MAX_STEP_MS)), 1)
        own_ms = np.minimum(step_ms[counted], judged.silent_ns[counted] // MS)
        np.add.at(self.verdict_ms, verdict_before[counted], own_ms)
        self.verdict_ms[HOLD] += int((step_ms[counted] - own_ms).sum())
        self._add_workable(judged, counted, own_ms)
        self.last_fix = int(q.fix[-1])
        self.last_verdict = int(judged.verdict[-1])

    def _add_workable(self, judged: Judged, counted: slice, own_ms: Ints) -> None:
        """Time in which the position would have served each class of job: nothing against it but the tolerance."""
        sound = (judged.bits & _UNSOUND_BITS) == 0
        for i, job in enumerate(JOB_CLASSES):
            good = sound & (judged.edge_vertical_95_m <= job.vertical_95_m)
            good &= judged.edge_horizontal_95_m <= job.horizontal_95_m
            before = np.concatenate(([self.last_workable[i]], good[:-1]))
            self.workable_ms[i] += int(own_ms[before[counted]].sum())
            self.last_workable[i] = bool(good[-1])

    def _add_losses(self, q: Quantities, judged: Judged) -> None:
        fixed = q.fix == FIXED
        before = np.concatenate(([self.was_fixed], fixed[:-1]))
        self.fix_losses += int(np.count_nonzero(before & (~fixed | (judged.step_ns > judged.silent_ns))))
        self.was_fixed = bool(fixed[-1])
        if self.first_fixed_run_ns is None and fixed.any():
            self.first_fixed_run_ns = int(judged.run_ns[np.argmax(fixed)])

    def _add_work(self, epochs: Epochs, q: Quantities, judged: Judged, moved_s: float, speed_max_m_s: float) -> Bools:
        """Lost time counts only while the machine works: moved or slewed of late, and not on a low-loader.

        Movement is looked for once a second, over which 5 mm of noise is nothing: 0.10 m, or a turn of 1.5 degrees.
        """
        second = judged.run_ns // 1_000_000_000
        last_second = self.sample[0] if self.sample else -1
        opens = np.ones(len(second), dtype=bool)
        opens[1:] = second[1:] != second[:-1]
        opens[0] = second[0] != last_second
        index = np.flatnonzero(opens)
        fixed = (q.fix[index] == FIXED)[:, None]
        pos = np.where(fixed, q.pos_ecef_m[index], np.nan)
        before = np.concatenate((np.array([self.sample[1:4] if self.sample else (np.nan,) * 3]), pos[:-1]))
        d = pos - before
        moved = np.sqrt(d[:, 0] ** 2 + d[:, 1] ** 2 + d[:, 2] ** 2) > 0.10
        heading = q.heading_deg[index]
        heading_before = np.concatenate(([self.sample[4] if self.sample else np.nan], heading[:-1]))
        turned = np.abs((heading - heading_before + 180.0) % 360.0 - 180.0) > 1.5
        moved |= turned | (epochs.speed_m_s[index] > 0.15)
        if len(index):
            x_m, y_m, z_m = (float(v) for v in pos[-1])
            self.sample = (int(second[index[-1]]), x_m, y_m, z_m, float(heading[-1]))
        never = np.iinfo(np.int64).min // 4
        event_ns = np.full(len(second), never, dtype=np.int64)
        event_ns[index[moved]] = judged.run_ns[index[moved]]
        latest = np.maximum.accumulate(event_ns)
        if self.moved_run_ns is not None:
            latest = np.maximum(latest, self.moved_run_ns)
        if latest[-1] > never:
            self.moved_run_ns = int(latest[-1])
        speed_ok = ~(epochs.speed_m_s > speed_max_m_s)
        working = (judged.run_ns - latest <= int(moved_s * 1e9)) & (latest > never) & speed_ok
        step_ms = np.minimum(judged.step_ns, int(moved_s * 1e9)) // MS
        self.working_ms += int(step_ms[working].sum())
        lost = working & (judged.verdict == HOLD)
        self.lost_working_ms += int(step_ms[lost].sum())
        lowest = judged.bits[lost] & -judged.bits[lost]
        bit = np.round(np.log2(lowest.astype(np.float64))).astype(np.int64) if lost.any() else lowest
        np.add.at(self.lost_by_bit_ms, bit, step_ms[lost])
        return np.asarray(working)

    @property
    def idle(self) -> bool:
        """Never fixed and never moved since it was switched on: the machine stands under a roof, or waits."""
        return self.first_fixed_run_ns is None and self.working_ms == 0

    def interval_s(self) -> float:
        """Median time between rows; NaN with fewer than two. [s]"""
        counts = self.steps.sum(axis=0)
        total = int(counts.sum())
        if not total:
            return float("nan")
        return int(np.searchsorted(np.cumsum(counts), (total + 1) // 2)) / 1000.0

    def fix_seconds(self) -> dict[str, float]:
        """Time in each fix type: to the next row, at most three median intervals; the last row counts one. [s]"""
        interval_s = self.interval_s()
        median_ms = 0 if np.isnan(interval_s) else round(interval_s * 1000)
        weight = np.minimum(np.arange(MAX_STEP_MS + 1), 3 * median_ms)
        total_ms = (self.steps * weight[None, :]).sum(axis=1)
        if self.epochs:
            total_ms[self.last_fix] += median_ms
        return {fix.key: int(ms) / 1000.0 for fix, ms in zip(FIX_TYPES, total_ms, strict=True)}

    def duration_s(self) -> float:
        """From the first row to the last, plus one median interval; 0 without rows. [s]"""
        if not self.epochs:
            return 0.0
        interval_s = self.interval_s()
        return (self.run_last_ns - self.run_first_ns) / 1e9 + (0.0 if np.isnan(interval_s) else interval_s)

    def workable(self) -> list[dict[str, object]]:
        """For each class of job: its tolerances, and the share of the session in which the position would have served."""
        total_ms = round(self.duration_s() * 1000.0)
        return [
            {
                "class": job.key,
                "vertical_95_m": job.vertical_95_m,
                "horizontal_95_m": job.horizontal_95_m,
                "share": min(1.0, int(ms) / total_ms) if total_ms else float("nan"),
            }
            for job, ms in zip(JOB_CLASSES, self.workable_ms, strict=True)
        ]

    def verdict_seconds(self) -> dict[str, float]:
        """Time in each verdict; they sum to the duration. [s]"""
        ms = self.verdict_ms.copy()
        interval_s = self.interval_s()
        if self.epochs and not np.isnan(interval_s):
            ms[self.last_verdict] += round(interval_s * 1000)
        return {name: int(v) / 1000.0 for name, v in zip(("grade", "rough", "hold"), ms, strict=True)}
