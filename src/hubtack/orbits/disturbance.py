"""Whether a base's antenna moved, from its own carrier phases: the change of phase over two seconds or more, satellite
by satellite, less what the satellites did, is the change of the receiver's clock and of the antenna's place.

A knocked tripod shows; slow creep does not: over minutes the atmosphere moves as much. A cycle slip is one satellite
that disagrees with all others and is thrown out. Receivers that steer their phases with the clock lose nothing, since
each constellation has its own clock here.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_to_geodetic, enu_rotation
from hubtack.orbits.book import NUMBERS, OrbitBook
from hubtack.orbits.displacement import Displacements, PhaseTable, displacements
from hubtack.orbits.ephemeris import Ephemeris
from hubtack.orbits.satellites import line_of_sight
from hubtack.orbits.signals import SPEED_OF_LIGHT_M_S

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PLAN_CLAIM_M, UP_CLAIM_M = 0.020, 0.040  # 16 satellites: 1 sigma 3 mm plan and 8 mm up
SPAN_S = 2.0
CONFIRM_S = 5.0  # the step must still be there, so that a swaying mast or one bad epoch is no claim
_SIGMAS = 5.0
_LONGEST_S = 30.0  # epochs kept; also how long a gap is bridged


@dataclass(frozen=True)
class Step:
    """A move of the antenna, (3,) east, north, up and its 1 sigma; ``satellites`` that agree on it.

    It happened after ``since_gpst_s`` and not later than ``t_gpst_s``.
    """

    t_gpst_s: float
    since_gpst_s: float
    offset_enu_m: Floats
    sigma_enu_m: Floats
    satellites: int
    confirmed_pos: int = -1  # byte at which the epoch that confirmed it ended, where that is known


class DisturbanceWatch:
    """Feeds on epochs of phases of one standing antenna and says when it moved; keeps the last 30 s."""

    def __init__(self, place_ecef_m: Floats) -> None:
        self.place_ecef_m = np.asarray(place_ecef_m, dtype=np.float64)
        lat, lon, _ = ecef_to_geodetic(self.place_ecef_m[None])
        self._turn = enu_rotation(lat, lon)[0]
        self._kept: PhaseTable | None = None
        self._pending: Step | None = None
        self.steps: deque[Step] = deque(maxlen=50)
        self.judged = 0
        self.last_sigma_enu_m: Floats = np.full(3, np.nan)

    def add(
        self,
        t_gpst_s: float,
        leap_s: float,
        ephemerides: Mapping[tuple[int, int], Ephemeris],
        system: Ints,
        satellite: Ints,
        signal: Ints,
        phase_range_m: Floats,
        pseudorange_m: Floats,
        lock_ms: Floats,
    ) -> Step | None:
        """Add one epoch, (N,) arrays a cell; returns a claimed step once it has been confirmed 5 s later.

        ``t_gpst_s`` counts on over the end of a week. Cells without ephemeris, phase or range are left out.
        """
        book = OrbitBook()
        row = book.table(ephemerides.values())[np.minimum(100 * system + satellite, NUMBERS - 1)]
        epoch, at = np.zeros(len(system), dtype=np.int64), np.array([t_gpst_s], dtype=np.float64)
        return self.add_many(reduced_phases(
            book, leap_s, self.place_ecef_m, at, epoch, row, signal, phase_range_m, pseudorange_m, lock_ms
        ))[0]  # fmt: skip

    def add_many(self, epochs: PhaseTable) -> list[Step | None]:
        """The same for epochs in order, reduced at ``place_ecef_m``: what one by one would give, in one stroke."""
        kept = self._kept
        n_kept = 0 if kept is None else len(kept)
        table = epochs if kept is None else kept.followed_by(epochs)
        t_s = table.t_s.tolist()
        begin = self._begin(t_s, n_kept)
        before = [self._newest(t_s, begin[k], k, t_s[k] - SPAN_S) for k in range(n_kept, len(t_s))]
        asks = np.array([(old, new) for new, old in enumerate(before, n_kept) if old >= 0], dtype=np.int64).reshape(
            -1, 2
        )
        found = displacements(table, asks[:, 0], asks[:, 1], self._turn)
        claimed = is_claimed(found)
        known = np.flatnonzero(found.known).tolist()
        of = {int(asks[p, 1]): p for p in known}
        out: list[Step | None] = []
        for k in range(n_kept, len(t_s)):
            if k == begin[k]:
                self._pending = None  # what came before a gap is forgotten
            if self._pending is not None:
                out.append(self._confirmed(table, t_s, begin[k], k))
                continue
            out.append(None)
            if k in of:
                self.judged += 1
                self.last_sigma_enu_m = found.sigma_enu_m[of[k]]
                if claimed[of[k]]:
                    self._pending = _step(table, asks[of[k]], found, of[k])
        self._kept = table.part(begin[-1] if begin else 0, len(t_s))
        return out

    def _begin(self, t_s: list[float], n_kept: int) -> list[int]:
        """Of each epoch the first one that is still remembered when it comes: within 30 s, and after any gap."""
        begin, first = [0] * n_kept, 0
        for k in range(n_kept, len(t_s)):
            if k and not 0.0 < t_s[k] - t_s[k - 1] < _LONGEST_S:
                first = k
            while t_s[k] - t_s[first] > _LONGEST_S:
                first += 1
            begin.append(first)
        return begin

    @staticmethod
    def _newest(t_s: list[float], first: int, k: int, until_s: float) -> int:
        """The newest epoch from ``first`` on and before ``k`` that is not later than ``until_s``; -1 for none."""
        return next((i for i in range(k - 1, first - 1, -1) if t_s[i] <= until_s + 1e-6), -1)

    def _confirmed(self, table: PhaseTable, t_s: list[float], first: int, k: int) -> Step | None:
        """Of a step that was seen, look back over it again five seconds later."""
        held = self._pending
        if held is None or t_s[k] - held.t_gpst_s < CONFIRM_S:
            return None
        self._pending = None
        before = self._newest(t_s, first, k, held.t_gpst_s - SPAN_S)
        if before < 0:
            return None
        pair = np.array([[before, k]])
        again = displacements(table, pair[:, 0], pair[:, 1], self._turn)
        if not is_claimed(again)[0]:
            return None
        step = replace(_step(table, pair[0], again, 0), t_gpst_s=held.t_gpst_s, since_gpst_s=held.since_gpst_s)
        self.steps.append(step)
        return step


def is_claimed(found: Displacements) -> NDArray[np.bool_]:
    """Which displacements (P,) are beyond 20 mm in plan or 40 mm in height, and beyond 5 sigma."""
    east, north, up = found.offset_enu_m.T
    sigma_east, sigma_north, sigma_up = found.sigma_enu_m.T
    plan = np.hypot(east, north) > np.maximum(PLAN_CLAIM_M, _SIGMAS * np.hypot(sigma_east, sigma_north))
    return np.asarray(found.known & (plan | (np.abs(up) > np.maximum(UP_CLAIM_M, _SIGMAS * sigma_up))))


def _step(table: PhaseTable, pair: Ints, found: Displacements, p: int) -> Step:
    since_s, t_s = table.t_s[pair].tolist()
    return Step(t_s, since_s, found.offset_enu_m[p], found.sigma_enu_m[p], int(found.satellites[p]))


def reduced_phases(
    book: OrbitBook,
    leap_s: float,
    place_ecef_m: Floats,
    t_gpst_s: Floats,
    epoch: Ints,
    row: Ints,
    signal: Ints,
    phase_range_m: Floats,
    pseudorange_m: Floats,
    lock_ms: Floats,
) -> PhaseTable:
    """Phases less geometric range and satellite clock: what is left is the receiver's clock and the ambiguity.

    Of E epochs with (N,) cells in their order; ``row`` is the ephemeris of each cell in ``book``, -1 for none. Cells
    without ephemeris, phase or range are left out.
    """
    book.settle()
    cells = np.flatnonzero((row >= 0) & np.isfinite(phase_range_m) & np.isfinite(pseudorange_m))
    epoch, mine = epoch[cells], row[cells]
    number = book.number[mine]
    key = epoch * NUMBERS + number
    present = np.zeros(len(t_gpst_s) * NUMBERS, dtype=bool)
    present[key] = True
    unique = np.flatnonzero(present)
    index = np.zeros(len(present), dtype=np.int64)
    index[unique] = np.arange(len(unique))
    index = index[key]
    range_m, row_of = np.full(len(unique), np.nan), np.zeros(len(unique), dtype=np.int64)
    range_m[index], row_of[index] = pseudorange_m[cells], mine
    sent_s = book.sent_at_s(row_of, t_gpst_s[unique // NUMBERS], range_m)
    states = book.states(row_of, sent_s, leap_s)
    sight = line_of_sight(states.pos_ecef_m, place_ecef_m)
    taken_off = sight.range_m - states.clock_s * SPEED_OF_LIGHT_M_S
    first = np.concatenate(([0], np.cumsum(np.bincount(epoch, minlength=len(t_gpst_s)))))
    return PhaseTable(t_gpst_s, first, number * 100 + signal[cells], phase_range_m[cells] - taken_off[index],
                      sight.unit_ecef[index], sight.elevation_rad[index], lock_ms[cells])  # fmt: skip
