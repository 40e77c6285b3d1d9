"""The recent past, one point a second, in a ring of bounded size; what strips on a screen are drawn from."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.rover import JudgedRows
from hubtack.session.snapshot import HistoryPoint

KEPT_S = 600
_FEW = 60  # points of a live stretch


@dataclass(slots=True)
class History:
    """The last ten minutes of a session."""

    _points: deque[HistoryPoint] = field(default_factory=lambda: deque(maxlen=KEPT_S))
    _second: int = -1
    # The points of a log's blocks are kept as columns until somebody looks: an audit never does.
    _blocks: list[tuple[NDArray[Any], ...]] = field(default_factory=list)

    @property
    def points(self) -> deque[HistoryPoint]:
        """Points in order of time, the newest ``KEPT_S``."""
        for columns in self._blocks:
            self._points.extend(HistoryPoint(*row) for row in zip(*(c.tolist() for c in columns), strict=True))
        self._blocks.clear()
        return self._points

    def add(self, rows: JudgedRows) -> None:
        """Add committed rows: the first of each second of running time."""
        if not len(rows.epochs):
            return
        second = rows.judged.run_ns // 1_000_000_000
        opens = np.ones(len(second), dtype=bool)
        opens[1:] = second[1:] != second[:-1]
        opens[0] = second[0] != self._second
        self._second = int(second[-1])
        i = np.flatnonzero(opens)[-KEPT_S:]
        if not len(i):
            return
        columns = (
            rows.epochs.time_ns[i], rows.judged.verdict[i], rows.q.fix[i], rows.judged.age_s[i],
            rows.q.edge_vertical_95_m[i],
        )  # fmt: skip
        self._blocks.append(columns)
        while sum(len(block[0]) for block in self._blocks[1:]) >= KEPT_S:
            del self._blocks[0]
        if len(i) <= _FEW:
            _ = self.points
