"""Stretches in which something held, out of columns of booleans, for any cut into blocks the same.

A stretch begins with a row where the condition holds and ends with the first row where it has failed for longer than
``bridge_ns``; shorter breaks are bridged, and stretches shorter than ``least_ns`` are dropped. The number kept is
bounded: past 200 the two nearest neighbours at the end are merged.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MOST = 200


@dataclass(frozen=True, slots=True)
class Run:
    """One stretch, on the session's axis; ``end_ns`` is the time of the first row after it, None while it lasts.

    ``hold_ns`` is the HOLD time that the code owns within it, ``rows`` the number of rows where the condition held.
    """

    start_ns: int
    end_ns: int | None
    hold_ns: int
    rows: int


@dataclass(slots=True)
class Runs:
    """Collects the stretches of one condition."""

    least_ns: int = 0
    bridge_ns: int = 0
    done: list[Run] = field(default_factory=list)
    _open: tuple[int, int] | None = None  # start, time of the first failing row after the last holding one (or last)
    _holding: bool = False
    _last_ns: int = 0
    _hold_ns: int = 0
    _rows: int = 0

    def feed(self, holds: Bools, time_ns: Ints, owned_ns: Ints) -> None:
        """Add N rows: whether the condition holds, when, and how much owned HOLD time follows each row. [ns]"""
        n = len(holds)
        if n == 0:
            return
        if not holds.any():
            # Nearly always: nothing holds, and either nothing has held or a stretch may come to its end.
            self._fail(int(time_ns[0]), int(time_ns[-1]))
            return
        edges = np.flatnonzero(holds[1:] != holds[:-1]) + 1
        owned_sum = np.concatenate(([0], np.cumsum(owned_ns)))
        count_sum = np.concatenate(([0], np.cumsum(holds)))
        bounds = np.concatenate(([0], edges, [n]))
        for a, b in itertools.pairwise(bounds):
            start_ns = int(time_ns[a])
            if holds[a]:
                self._begin(start_ns)
                self._hold_ns += int(owned_sum[b] - owned_sum[a])
                self._rows += int(count_sum[b] - count_sum[a])
                self._holding, self._last_ns = True, int(time_ns[b - 1])
            else:
                self._fail(start_ns, int(time_ns[b - 1]))

    def _fail(self, start_ns: int, end_ns: int) -> None:
        """The condition does not hold from one row to another."""
        if self._holding:
            self._holding, self._last_ns = False, start_ns  # ended at this row, unless it comes back soon
        if self._open is not None and end_ns - self._last_ns > self.bridge_ns:
            self._finish(self._last_ns)

    def _begin(self, start_ns: int) -> None:
        if self._open is not None and not self._holding and start_ns - self._last_ns > self.bridge_ns:
            self._finish(self._last_ns)
        if self._open is None:
            self._open, self._hold_ns, self._rows = (start_ns, start_ns), 0, 0

    def _finish(self, end_ns: int) -> None:
        assert self._open is not None
        start_ns = self._open[0]
        self._open = None
        if end_ns - start_ns >= self.least_ns:
            self.done.append(Run(start_ns, end_ns, self._hold_ns, self._rows))
            if len(self.done) > MOST:
                a, b = self.done[-2:]
                self.done[-2:] = [Run(a.start_ns, b.end_ns, a.hold_ns + b.hold_ns, a.rows + b.rows)]

    def at(self, now_ns: int) -> list[Run]:
        """All stretches as seen at ``now_ns``, the one still going on with ``end_ns`` None. Changes nothing."""
        runs = list(self.done)
        if self._open is not None:
            start_ns = self._open[0]
            reached_ns = now_ns if self._holding else self._last_ns
            if reached_ns - start_ns >= self.least_ns:
                runs.append(Run(start_ns, None if self._holding else self._last_ns, self._hold_ns, self._rows))
        return runs
