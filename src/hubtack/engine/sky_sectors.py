"""How the rover's sky looks by sector and by strength, in bins of a quarter of a minute.

GSV lists satellites with elevation, azimuth and, where they are tracked, their strength. Eight sectors of 45 degrees
are enough to tell a bank on one side from interference on all. Counts are integers; bins are bounded.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Rows

Ints = NDArray[np.int64]

BIN_NS = 15_000_000_000
SECTORS = 8
LOW_DEG = 15.0  # below this satellites come and go by themselves
HIGH_DEG = 40.0  # above this their strength hardly depends on elevation
MOST_BINS = 12_000  # two days; then the oldest are let go
# Columns of a bin: satellites tracked by sector; sum and number of strengths of high ones [0.01 dB-Hz]; sentences.
_HIGH_SUM, _HIGH_N, _TURNS = SECTORS, SECTORS + 1, SECTORS + 2
_WIDTH = SECTORS + 3
_NOWHERE = SECTORS + 1  # where a satellite that does not count is counted; sector 8 is that of 360 degrees


@dataclass(slots=True)
class SkySectors:
    """Tracked satellites by sector over time. ``table`` rows are per bin, summed over the turns of GSV in it."""

    bins: dict[int, Ints] = field(default_factory=dict)
    _turn_ns: int | None = None  # time of the newest turn

    def add(self, rows: Rows, at_ns: Ints) -> None:
        """Add n rows of GSV, n > 0, with their times."""
        bin_of = at_ns // BIN_NS
        # One turn is all systems' GSV at one epoch: counted by the first sentence of the first group of a time.
        turn_starts = np.concatenate(([self._turn_ns is None or int(at_ns[0]) != self._turn_ns], np.diff(at_ns) != 0))
        self._turn_ns = int(at_ns[-1])
        first = int(bin_of.min())
        span = int(bin_of.max()) - first + 1
        if span <= MOST_BINS:
            self._merge(first, _counts(rows, bin_of - first, turn_starts, span))
        else:  # a jump of the clock inside one stretch: one bin at a time
            for number in np.unique(bin_of).tolist():
                here = bin_of == number
                none = np.zeros(int(here.sum()), dtype=np.int64)
                self._merge(number, _counts(rows.take(here), none, turn_starts[here], 1))
        while len(self.bins) > MOST_BINS:
            self.bins.pop(next(iter(self.bins)))

    def _merge(self, first: int, counts: Ints) -> None:
        for i in np.flatnonzero(counts.any(axis=1)).tolist():
            row = self.bins.get(first + i)
            if row is None:
                self.bins[first + i] = counts[i].copy()
            else:
                row += counts[i]

    def newest(self) -> tuple[float, ...]:
        """Satellites tracked by sector in the newest bin; empty where there is none."""
        if not self.bins:
            return ()
        row = self.bins[max(self.bins)]
        turns = max(int(row[_TURNS]), 1)
        return tuple(int(n) / turns for n in row[:SECTORS])

    def table(self) -> tuple[Ints, NDArray[np.float64], NDArray[np.float64]]:
        """Bins in order: start [ns], satellites tracked by sector (B, 8), strength of high ones (B,) [dB-Hz]."""
        numbers = sorted(self.bins)
        raw = np.array([self.bins[n] for n in numbers], dtype=np.int64).reshape(-1, _WIDTH)
        turns = np.maximum(raw[:, _TURNS], 1)[:, None]
        with_high = np.maximum(raw[:, _HIGH_N], 1)
        strength = np.where(raw[:, _HIGH_N] > 0, raw[:, _HIGH_SUM] / with_high / 100.0, np.nan)
        return np.array(numbers, dtype=np.int64) * BIN_NS, raw[:, :SECTORS] / turns, strength


def _counts(rows: Rows, bin_of: Ints, turn_starts: NDArray[np.bool_], n_bins: int) -> Ints:
    """Columns of ``n_bins`` bins (n_bins, width). Sums are of integers, so the order does not matter."""
    out = np.zeros((n_bins, _WIDTH), dtype=np.int64)
    # (4, n), row by row as the table lies in memory. NaN is in no comparison.
    elevation = rows.columns("elevation_1_deg", 4, step=4).T
    azimuth, cn0 = rows.columns("azimuth_1_deg", 4, step=4).T, rows.columns("cn0_1_dbhz", 4, step=4).T
    tracked = (cn0 > 0) & (elevation >= LOW_DEG) & (azimuth >= 0) & (azimuth <= 360)
    sector = azimuth / (360 / SECTORS)
    np.floor(sector, out=sector)
    np.copyto(sector, _NOWHERE, where=~tracked)
    key = sector.astype(np.int64)
    key += bin_of * (_NOWHERE + 1)
    by_sector = np.bincount(key.ravel(), minlength=n_bins * (_NOWHERE + 1)).reshape(n_bins, -1)
    out[:, :SECTORS] = by_sector[:, :SECTORS]
    out[:, 0] += by_sector[:, SECTORS]  # 360 degrees are none
    tracked &= elevation >= HIGH_DEG
    strength = np.rint(cn0 * 100)
    np.copyto(strength, 0.0, where=~tracked)
    high_sum, high_n = np.zeros(len(bin_of)), np.zeros(len(bin_of))
    for one, here in zip(strength, tracked, strict=True):
        high_sum += one
        high_n += here
    out[:, _HIGH_SUM] = np.bincount(bin_of, weights=high_sum, minlength=n_bins).astype(np.int64)
    out[:, _HIGH_N] = np.bincount(bin_of, weights=high_n, minlength=n_bins).astype(np.int64)
    out[:, _TURNS] = np.bincount(bin_of[turn_starts], minlength=n_bins)
    return out
