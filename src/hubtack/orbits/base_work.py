"""What is worked out of the epochs of a base that are due: its position, moves of its antenna, its sky.

Epochs come one by one with the ephemerides that were there when they ended, and are worked on together. What each
gives depends on what came before it in the stream, never on how many are worked on at once.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hubtack.orbits.book import NUMBERS, OrbitBook, by_number, numbers
from hubtack.orbits.cells import Cells, Ended
from hubtack.orbits.disturbance import DisturbanceWatch, Step, reduced_phases
from hubtack.orbits.ephemeris import Ephemeris, EphemerisStore
from hubtack.orbits.misplacement import is_misplaced
from hubtack.orbits.ranges import ranges_of
from hubtack.orbits.single_point import PointSolution, solve_epochs
from hubtack.orbits.sky import SatelliteView, SkyTally, directions
from hubtack.orbits.static import StaticAverage

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_SCALE = 4.0  # root of chi squared over degrees of freedom; sound streams give 0.3 to 1.3
_LEAST_TO_CLAIM = 3  # epochs: half a minute of them
_WAITING = 40  # epochs kept until the ephemerides that follow them arrive
_PLACED_SIGMA_M = 5.0  # the place that phases are reduced at; 5 m off feign 7 mm in 10 s
_NEAR_S = 60.0  # the nearest ephemeris is looked for once a minute
WIDE = 8.0  # how far beyond its validity an ephemeris still tells where a satellite stands
_MOST_ROWS = 1500  # ephemerides in the book, of up to 7 kB each with their nodes
_NO_ROWS: tuple[list[Ephemeris], Ints, Ints] = ([], np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))


@dataclass(frozen=True, slots=True)
class _Due:
    """An epoch to work on, with the ephemerides that were there when it ended: rows of the book by satellite."""

    epoch: Ended
    near: Ints
    wide: Ints | None


class BaseWork:
    """Figures of one base.

    ``arp`` is its broadcast position (Earth-centred), ``computed`` whether a network computes it; whoever reads the
    stream sets both. ``claimed_at`` are the bytes at which a broadcast position was found wrong.
    """

    def __init__(
        self, leap_s: float, ephemerides: EphemerisStore, alpha: tuple[float, ...], beta: tuple[float, ...]
    ) -> None:
        self._leap_s, self._ephemerides, self._alpha, self._beta = leap_s, ephemerides, alpha, beta
        self.arp: Floats | None = None
        self.computed = False
        self.sky_tally = SkyTally()
        self.tracked: frozenset[tuple[int, int]] = frozenset()
        self.cn0_dbhz: dict[tuple[int, int], float] = {}
        self.claimed_at: list[int] = []
        self.saw_ranges = False
        self._due: list[_Due] = []
        self._book = OrbitBook()
        self._found: tuple[tuple[int, float], Ints, Ints] | None = None
        self._rows_of: tuple[list[Ephemeris], Ints, Ints] = _NO_ROWS
        self.fresh()

    def fresh(self) -> None:
        """Begin a new average: another base, or the same one set up again."""
        self.average = StaticAverage()
        self.phases: DisturbanceWatch | None = None
        self._waiting: deque[Ended] = deque(maxlen=_WAITING)
        # Where the first solution was: all others start there, and the sky is looked at from there. It does not depend
        # on how much is worked on at once.
        self._start: Floats | None = None
        self._claimed = False

    def take(self, epoch: Ended) -> None:
        """Put an epoch that has ended on the list, with the ephemerides of now."""
        if not self._due and len(self._book) > _MOST_ROWS:  # nobody holds a row of it now
            self._book, self._found, self._rows_of = OrbitBook(), None, _NO_ROWS
        near, wide = self._nearest(epoch.t_s)
        self._due.append(_Due(epoch, near, wide if epoch.wanted.look else None))

    def _nearest(self, t_s: float) -> tuple[Ints, Ints]:
        """Ephemerides nearest to the minute, and of longer ago; looked for anew when minute or store has changed."""
        key = (self._ephemerides.version, round(t_s / _NEAR_S) * _NEAR_S)
        if self._found is None or self._found[0] != key:
            every, (near, wide) = self._ephemerides.nearest_many(key[1], self._leap_s, (1.0, WIDE))
            if self._rows_of[0] is not every:
                self._rows_of = (every, numbers(every), self._book.rows(every))
            _, number, rows = self._rows_of
            self._found = (key, by_number(number[near], rows[near]), by_number(number[wide], rows[wide]))
        return self._found[1:]

    def work(self) -> list[Step]:
        """Do all that is due: first the positions in order, then what rests on them."""
        due, self._due = self._due, []
        if not due:
            return []
        cells = Cells.joined([item.epoch for item in due])
        ranged = np.bincount(cells.of, np.isfinite(cells["pseudorange_m"]), len(due)) > 0
        if not ranged.all():  # MSM1 to MSM3, for one, hold no whole ranges
            kept = np.flatnonzero(ranged).tolist()
            due, cells = [due[k] for k in kept], cells.picked(kept, len(due))
        if not due:
            return []
        self.saw_ranges = True
        solving = [k for k, item in enumerate(due) if item.epoch.wanted.solve]
        solutions = dict(zip(solving, self._solutions(due, cells, solving), strict=True))
        moving: list[int] = []
        looks: list[int] = []
        for k, item in enumerate(due):
            if item.epoch.wanted.solve:
                if not self._note(solutions[k], item.epoch.t_s):
                    self._waiting.append(item.epoch.held())
                elif self._waiting:
                    self.retry(item.near)
                self.claim(item.epoch.end_pos)
            if item.wide is not None and self.average.epochs:
                looks.append(k)
            if item.epoch.wanted.phases and self._is_placed():
                moving.append(k)
        self._look(due, cells, looks)
        return self._move(due, cells, moving)

    def _rows(self, cells: Cells, near: list[Ints]) -> Ints:
        """Row in the book of each cell's ephemeris, by the tables of its epochs; -1 for none."""
        place: dict[int, int] = {}
        which = np.array([place.setdefault(id(table), len(place)) for table in near], dtype=np.int64)
        tables = np.stack(list({id(table): table for table in near}.values()))
        number = np.minimum(100 * cells.ints("system") + cells.ints("satellite"), NUMBERS - 1)
        return np.asarray(tables[which[cells.of], number])

    # Positions -----------------------------------------------------------------------------------------------------

    def _solutions(self, due: list[_Due], cells: Cells, solving: list[int]) -> list[PointSolution | None]:
        """Positions of epochs of the list: one by one until there is one to start from, then all at once."""
        out: list[PointSolution | None] = []
        while self._start is None and len(out) < len(solving):
            out += self._solved([due[solving[len(out)]]], cells.picked(solving[len(out) : len(out) + 1], len(due)))
        rest = solving[len(out) :]
        if rest:
            out += self._solved([due[k] for k in rest], cells.picked(rest, len(due)))
        return out

    def _solved(self, due: list[_Due], cells: Cells) -> list[PointSolution | None]:
        t_s = np.array([item.epoch.t_s for item in due])
        ranges = ranges_of(
            self._book, self._leap_s, t_s, cells.of, self._rows(cells, [item.near for item in due]),
            cells.ints("system"), cells.ints("satellite"), cells.ints("signal"), cells["pseudorange_m"],
            cells.ints("glonass_channel"),
        )  # fmt: skip
        found = solve_epochs(ranges, alpha=self._alpha, beta=self._beta, start=self._start)
        if self._start is None:
            self._start = next((one.pos_ecef_m for one in found if one is not None), None)
        return found

    def _note(self, solution: PointSolution | None, t_s: float) -> bool:
        """Single-point solution of an epoch into the average; False without one."""
        if solution is None:
            return False
        self.average.add(solution, t_s)
        return True

    def claim(self, pos: int) -> None:
        """Note once for each broadcast position that it is found wrong, and at which byte; networks are exempt."""
        if self._claimed or self.arp is None or self.computed or self.average.epochs < _LEAST_TO_CLAIM:
            return
        measured = self.average.result()
        if measured is not None and measured.scale <= MOST_SCALE and is_misplaced(self.arp, measured):
            self._claimed = True
            self.claimed_at.append(pos)

    def retry(self, near: Ints | None = None) -> None:
        """Epochs that came before their ephemerides, with those of a later epoch or with all there are now."""
        waiting, self._waiting = list(self._waiting), deque(maxlen=_WAITING)
        for epoch in waiting:
            if near is None:
                mine = self._book.table(self._ephemerides.nearest(epoch.t_s, self._leap_s).values())
            else:
                mine = near
            if not self._note(self._solved([_Due(epoch, mine, None)], Cells.joined([epoch]))[0], epoch.t_s):
                self._waiting.append(epoch)

    # The sky and moves of the antenna --------------------------------------------------------------------------------

    def _look(self, due: list[_Due], cells: Cells, looks: list[int]) -> None:
        """Count the satellites of the epochs that are looks at the sky."""
        if not looks or self._start is None:
            return
        seen = [np.flatnonzero(wide >= 0) for k in looks if (wide := due[k].wide) is not None]
        look = np.repeat(np.arange(len(looks)), [len(one) for one in seen])
        number = np.concatenate(seen)
        row = np.concatenate([wide[wide >= 0] for k in looks if (wide := due[k].wide) is not None])
        at_s = np.array([due[k].epoch.t_s for k in looks])
        azimuth, elevation = directions(self._book, row, at_s[look], self._leap_s, self._start)
        view = SatelliteView(number // 100, number % 100, azimuth, elevation, self._book.healthy[row])
        heard = cells.picked(looks, len(due))
        system, satellite, cn0 = heard.ints("system"), heard.ints("satellite"), heard["cn0_dbhz"]
        self.sky_tally.add_many(len(looks), look, view, heard.of, system, satellite, cn0)
        newest = heard.of == len(looks) - 1
        pairs = zip(system[newest].tolist(), satellite[newest].tolist(), strict=True)
        self.cn0_dbhz = {}
        for key, value in zip(pairs, cn0[newest].tolist(), strict=True):
            self.cn0_dbhz[key] = max(self.cn0_dbhz.get(key, -1.0), value if value == value else -1.0)
        self.tracked = frozenset(self.cn0_dbhz)

    def _is_placed(self) -> bool:
        """Whether it is known where to reduce phases: at the measured place, where the broadcast one may be wrong."""
        if self.phases is None:
            measured = self.average.result()
            if measured is None or not float(measured.sigma_enu_m.max()) < _PLACED_SIGMA_M:
                return False
            self.phases = DisturbanceWatch(measured.pos_ecef_m)
        return True

    def _move(self, due: list[_Due], cells: Cells, moving: list[int]) -> list[Step]:
        if not moving or self.phases is None:
            return []
        mine, epochs = cells.picked(moving, len(due)), [due[k] for k in moving]
        reduced = reduced_phases(
            self._book, self._leap_s, self.phases.place_ecef_m, np.array([item.epoch.t_s for item in epochs]), mine.of,
            self._rows(mine, [item.near for item in epochs]), mine.ints("signal"), mine["phase_range_m"],
            mine["pseudorange_m"], mine["lock_ms"],
        )  # fmt: skip
        found = zip(self.phases.add_many(reduced), epochs, strict=True)
        steps = [replace(step, confirmed_pos=item.epoch.end_pos) for step, item in found if step is not None]
        return steps
