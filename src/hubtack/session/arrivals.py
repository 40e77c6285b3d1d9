"""Where each byte of a source stands in the merged sequence, and when it arrived."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
NO_ARRIVAL = -1
_TRIM_AT = 4096
_FEW = 16  # bytes asked for: below this a search in the lists costs less than arrays of them


@dataclass(slots=True)
class ArrivalLog:
    """Chunks of one source by the offset of their first byte.

    ``place`` of a byte is its number in the merged sequence of all sources, counting every byte of every source in
    the order in which the chunks came; it orders rows and frames of different sources without a clock.
    """

    total: int = 0  # bytes of this source so far
    _start: list[int] = field(default_factory=list)
    _place: list[int] = field(default_factory=list)
    _utc_ns: list[int] = field(default_factory=list)
    _mono_ns: list[int] = field(default_factory=list)

    def add(self, n_bytes: int, place: int, t_utc_ns: int | None, t_mono_ns: int | None) -> None:
        """Note a chunk of ``n_bytes`` whose first byte is number ``place`` of the merged sequence."""
        self._start.append(self.total)
        self._place.append(place)
        self._utc_ns.append(NO_ARRIVAL if t_utc_ns is None else t_utc_ns)
        self._mono_ns.append(NO_ARRIVAL if t_mono_ns is None else t_mono_ns)
        self.total += n_bytes

    def forget_before(self, offset: int) -> None:
        """Let go of chunks that end before ``offset``, once there are many."""
        if len(self._start) > _TRIM_AT:
            keep = max(0, bisect_right(self._start, offset) - 1)
            for column in (self._start, self._place, self._utc_ns, self._mono_ns):
                del column[:keep]

    def places(self, offset: Ints) -> Ints:
        """Number in the merged sequence of the bytes at ``offset`` (N,)."""
        if len(offset) <= _FEW:
            at = [(self._at(o), o) for o in offset.tolist()]
            return np.array([self._place[i] + o - self._start[i] for i, o in at], dtype=np.int64)
        index = self._index(offset)
        start, place = np.array(self._start, dtype=np.int64), np.array(self._place, dtype=np.int64)
        return place[index] + offset - start[index]

    def utc_ns(self, offset: Ints) -> Ints:
        """UTC arrival of the bytes at ``offset`` (N,), -1 where unknown. [ns]"""
        return self._of(self._utc_ns, offset)

    def mono_ns(self, offset: Ints) -> Ints:
        """Arrival of the bytes at ``offset`` (N,) by the clock that never steps, -1 where unknown. [ns]"""
        return self._of(self._mono_ns, offset)

    def _of(self, column: list[int], offset: Ints) -> Ints:
        if len(offset) <= _FEW:
            return np.array([column[self._at(o)] for o in offset.tolist()], dtype=np.int64)
        return np.array(column, dtype=np.int64)[self._index(offset)]

    def _at(self, offset: int) -> int:
        """The chunk that holds a byte."""
        return max(0, bisect_right(self._start, offset) - 1)

    def _index(self, offset: Ints) -> Ints:
        if not len(offset):
            return np.zeros(0, dtype=np.int64)
        index = np.searchsorted(np.array(self._start, dtype=np.int64), offset, side="right") - 1
        return np.maximum(index, 0)
