"""The stream over time in bins: frames, damage and other bytes, and how late epochs arrived. Bounded memory.

Bins count from the session's axis zero. When there are too many, pairs become one and the width doubles, so a day and
a minute take the same room; the result does not depend on how the stream was cut.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

FIRST_WIDTH_NS = 1_000_000_000
MOST_BINS = 20_000
_FIELDS = 7
FRAMES, BYTES, BAD_CRC, OTHER, LAG_MIN_MS, LAG_MAX_MS, ARRIVED_NS = range(_FIELDS)
_FEW = 64  # frames: below this a plain loop is faster than arrays
_NO_LAG = np.iinfo(np.int64).max


@dataclass(slots=True)
class Flow:
    """Counts by time bin: frames, their bytes, damaged frames, other bytes, least lag, greatest lag, last arrival."""

    width_ns: int = FIRST_WIDTH_NS
    bins: dict[int, list[int]] = field(default_factory=dict)

    def _bin(self, time_ns: int) -> list[int]:
        index = time_ns // self.width_ns
        found = self.bins.get(index)
        if found is None:
            if len(self.bins) >= MOST_BINS:
                self._widen()
                return self._bin(time_ns)
            found = self.bins[index] = [0, 0, 0, 0, _NO_LAG, -_NO_LAG, -1]
        return found

    def _widen(self) -> None:
        self.width_ns *= 2
        wide: dict[int, list[int]] = {}
        for index, old in self.bins.items():
            new = wide.setdefault(index // 2, [0, 0, 0, 0, _NO_LAG, -_NO_LAG, -1])
            for i in (FRAMES, BYTES, BAD_CRC, OTHER):
                new[i] += old[i]
            new[LAG_MIN_MS] = min(new[LAG_MIN_MS], old[LAG_MIN_MS])
            new[LAG_MAX_MS] = max(new[LAG_MAX_MS], old[LAG_MAX_MS])
            new[ARRIVED_NS] = max(new[ARRIVED_NS], old[ARRIVED_NS])
        self.bins = wide

    def add_frames(self, time_ns: Ints, length: Ints) -> None:
        """Add N frames: their time and length."""
        if len(time_ns) > _FEW:
            # One entry a run of frames of the same bin; should bins grow wider on the way, one takes several runs.
            index = time_ns // self.width_ns
            start = np.flatnonzero(np.concatenate(([True], np.diff(index) != 0)))
            counts = np.diff(np.concatenate((start, [len(time_ns)])))
            runs = (time_ns[start].tolist(), counts.tolist(), np.add.reduceat(length, start).tolist())
        else:
            runs = (time_ns.tolist(), [1] * len(time_ns), length.tolist())
        for at, n, n_bytes in zip(*runs, strict=True):
            found = self._bin(at)
            found[FRAMES] += n
            found[BYTES] += n_bytes

    def add_damage(self, time_ns: int, *, bad_crc: int = 0, other_bytes: int = 0) -> None:
        """Add damaged frames and bytes of no frame, heard at ``time_ns``."""
        found = self._bin(time_ns)
        found[BAD_CRC] += bad_crc
        found[OTHER] += other_bytes

    def add_lags(self, time_ns: Ints, lag_ns: Ints, arrival_ns: Ints) -> None:
        """Add N timed frames with their arrival and how far it lies behind their epoch."""
        for at, lag, arrival in zip(time_ns.tolist(), lag_ns.tolist(), arrival_ns.tolist(), strict=True):
            found = self._bin(at)
            ms = round(lag / 1_000_000)
            found[LAG_MIN_MS] = min(found[LAG_MIN_MS], ms)
            found[LAG_MAX_MS] = max(found[LAG_MAX_MS], ms)
            found[ARRIVED_NS] = max(found[ARRIVED_NS], arrival)

    def table(self) -> tuple[Ints, Ints]:
        """Start of each bin [ns] and its counts (n, 7), in order of time; a lag that is not known reads as 0."""
        if not self.bins:
            return np.zeros(0, dtype=np.int64), np.zeros((0, _FIELDS), dtype=np.int64)
        order = sorted(self.bins)
        counts = np.array([self.bins[i] for i in order], dtype=np.int64)
        unknown = counts[:, LAG_MIN_MS] == _NO_LAG
        counts[unknown, LAG_MIN_MS] = counts[unknown, LAG_MAX_MS] = 0
        return np.array(order, dtype=np.int64) * self.width_ns, counts

    def strip(self, width: int, start_ns: int, end_ns: int) -> list[dict[str, int]]:
        """At most ``width`` equal stretches from start to end, each with its frames, damaged frames and other bytes."""
        if not self.bins or end_ns <= start_ns or width < 1:
            return []
        step_ns = max(self.width_ns, -((start_ns - end_ns) // width))
        n = -((start_ns - end_ns) // step_ns)
        out = [{"frames": 0, "bad_crc": 0, "other_bytes": 0} for _ in range(n)]
        at, counts = self.table()
        for i, row in zip(np.clip((at - start_ns) // step_ns, 0, n - 1).tolist(), counts.tolist(), strict=True):
            out[i]["frames"] += row[FRAMES]
            out[i]["bad_crc"] += row[BAD_CRC]
            out[i]["other_bytes"] += row[OTHER]
        return out
