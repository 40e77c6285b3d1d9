"""Whether a base knows the leap seconds: GLONASS counts UTC, the others do not, so its epochs show what the base thinks.

A base that leaves the leap seconds out, or counts BeiDou's offset or Moscow's hours twice, sends GLONASS epochs that lie
just that far from those of GPS or Galileo of the same moment. A rover then has no GLONASS in common with it.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Rows
from hubtack.knowledge.leap_seconds import BEIDOU_BEHIND_GPS_S, CURRENT_LEAP_S, GLONASS_AHEAD_OF_UTC_S
from hubtack.knowledge.messages import GALILEO, GLONASS, GPS, system_of

_DAY_MS = 86_400_000
_LEAST, _MOST = 30, 100_000
_SHARE = 0.9
_KNOWN_S = (CURRENT_LEAP_S, BEIDOU_BEHIND_GPS_S, CURRENT_LEAP_S - BEIDOU_BEHIND_GPS_S, GLONASS_AHEAD_OF_UTC_S)
# By message number: 1 GPS or Galileo, 2 GLONASS, 0 anything else.
_SIDE = np.array([{GPS: 1, GALILEO: 1, GLONASS: 2}.get(system_of(n) or 0, 0) for n in range(4096)], dtype=np.int64)


@dataclass(slots=True)
class LeapWatch:
    """Counts whole seconds between GLONASS epochs and the GPS or Galileo epoch before them, and the other way round."""

    after: Counter[int] = field(default_factory=Counter)  # GLONASS less the other's epoch before it
    before: Counter[int] = field(default_factory=Counter)  # the GLONASS epoch before less the other's
    _last: dict[int, float] = field(default_factory=dict)

    def feed(self, frames: Rows) -> None:
        """Take the frames of a stretch in order."""
        number = np.maximum(frames["type"], 0).astype(np.int64)
        side, utc_ms = _SIDE[number], frames["utc_ms_of_week"]
        known = np.flatnonzero((side > 0) & np.isfinite(utc_ms))
        if not len(known) or sum(self.after.values()) > _MOST:
            return
        side, utc_ms = side[known], utc_ms[known] % _DAY_MS
        for mine, other, into, sign in ((2, 1, self.after, 1), (1, 2, self.before, -1)):
            seconds = _behind_s(side, utc_ms, mine, other, self._last.get(other, np.nan))
            into.update((sign * seconds).tolist())
        for one in (1, 2):
            here = np.flatnonzero(side == one)
            if len(here):
                self._last[one] = float(utc_ms[here[-1]])

    def off_s(self, leap_of_1013_s: int | None) -> int | None:
        """Seconds that GLONASS epochs lie ahead of where they should, if they do; None where they agree or none is sent.

        One second more or less is claimed only where 1013 says the same: the two may simply come in turn.
        """
        modes = []
        for counts in (self.after, self.before):
            total = sum(counts.values())
            if total < _LEAST:
                return None
            value, count = counts.most_common(1)[0]
            if count >= _SHARE * total:
                modes.append(value)
        if not modes or 0 in modes:
            return None
        allowed = {*_KNOWN_S} | ({abs(leap_of_1013_s - CURRENT_LEAP_S)} if leap_of_1013_s is not None else set())
        fitting = [value for value in modes if abs(value) in allowed]
        return fitting[0] if fitting else None


def _behind_s(
    side: NDArray[np.int64], utc_ms: NDArray[np.float64], mine: int, other: int, carried_ms: float
) -> NDArray[np.int64]:
    """Whole seconds from the newest epoch of ``other`` before it to each frame of ``mine``."""
    index = np.maximum.accumulate(np.where(side == other, np.arange(len(side)), -1))
    here = np.flatnonzero(side == mine)
    reference = np.where(index[here] >= 0, utc_ms[np.maximum(index[here], 0)], carried_ms)
    apart_ms = (utc_ms[here] - reference + _DAY_MS / 2) % _DAY_MS - _DAY_MS / 2
    return np.rint(apart_ms[np.isfinite(apart_ms)] / 1000.0).astype(np.int64)
