"""How the rover's sky looks by sector and by strength, in bins of a quarter of a minute.

GSV lists satellites with elevation, azimuth and, where they are tracked, their strength. Eight sectors of 45 degrees
are enough to tell a bank on one side from interference on all. Counts are integers; bins are bounded.
"""

from __future__ import annotations

from collections.abc import Mapping
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


@dataclass(slots=True)
class SkySectors:
    """Tracked satellites by sector over time. ``table`` rows are per bin, summed over the turns of GSV in it."""

    bins: dict[int, Ints] = field(default_factory=dict)
    _turn_ns: int | None = None  # time of the newest turn

    def add(self, sentences: Mapping[str, Rows], pos: Ints, time_ns: Ints) -> None:
        """Add the GSV of a stretch; ``pos`` and ``time_ns`` are the places and times of its timed sentences."""
        rows = sentences.get("GSV")
        if rows is None or not len(rows) or not len(pos):
            return
        index = np.searchsorted(pos, rows.pos, side="right") - 1
        if index[0] < 0:
            rows, index = rows.take(index >= 0), index[index >= 0]
            if not len(rows):
                return
        at_ns = time_ns[index]
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
    elevation = rows.columns("elevation_1_deg", 4, step=4)
    azimuth, cn0 = rows.columns("azimuth_1_deg", 4, step=4), rows.columns("cn0_1_dbhz", 4, step=4)
    # Column by column, as the table lies in memory.
    tracked = ((cn0 > 0) & (elevation >= LOW_DEG) & (azimuth >= 0) & (azimuth <= 360)).T
    _, row = np.nonzero(tracked)
    bins, cn0 = bin_of[row], cn0.T[tracked]
    sector = (azimuth.T[tracked] // (360 / SECTORS)).astype(np.int64) % SECTORS
    out[:, :SECTORS] = np.bincount(bins * SECTORS + sector, minlength=n_bins * SECTORS).reshape(n_bins, SECTORS)
    high = elevation.T[tracked] >= HIGH_DEG
    out[:, _HIGH_SUM] = np.bincount(bins[high], weights=np.round(cn0[high] * 100), minlength=n_bins).astype(np.int64)
    out[:, _HIGH_N] = np.bincount(bins[high], minlength=n_bins)
    out[:, _TURNS] = np.bincount(bin_of[turn_starts], minlength=n_bins)
    return out
