"""The age of corrections over time: its least value in bins of ten seconds, the saw-tooth of each epoch taken off."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

BIN_NS = 10_000_000_000
MOST_BINS = 60_000  # a week


@dataclass(slots=True)
class AgeTrack:
    """Least age in each bin. [ms]"""

    bins: dict[int, int] = field(default_factory=dict)

    def add(self, time_ns: Ints, age_s: Floats) -> None:
        """Add N ages with their times; NaN is left out."""
        known = ~np.isnan(age_s)
        if not known.all():
            time_ns, age_s = time_ns[known], age_s[known]
        if not len(age_s):
            return
        index = time_ns // BIN_NS
        age_ms = np.floor(age_s * 1000.0 + 0.5).astype(np.int64)
        starts = np.concatenate(([0], np.flatnonzero(index[1:] != index[:-1]) + 1))
        for i, ms in zip(index[starts].tolist(), np.minimum.reduceat(age_ms, starts).tolist(), strict=True):
            before = self.bins.get(i)
            if before is not None:
                self.bins[i] = min(before, ms)
            elif len(self.bins) < MOST_BINS:
                self.bins[i] = ms

    def table(self) -> tuple[Ints, Floats]:
        """Start of each bin [ns] and its least age [s], in order."""
        order = sorted(self.bins)
        return np.array(order, dtype=np.int64) * BIN_NS, np.array([self.bins[i] for i in order]) / 1000.0
