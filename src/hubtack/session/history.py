"""The recent past, one point a second, in a ring of bounded size; what strips on a screen are drawn from."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from hubtack.engine.rover import JudgedRows
from hubtack.session.snapshot import HistoryPoint

KEPT_S = 600


@dataclass(slots=True)
class History:
    """The last ten minutes of a session."""

    points: deque[HistoryPoint] = field(default_factory=lambda: deque(maxlen=KEPT_S))
    _second: int = -1

    def add(self, rows: JudgedRows) -> None:
        """Add committed rows: the first of each second of running time."""
        if not len(rows.epochs):
            return
        second = rows.judged.run_ns // 1_000_000_000
        opens = np.ones(len(second), dtype=bool)
        opens[1:] = second[1:] != second[:-1]
        opens[0] = second[0] != self._second
        for i in np.flatnonzero(opens)[-KEPT_S:]:
            self.points.append(
                HistoryPoint(
                    int(rows.epochs.time_ns[i]),
                    int(rows.judged.verdict[i]),
                    int(rows.q.fix[i]),
                    float(rows.judged.age_s[i]),
                    float(rows.q.edge_vertical_95_m[i]),
                )
            )
        self._second = int(second[-1])
