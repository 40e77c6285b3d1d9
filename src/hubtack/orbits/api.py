"""One door for the session: feed it what the decoder gives, ask it where the base is and what its sky looks like.

Pure: no clock, no files. It needs a decoder made with ``observables=True`` and ``keep_payloads=EPHEMERIS_MESSAGES``.
Each answer is a result or a ``CannotTell`` that says what is missing; nothing is guessed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Decoded
from hubtack.geo import ecef_to_geodetic
from hubtack.knowledge.leap_seconds import CURRENT_LEAP_S
from hubtack.orbits import atmosphere
from hubtack.orbits.disturbance import DisturbanceWatch, Step
from hubtack.orbits.ephemeris import DAY_S, WEEK_S, Ephemeris, EphemerisStore
from hubtack.orbits.layouts import EPHEMERIS_MESSAGES
from hubtack.orbits.misplacement import BasePositionResult, compare
from hubtack.orbits.single_point import PointSolution, ranges_of_epoch, solve_epoch
from hubtack.orbits.sky import SKY_EVERY_S, SatelliteView, SkyTally, view_of
from hubtack.orbits.static import StaticAverage, StaticPosition

__all__ = ["EPHEMERIS_MESSAGES", "BasePositionResult", "BaseWatcher", "CannotTell"]

Floats = NDArray[np.float64]

# Pseudoranges are alike from second to second; after five minutes only a change of the sky brings anything new.
SOLVE_EVERY_S, SOLVE_LATER_EVERY_S, _OFTEN = 5.0, 60.0, 60
_WAITING = 40  # epochs kept until the ephemerides that follow them arrive
_SAME_ARP_M = 1.0
_MOST_SCALE = 4.0  # root of chi squared over degrees of freedom; sound streams give 0.3 to 1.3
_CELL_COLUMNS = ("system", "satellite", "signal", "pseudorange_m", "phase_range_m", "lock_ms", "cn0_dbhz",
                 "glonass_channel")  # fmt: skip
_DAY_ONLY = frozenset((1009, 1010, 1011, 1012))


@dataclass(frozen=True)
class CannotTell:
    """Why there is no answer: a code (``no_position``, ``no_ephemerides``, ...), a sentence, and what would help."""

    code: str
    reason: str
    next_step: str


@dataclass(frozen=True)
class _Cells:
    """Cells of one epoch, (N,) columns by name."""

    t_s: float
    columns: dict[str, Floats]

    def ints(self, name: str) -> NDArray[np.int64]:
        """A column of whole numbers; 99 for unknown."""
        values = self.columns[name]
        return np.where(np.isfinite(values), values, 99.0).astype(np.int64)


def _fullest(t_s: float, parts: list[dict[str, Floats]]) -> _Cells:
    """Cells of an epoch, of each constellation those of its fullest message alone.

    A base may send one epoch twice, as 1004 and MSM4 or as MSM6 and MSM7, and the two need not share a receiver
    clock: they lie 108 km apart in one recorded stream.
    """
    columns = {name: np.concatenate([part[name] for part in parts]) for name in (*_CELL_COLUMNS, "type")}
    system = columns["system"].astype(np.int64)
    best = np.zeros(8)
    np.maximum.at(best, system, columns["type"])
    keep = columns["type"] == best[system]
    return _Cells(t_s, {name: values[keep] for name, values in columns.items()})


class BaseWatcher:
    """Watches one base (or one rover that puts out MSM) through its stream.

    Parameters
    ----------
    leap_s : float
        GPS time less UTC, the same that the decoder uses.
    phase_every_s : float
        Look at the phases that often for moves of the antenna (``disturbances``); 0 for every epoch, infinity never.
        An epoch costs some milliseconds, so that a day's log is better looked at every 10 s.
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
        self._open: list[tuple[float, dict[str, Floats]]] = []
        self._t_s = float("nan")
        self._last_solve_s = self._last_sky_s = self._last_phase_s = -np.inf
        self._fresh()
        self._phases: DisturbanceWatch | None = None
        self._saw_ranges = self._saw_cells = False

    def _fresh(self) -> None:
        """Begin a new average: another base, or the same one set up again."""
        self._average = StaticAverage()
        self._waiting: deque[_Cells] = deque(maxlen=_WAITING)
        self._latest: PointSolution | None = None
        self._phases = None

    def add_ephemerides(self, ephemerides: Iterable[Ephemeris]) -> None:
        """Take ephemerides from elsewhere (a navigation file, another stream)."""
        for ephemeris in ephemerides:
            self.ephemerides.add(ephemeris)

    def feed(self, decoded: Decoded) -> list[Step]:
        """Take one stretch of decoded frames; returns moves of the antenna that it confirmed.

        Frames must come in the order of their time. The last epoch stays open until a later one or ``close``.
        """
        self.ephemerides.add_payloads(p for _, _, number, p in decoded.payloads if number in EPHEMERIS_MESSAGES)
        self._stations(decoded)
        steps: list[Step] = []
        for t_s, columns in self._epochs_in(decoded):
            if self._open and abs(t_s - self._open[0][0]) > 1e-4:
                steps += self._close_epoch()
            self._open.append((t_s, columns))
        return steps

    def close(self) -> list[Step]:
        """End of input: use the open epoch as well."""
        return self._close_epoch() if self._open else []

    def _stations(self, decoded: Decoded) -> None:
        """The broadcast position; a new one, or a new station, begins a new average."""
        rows = decoded.stations
        for i in range(len(rows)):
            if int(rows["type"][i]) not in (1005, 1006):
                self._computed = True  # 1032 names the physical base behind a computed one
                continue
            arp = np.array([rows["x_m"][i], rows["y_m"][i], rows["z_m"][i]])
            if not np.linalg.norm(arp) > 1e6:  # also zeros: a base that has no position yet
                continue
            station = float(rows["station_id"][i])
            changed = self._arp is not None and (
                station != self._station or float(np.linalg.norm(arp - self._arp)) > _SAME_ARP_M
            )
            if changed:
                self._fresh()
            self._arp, self._station = arp, station
            self._computed = bool(rows["computed"][i] == 1.0) or (self._computed and not changed)

    def _epochs_in(self, decoded: Decoded) -> list[tuple[float, dict[str, Floats]]]:
        """Cells of the stretch by epoch, in order, with unwrapped GPS time."""
        cells, frames = decoded.satellites, decoded.frames
        if not len(cells):
            return []
        frame = cells["frame"].astype(np.int64)
        utc_ms, kind, station = frames["utc_ms_of_week"][frame], frames["type"][frame], frames["station_id"][frame]
        good = np.isfinite(utc_ms)
        if np.isfinite(self._station):
            good &= station == self._station
        out = []
        # Runs of frames of one time: a base's frames of an epoch stand together.
        starts = np.flatnonzero(np.concatenate(([True], np.diff(frame) != 0)))
        ends = np.concatenate((starts[1:], [len(frame)]))
        for a, b in zip(starts.tolist(), ends.tolist(), strict=True):
            if not good[a]:
                continue
            t_s = self._unwrapped(float(utc_ms[a]) / 1e3 + self.leap_s, DAY_S if int(kind[a]) in _DAY_ONLY else WEEK_S)
            columns = {name: cells[name][a:b] for name in _CELL_COLUMNS}
            out.append((t_s, {**columns, "type": np.full(b - a, kind[a])}))
        return out

    def _unwrapped(self, t_s: float, period_s: float) -> float:
        """Time of week (or day) continued from the epoch before, so that it never jumps back by a week."""
        if np.isfinite(self._t_s):
            t_s = self._t_s + (t_s - self._t_s + period_s / 2.0) % period_s - period_s / 2.0
        elif period_s == DAY_S:
            return t_s  # the day is not known yet, and only GLONASS depends on it
        self._t_s = round(t_s, 4)
        return self._t_s

    def _close_epoch(self) -> list[Step]:
        """Work on the epoch that has ended, where anything is due."""
        parts, self._open = self._open, []
        t_s = parts[0][0]
        self._saw_cells = True
        every_s = SOLVE_EVERY_S if self._average.epochs < _OFTEN else SOLVE_LATER_EVERY_S
        solve = abs(t_s - self._last_solve_s) >= every_s - 1e-3
        phases = abs(t_s - self._last_phase_s) >= self._phase_every_s - 1e-3 and np.isfinite(self._phase_every_s)
        if not (solve or phases):
            return []
        cells = _fullest(t_s, [columns for _, columns in parts])
        if not np.isfinite(cells.columns["pseudorange_m"]).any():
            return []
        self._saw_ranges = True
        near = self.ephemerides.nearest(t_s, self.leap_s)
        steps: list[Step] = []
        if phases:
            self._last_phase_s = t_s
            steps = self._phase_step(cells, near)
        if solve:
            self._last_solve_s = t_s
            if not self._solve(cells, near):
                self._waiting.append(cells)
            elif self._waiting:
                self._retry()
        return steps

    def _solve(self, cells: _Cells, near: Mapping[tuple[int, int], Ephemeris]) -> bool:
        """Single-point solution of an epoch into the average, and its satellites into the sky; False without one."""
        ranges = ranges_of_epoch(
            cells.t_s, self.leap_s, near, cells.ints("system"), cells.ints("satellite"), cells.ints("signal"),
            cells.columns["pseudorange_m"], cells.ints("glonass_channel"),
        )  # fmt: skip
        solution = solve_epoch(ranges, alpha=self._alpha, beta=self._beta)
        if solution is None:
            return False
        self._latest = solution
        self._average.add(solution, cells.t_s)
        if abs(cells.t_s - self._last_sky_s) >= SKY_EVERY_S - 1e-3:
            self._last_sky_s = cells.t_s
            wide = self.ephemerides.nearest(cells.t_s, self.leap_s, longest_age_factor=8.0)
            view = view_of(wide, cells.t_s, self.leap_s, solution.pos_ecef_m)
            self.sky_tally.add(view, cells.ints("system"), cells.ints("satellite"), cells.columns["cn0_dbhz"])
        return True

    def _retry(self) -> None:
        """Epochs that came before their ephemerides."""
        waiting, self._waiting = list(self._waiting), deque(maxlen=_WAITING)
        for cells in waiting:
            self._solve(cells, self.ephemerides.nearest(cells.t_s, self.leap_s))

    def _phase_step(self, cells: _Cells, near: Mapping[tuple[int, int], Ephemeris]) -> list[Step]:
        """Feed the phases, at the measured place where the broadcast one may be wrong."""
        if self._phases is None:
            place = self._latest.pos_ecef_m if self._latest is not None else None
            if place is None:
                return []
            self._phases = DisturbanceWatch(place)
        step = self._phases.add(
            cells.t_s, self.leap_s, near, cells.ints("system"), cells.ints("satellite"), cells.ints("signal"),
            cells.columns["phase_range_m"], cells.columns["pseudorange_m"], cells.columns["lock_ms"],
        )  # fmt: skip
        return [step] if step is not None else []

    def measured(self) -> StaticPosition | CannotTell:
        """The antenna's own averaged position, or why there is none."""
        if self._waiting and len(self.ephemerides):
            self._retry()
        position = self._average.result()
        if position is not None and position.scale > _MOST_SCALE:
            return CannotTell(
                "contradiction", "pseudoranges and ephemerides of the stream contradict each other (their spread is "
                f"{position.scale:.0f} times what it should be)", "look whether the ephemerides are this base's own",
            )  # fmt: skip
        if position is not None:
            return position
        if not self._saw_cells:
            return CannotTell("no_observations", "no observations have arrived", "wait for the base's observations")
        if not self._saw_ranges:
            return CannotTell(
                "no_ranges", "the stream carries no full pseudoranges (MSM1 to MSM3 leave out the whole milliseconds)",
                "set the base to MSM4, MSM5 or MSM7, or to 1004 and 1012",
            )  # fmt: skip
        n = len(self.ephemerides)
        if n < 5:
            has = f"ephemerides of only {n} satellites" if n else "no ephemerides"
            return CannotTell(
                "no_ephemerides", f"the stream carries {has}; the base's position cannot be worked out from it",
                "switch on 1019, 1020, 1042 and 1046 at the base, or give a RINEX navigation file",
            )  # fmt: skip
        return CannotTell(
            "too_few_satellites",
            f"ephemerides of {n} satellites have come, but too few of them have pseudoranges at the same time (at "
            "least five, with two or more of each constellation that counts)",
            "listen longer, or look at the base's sky",
        )  # fmt: skip

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
    def disturbances(self) -> list[Step]:
        """Confirmed moves of the antenna, newest last (50 at most)."""
        return list(self._phases.steps) if self._phases is not None else []

    def disturbance_limit(self) -> str:
        """What the phases can and cannot show, in a sentence."""
        if self._phases is None or not self._phases.judged:
            return "Moves of the base's antenna cannot be seen: no ephemerides, too few satellites or no phases."
        plan_mm = 1e3 * float(np.hypot(*self._phases.last_sigma_enu_m[:2]))
        up_mm = 1e3 * float(self._phases.last_sigma_enu_m[2])
        return (
            f"A knock of over {max(20.0, 5 * plan_mm):.0f} mm in plan or {max(40.0, 5 * up_mm):.0f} mm in height would "
            f"be seen; slow creep is not (1 sigma {plan_mm:.1f} mm plan, {up_mm:.1f} mm up over 2 s)."
        )

    def view(self, t_gpst_s: float | None = None) -> SatelliteView | None:
        """Every satellite with an ephemeris as seen from the base at a time (default: the last epoch)."""
        place = self.place_ecef_m
        t = self._t_s if t_gpst_s is None else t_gpst_s
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
