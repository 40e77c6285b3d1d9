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

    def add(self, sentences: Mapping[str, Rows], pos: Ints, time_ns: Ints) -> None:
        """Add the GSV of a stretch; ``pos`` and ``time_ns`` are the places and times of its timed sentences."""
        rows = sentences.get("GSV")
        if rows is None or not len(rows) or not len(pos):
            return
        index = np.searchsorted(pos, rows.pos, side="right") - 1
        rows, index = rows.take(index >= 0), index[index >= 0]
        if not len(rows):
            return
        bin_of = time_ns[index] // BIN_NS
        # One turn is all systems' GSV at one epoch: counted by the first sentence of the first group of a time.
        turn_starts = np.concatenate(([True], np.diff(time_ns[index]) != 0))
        for number in np.unique(bin_of):
            inside = bin_of == number
            row = self.bins.setdefault(int(number), np.zeros(_WIDTH, dtype=np.int64))
            row[_TURNS] += int(np.count_nonzero(turn_starts[inside]))
            self._count(row, rows.take(inside))
        while len(self.bins) > MOST_BINS:
            self.bins.pop(next(iter(self.bins)))

    @staticmethod
    def _count(row: Ints, rows: Rows) -> None:
        for i in range(1, 5):
            elevation, azimuth, cn0 = rows[f"elevation_{i}_deg"], rows[f"azimuth_{i}_deg"], rows[f"cn0_{i}_dbhz"]
            tracked = (cn0 > 0) & (elevation >= LOW_DEG) & (azimuth >= 0) & (azimuth <= 360)
            sector = (azimuth[tracked] // (360 / SECTORS)).astype(np.int64) % SECTORS
            np.add.at(row, sector, 1)
            high = tracked & (elevation >= HIGH_DEG)
            row[_HIGH_SUM] += int(np.round(cn0[high] * 100).astype(np.int64).sum())
            row[_HIGH_N] += int(np.count_nonzero(high))

    def table(self) -> tuple[Ints, NDArray[np.float64], NDArray[np.float64]]:
        """Bins in order: start [ns], satellites tracked by sector (B, 8), strength of high ones (B,) [dB-Hz]."""
        numbers = sorted(self.bins)
        raw = np.array([self.bins[n] for n in numbers], dtype=np.int64).reshape(-1, _WIDTH)
        turns = np.maximum(raw[:, _TURNS], 1)[:, None]
        with_high = np.maximum(raw[:, _HIGH_N], 1)
        strength = np.where(raw[:, _HIGH_N] > 0, raw[:, _HIGH_SUM] / with_high / 100.0, np.nan)
        return np.array(numbers, dtype=np.int64) * BIN_NS, raw[:, :SECTORS] / turns, strength
