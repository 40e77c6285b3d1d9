"""One door for the session: feed it what the decoder gives, ask it where the base is and what its sky looks like.

Pure: no clock, no files. It needs a decoder made with ``observables=True`` and ``keep_payloads=EPHEMERIS_MESSAGES``.
Each answer is a result or a ``CannotTell`` that says what is missing; nothing is guessed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import STATION_COLUMNS, Decoded, Rows
from hubtack.geo import ecef_to_geodetic
from hubtack.knowledge.leap_seconds import CURRENT_LEAP_S
from hubtack.orbits import atmosphere
from hubtack.orbits.answers import CannotTell, contradiction, why_no_position
from hubtack.orbits.book import NUMBERS, OrbitBook, by_number, numbers
from hubtack.orbits.cells import Cells, Ended, EpochSieve, Frames, Wanted
from hubtack.orbits.disturbance import DisturbanceWatch, Step, reduced_phases
from hubtack.orbits.ephemeris import Ephemeris, EphemerisStore
from hubtack.orbits.layouts import EPHEMERIS_MESSAGES
from hubtack.orbits.misplacement import BasePositionResult, compare, is_misplaced
from hubtack.orbits.ranges import ranges_of
from hubtack.orbits.single_point import PointSolution, solve_epochs
from hubtack.orbits.sky import SKY_EVERY_S, SatelliteView, SkyTally, directions, view_of
from hubtack.orbits.static import StaticAverage, StaticPosition

__all__ = ["EPHEMERIS_MESSAGES", "BasePositionResult", "BaseWatcher", "CannotTell"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# (until so long after the first, one solution so often). Multipath is alike for a minute; later only a change of the
# sky brings anything new. [s]
SOLVE_EVERY_S = ((60.0, 15.0), (600.0, 60.0), (3600.0, 300.0), (np.inf, 900.0))
_LEAST_TO_CLAIM = 3  # epochs: half a minute of them
_WAITING = 40  # epochs kept until the ephemerides that follow them arrive
_SAME_ARP_M = 1.0
_MOST_SCALE = 4.0  # root of chi squared over degrees of freedom; sound streams give 0.3 to 1.3
_PLACED_SIGMA_M = 5.0  # the place that phases are reduced at; 5 m off feign 7 mm in 10 s
_NEAR_S = 60.0  # the nearest ephemeris is looked for once a minute
_WIDE = 8.0  # how far beyond its validity an ephemeris still tells where a satellite stands
_MOST_ROWS = 4000  # ephemerides in the book, of 20 kB each with their nodes
_NO_ROWS: tuple[list[Ephemeris], Ints, Ints] = ([], np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
_SAID = [STATION_COLUMNS.index(name) for name in ("station_id", "x_m", "y_m", "z_m", "computed")]


@dataclass(frozen=True, slots=True)
class _Due:
    """An epoch to work on, with the ephemerides that were there when it ended: rows of the book by satellite."""

    epoch: Ended
    near: Ints
    wide: Ints | None


class BaseWatcher:
    """Watches one base (or one rover that puts out MSM) through its stream.

    Parameters
    ----------
    leap_s : float
        GPS time less UTC, the same that the decoder uses.
    phase_every_s : float
        Look at the phases that often for moves of the antenna (``disturbances``); 0 for every epoch, infinity never.
        Every 10 s costs a third of a second in an hour of stream.
    klobuchar : two tuples of four floats, optional
        Broadcast ionosphere coefficients, where a navigation file gave them.
    """

    def __init__(
        self,
        *,
        leap_s: float = float(CURRENT_LEAP_S),
        phase_every_s: float = 0.0,
        klobuchar: tuple[tuple[float, ...], tuple[float, ...]] | None = None,
    ) -> None:
        self.leap_s = leap_s
        self.ephemerides = EphemerisStore()
        self.sky_tally = SkyTally()
        self._alpha, self._beta = klobuchar or (atmosphere.NOMINAL_ALPHA, atmosphere.NOMINAL_BETA)
        self._phase_every_s = phase_every_s
        self._arp: Floats | None = None
        self._computed = False
        self._station: float = float("nan")
        self._sieve = EpochSieve(leap_s, self._wants)
        self._first_solve_s = self._last_solve_s = self._last_sky_s = self._last_phase_s = -np.inf
        self._due: list[_Due] = []
        self._said: tuple[float, ...] = (float("nan"),) * len(_SAID)  # the newest base position, as it came
        self._book = OrbitBook()
        self._found: tuple[tuple[int, float], Ints, Ints] | None = None
        self._rows_of: tuple[list[Ephemeris], Ints, Ints] = _NO_ROWS
        self.tracked: frozenset[tuple[int, int]] = frozenset()  # (system, satellite) of the newest look at the sky
        self.cn0_dbhz: dict[tuple[int, int], float] = {}  # strongest signal of each, then
        self._fresh()
        self._steps: deque[Step] = deque(maxlen=50)
        self.claimed_at: list[int] = []  # bytes at which a broadcast position was found wrong; whoever reads may clear
        self._saw_ranges = self._saw_cells = False

    def _fresh(self) -> None:
        """Begin a new average: another base, or the same one set up again."""
        self._average = StaticAverage()
        self._waiting: deque[Ended] = deque(maxlen=_WAITING)
        # Where the first solution was: all others start there, and the sky is looked at from there. It does not depend
        # on how much is worked on at once.
        self._start: Floats | None = None
        self._phases: DisturbanceWatch | None = None
        self._first_solve_s = -np.inf
        self._sieve.next_s = -np.inf
        self._claimed = False

    def add_ephemerides(self, ephemerides: Iterable[Ephemeris]) -> None:
        """Take ephemerides from elsewhere (a navigation file, another stream)."""
        for ephemeris in ephemerides:
            self.ephemerides.add(ephemeris)
        self._retry()

    def feed(self, decoded: Decoded) -> list[Step]:
        """Take one stretch of decoded frames; returns moves of the antenna that it confirmed.

        Frames must come in the order of their time. The last epoch stays open until a later one or ``close``. What
        the stretch holds is taken in the order of its bytes, so that any cut of a stream gives the same answers.
        """
        if len(self._book) > _MOST_ROWS:
            self._book, self._found, self._rows_of = OrbitBook(), None, _NO_ROWS
        frames = Frames.of(decoded)
        self._read = 0
        steps: list[Step] = []
        at = 0
        for i in self._telling(decoded.stations):
            pos = int(decoded.stations.pos[i])
            upto = int(np.searchsorted(frames.pos, pos))
            self._sift(decoded, frames.take(slice(at, upto)))
            self._read_until(decoded, pos)
            steps += self._station_row(decoded, i)
            at = upto
        self._sift(decoded, frames.take(slice(at, None)))
        self._read_until(decoded, None)
        return [*steps, *self._work()]

    def _telling(self, rows: Rows) -> list[int]:
        """Rows of base positions that say something new: mostly it is the same again."""
        if not len(rows):
            return []
        arp = np.flatnonzero(rows["type"] != 1032.0)
        said = rows.values[arp][:, _SAID]
        changed = np.any(said != np.concatenate(([self._said], said[:-1])), axis=1) if len(arp) else arp > 0
        physical = np.flatnonzero(rows["type"] == 1032.0) if not self._computed else arp[:0]
        return sorted((*arp[changed].tolist(), *physical.tolist()))

    def _sift(self, decoded: Decoded, frames: Frames) -> None:
        """Put the epochs that end in a stretch of frames on the list."""
        if self._station == self._station:
            mine = frames.station == self._station
            frames = frames if mine.all() else frames.take(np.flatnonzero(mine))
        for frame, epoch in self._sieve.sift(decoded, frames):
            self._read_until(decoded, int(frames.pos[frame]))
            self._take(epoch)

    def _read_until(self, decoded: Decoded, pos: int | None) -> None:
        """Take the ephemerides that stand up to a byte."""
        payloads = decoded.payloads
        while self._read < len(payloads) and (pos is None or payloads[self._read][0] <= pos):
            _, _, number, payload = payloads[self._read]
            if number in EPHEMERIS_MESSAGES:
                self.ephemerides.add_payloads((payload,))
            self._read += 1

    def close(self) -> list[Step]:
        """End of input: use the open epoch as well."""
        self._take(self._sieve.close())
        steps = self._work()
        self._retry()
        return steps

    def _station_row(self, decoded: Decoded, i: int) -> list[Step]:
        """The broadcast position; a new one, or a new station, begins a new average."""
        rows = decoded.stations
        if rows["type"][i] == 1032.0:
            self._computed = True  # it names the physical base behind a computed one
            return []
        self._said = tuple(rows.values[i][_SAID].tolist())
        station, x, y, z, computed = self._said
        arp = np.array([x, y, z])
        if not np.linalg.norm(arp) > 1e6:  # also zeros: a base that has no position yet
            return []
        first = self._arp is None
        changed = not first and (station != self._station or float(np.linalg.norm(arp - self._arp)) > _SAME_ARP_M)
        steps = []
        if changed:
            self._take(self._sieve.close())
        if changed or first:
            steps = self._work()  # what came before is not measured against this position
        if changed:
            self._fresh()
        self._arp, self._station = arp, station
        self._computed = computed == 1.0 or (self._computed and not changed)
        if first:
            self._claim(int(rows.pos[i]))
        return steps

    # Epochs --------------------------------------------------------------------------------------------------------

    def _wants(self, t_s: float) -> Wanted:
        """What is due at this epoch."""
        self._saw_cells = True
        since_s = t_s - self._first_solve_s
        every_s = next(every for until, every in SOLVE_EVERY_S if not since_s >= until) if since_s < np.inf else 0.0
        solve = abs(t_s - self._last_solve_s) >= every_s - 1e-3
        phases = abs(t_s - self._last_phase_s) >= self._phase_every_s - 1e-3 and np.isfinite(self._phase_every_s)
        look = abs(t_s - self._last_sky_s) >= SKY_EVERY_S - 1e-3
        if solve:
            self._last_solve_s = t_s
            self._first_solve_s = t_s if self._first_solve_s == -np.inf else self._first_solve_s
        if phases:
            self._last_phase_s = t_s
        if look:
            self._last_sky_s = t_s
        since_s = t_s - self._first_solve_s
        every_s = next(every for until, every in SOLVE_EVERY_S if not since_s >= until)
        self._sieve.next_s = min(
            self._last_solve_s + every_s, self._last_phase_s + self._phase_every_s, self._last_sky_s + SKY_EVERY_S
        ) - 1e-3  # fmt: skip
        return Wanted(solve, bool(phases), look)

    def _take(self, epoch: Ended | None) -> None:
        """Put an epoch that has ended on the list, with the ephemerides of now."""
        if epoch is None:
            return
        near, wide = self._nearest(epoch.t_s)
        self._due.append(_Due(epoch, near, wide if epoch.wanted.look else None))

    def _nearest(self, t_s: float) -> tuple[Ints, Ints]:
        """Ephemerides nearest to the minute, and of longer ago; looked for anew when minute or store has changed."""
        key = (self.ephemerides.version, round(t_s / _NEAR_S) * _NEAR_S)
        if self._found is None or self._found[0] != key:
            every, (near, wide) = self.ephemerides.nearest_many(key[1], self.leap_s, (1.0, _WIDE))
            if self._rows_of[0] is not every:
                self._rows_of = (every, numbers(every), self._book.rows(every))
            _, number, rows = self._rows_of
            self._found = (key, by_number(number[near], rows[near]), by_number(number[wide], rows[wide]))
        return self._found[1:]

    def _work(self) -> list[Step]:
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
        self._saw_ranges = True
        solving = [k for k, item in enumerate(due) if item.epoch.wanted.solve]
        solutions = dict(zip(solving, self._solutions(due, cells, solving), strict=True))
        moving: list[int] = []
        looks: list[int] = []
        for k, item in enumerate(due):
            if item.epoch.wanted.solve:
                if not self._note(solutions[k], item.epoch.t_s):
                    self._waiting.append(item.epoch.held())
                elif self._waiting:
                    self._retry(item.near)
                self._claim(item.epoch.end_pos)
            if item.wide is not None and self._average.epochs:
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
            self._book, self.leap_s, t_s, cells.of, self._rows(cells, [item.near for item in due]),
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
        self._average.add(solution, t_s)
        return True

    def _claim(self, pos: int) -> None:
        """Note once for each broadcast position that it is found wrong, and at which byte; networks are exempt."""
        if self._claimed or self._arp is None or self._computed or self._average.epochs < _LEAST_TO_CLAIM:
            return
        measured = self._average.result()
        if measured is not None and measured.scale <= _MOST_SCALE and is_misplaced(self._arp, measured):
            self._claimed = True
            self.claimed_at.append(pos)

    def _retry(self, near: Ints | None = None) -> None:
        """Epochs that came before their ephemerides, with those of a later epoch or with all there are now."""
        waiting, self._waiting = list(self._waiting), deque(maxlen=_WAITING)
        for epoch in waiting:
            if near is None:
                mine = self._book.table(self.ephemerides.nearest(epoch.t_s, self.leap_s).values())
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
        azimuth, elevation = directions(self._book, row, at_s[look], self.leap_s, self._start)
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
        if self._phases is None:
            measured = self._average.result()
            if measured is None or not float(measured.sigma_enu_m.max()) < _PLACED_SIGMA_M:
                return False
            self._phases = DisturbanceWatch(measured.pos_ecef_m)
        return True

    def _move(self, due: list[_Due], cells: Cells, moving: list[int]) -> list[Step]:
        if not moving or self._phases is None:
            return []
        mine, epochs = cells.picked(moving, len(due)), [due[k] for k in moving]
        reduced = reduced_phases(
            self._book, self.leap_s, self._phases.place_ecef_m, np.array([item.epoch.t_s for item in epochs]), mine.of,
            self._rows(mine, [item.near for item in epochs]), mine.ints("signal"), mine["phase_range_m"],
            mine["pseudorange_m"], mine["lock_ms"],
        )  # fmt: skip
        found = zip(self._phases.add_many(reduced), epochs, strict=True)
        steps = [replace(step, confirmed_pos=item.epoch.end_pos) for step, item in found if step is not None]
        self._steps.extend(steps)
        return steps

    # Answers -------------------------------------------------------------------------------------------------------

    def measured(self) -> StaticPosition | CannotTell:
        """The antenna's own averaged position, or why there is none."""
        position = self._average.result()
        if position is not None and position.scale > _MOST_SCALE:
            return contradiction(position.scale)
        if position is not None:
            return position
        return why_no_position(
            saw_cells=self._saw_cells, saw_ranges=self._saw_ranges, ephemerides=len(self.ephemerides)
        )

    def result(
        self,
        *,
        geoid_separation_m: float | None = None,
        marks_ecef_m: Mapping[str, Floats] | None = None,
    ) -> BasePositionResult | CannotTell:
        """Broadcast against measured position, or why that cannot be told. May be asked at any time."""
        measured = self.measured()
        if isinstance(measured, CannotTell):
            return measured
        if self._arp is None:
            return CannotTell(
                "no_position", "the stream carries no base position (1005 or 1006)", "switch on 1005 at the base"
            )
        return compare(
            self._arp, measured, computed_base=self._computed, geoid_separation_m=geoid_separation_m,
            marks_ecef_m=marks_ecef_m,
        )  # fmt: skip

    @property
    def revision(self) -> tuple[int, int, int, tuple[float, ...]]:
        """Changes whenever an answer may have changed."""
        judged = self._phases.judged if self._phases is not None else 0
        return self._average.epochs, judged // 30, self.ephemerides.version, self._said

    @property
    def t_gpst_s(self) -> float:
        """Time of the newest epoch, in seconds of the GPS week that count on over its end; NaN before the first."""
        return self._sieve.t_s

    @property
    def disturbances(self) -> list[Step]:
        """Confirmed moves of the antenna, newest last (50 at most)."""
        return list(self._steps)

    def disturbance_limit(self) -> str:
        """What the phases can and cannot show, in a sentence."""
        if self._phases is None or not self._phases.judged:
            return "Moves of the base's antenna cannot be seen: no ephemerides, too few satellites or no phases."
        plan_mm = 1e3 * float(np.hypot(*self._phases.last_sigma_enu_m[:2]))
        up_mm = 1e3 * float(self._phases.last_sigma_enu_m[2])
        return (
            f"A knock of over {max(20.0, 5 * plan_mm):.0f} mm in plan or {max(40.0, 5 * up_mm):.0f} mm in height would "
            f"be seen; slow creep is not (1 sigma {plan_mm:.1f} mm plan, {up_mm:.1f} mm up)."
        )

    def view(self, t_gpst_s: float | None = None) -> SatelliteView | None:
        """Every satellite with an ephemeris as seen from the base at a time (default: the last epoch)."""
        place = self.place_ecef_m
        t = self._sieve.t_s if t_gpst_s is None else t_gpst_s
        if place is None or not np.isfinite(t):
            return None
        return view_of(self.ephemerides.nearest(t, self.leap_s, longest_age_factor=8.0), t, self.leap_s, place)

    @property
    def place_ecef_m(self) -> Floats | None:
        """Where the base is taken to be: measured, else broadcast, else None."""
        measured = self._average.result()
        return measured.pos_ecef_m if measured is not None else self._arp

    @property
    def broadcast_geodetic(self) -> tuple[float, float, float] | None:
        """Latitude, longitude [deg] and ellipsoidal height [m] of the broadcast position."""
        if self._arp is None:
            return None
        lat, lon, h = ecef_to_geodetic(self._arp[None])
        return float(lat[0]), float(lon[0]), float(h[0])
