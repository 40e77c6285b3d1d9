"""Does the heading fit the way the machine goes? Only for machines that go where they point: dozer, grader, roller.

Counts of course made good less heading, in bins of one degree, over the seconds in which a fixed machine drives. A
machine that reverses makes good the opposite course, so a fixed offset shows modulo 180 degrees; whether the pair is
the wrong way round can only be told from how seldom anybody reverses all day.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.quantities import Quantities
from hubtack.epochs.columns import Epochs
from hubtack.knowledge.fix_types import FIXED

Ints = NDArray[np.int64]
_S = 1_000_000_000
KINDS = frozenset({"dozer", "grader", "roller"})
DRIVES_M_S = 0.5  # slower, and noise and slip turn the course: common practice, no source
LEAST_SECONDS, LEAST_SECONDS_REVERSED = 60, 300
WITHIN_DEG, WITHIN_SHARE = 10, 0.6  # of the seconds lie this near to the middle, or nothing is said
REVERSED_SHARE = 0.9


@dataclass(slots=True)
class Course:
    """Counts over a session, in any cut."""

    counts: Ints = field(default_factory=lambda: np.zeros(360, dtype=np.int64))
    first_ns: int | None = None
    _second: int | None = None

    def add(self, epochs: Epochs, q: Quantities) -> None:
        """Add N rows; the first usable one of each second counts."""
        usable = (q.fix == FIXED) & (epochs.speed_m_s >= DRIVES_M_S)
        usable &= ~np.isnan(epochs.course_deg) & ~np.isnan(epochs.heading_deg) & ~np.isnan(q.heading_deg)
        index = np.flatnonzero(usable)
        if not len(index):
            return
        second = epochs.time_ns[index] // _S
        opens = np.concatenate(([self._second is None or int(second[0]) != self._second], second[1:] != second[:-1]))
        self._second = int(second[-1])
        index = index[opens]
        if not len(index):
            return
        if self.first_ns is None:
            self.first_ns = int(epochs.time_ns[index[0]])
        off = np.round(epochs.course_deg[index] - q.heading_deg[index]).astype(np.int64) % 360
        self.counts += np.bincount(off, minlength=360)

    def offset_deg(self) -> tuple[float, int] | None:
        """Offset of heading from the way the machine goes, -90 to 270, and the seconds it rests on; None: cannot tell.

        Around 180 the pair is the wrong way round, or the machine has only reversed.
        """
        total = int(self.counts.sum())
        if total < LEAST_SECONDS:
            return None
        folded = self.counts[:180] + self.counts[180:]
        # Middle of the fullest stretch of a half circle; means of angles by their doubled angle.
        angle = np.radians(2.0 * np.arange(180))
        middle = float(np.degrees(np.arctan2((folded * np.sin(angle)).sum(), (folded * np.cos(angle)).sum()))) / 2.0
        away = np.abs((np.arange(180) - middle + 90.0) % 180.0 - 90.0)
        if folded[away <= WITHIN_DEG].sum() < WITHIN_SHARE * total:
            return None
        forward = np.abs((np.arange(360) - middle + 180.0) % 360.0 - 180.0) < 90.0
        reversed_share = float(self.counts[~forward].sum()) / total
        if reversed_share >= REVERSED_SHARE and total >= LEAST_SECONDS_REVERSED:
            middle += 180.0
        return -middle, total
