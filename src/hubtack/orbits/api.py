"""One door for the session: feed it what the decoder gives, ask it where the base is and what its sky looks like.

Pure: no clock, no files. It needs a decoder that gives ranges, ``on_request`` or as ``observables``, and keeps the payloads
of ``EPHEMERIS_MESSAGES``. Each answer is a result or a ``CannotTell`` that says what is missing; nothing is guessed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import STATION_COLUMNS, Decoded, Rows
from hubtack.knowledge.leap_seconds import CURRENT_LEAP_S
from hubtack.orbits import atmosphere
from hubtack.orbits.answers import CannotTell, contradiction, why_no_position
from hubtack.orbits.base_work import MOST_SCALE, WIDE, BaseWork
from hubtack.orbits.cells import EpochSieve, Frames, Wanted
from hubtack.orbits.disturbance import Step
from hubtack.orbits.ephemeris import Ephemeris, EphemerisStore
from hubtack.orbits.layouts import EPHEMERIS_MESSAGES
from hubtack.orbits.misplacement import BasePositionResult, compare
from hubtack.orbits.sky import SKY_EVERY_S, SatelliteView, SkyTally, view_of
from hubtack.orbits.static import StaticPosition

__all__ = ["EPHEMERIS_MESSAGES", "BasePositionResult", "BaseWatcher", "CannotTell"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# (until so long after the first, one solution so often). Multipath is alike for a minute; later only a change of the
# sky brings anything new. [s]
SOLVE_EVERY_S = ((60.0, 15.0), (600.0, 60.0), (3600.0, 300.0), (np.inf, 900.0))
_SAME_ARP_M = 1.0
_SAID = [STATION_COLUMNS.index(name) for name in ("station_id", "x_m", "y_m", "z_m", "computed")]


class BaseWatcher:
    """Watches one base (or one rover that puts out MSM) through its stream.

    Parameters
    ----------
    leap_s : float
        GPS time less UTC, the same that the decoder uses.
    phase_every_s : float
        Look at the phases that often for moves of the antenna (``disturbances``); 0 for every epoch, infinity never.
        Every 10 s costs some 30 ms in an hour of stream.
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
        alpha, beta = klobuchar or (atmosphere.NOMINAL_ALPHA, atmosphere.NOMINAL_BETA)
        self._base = BaseWork(leap_s, self.ephemerides, alpha, beta)
        self._phase_every_s = phase_every_s
        self._station: float = float("nan")
        self._sieve = EpochSieve(leap_s, self._wants)
        self._first_solve_s = self._last_solve_s = self._last_sky_s = self._last_phase_s = -np.inf
        self._said: tuple[float, ...] = (float("nan"),) * len(_SAID)  # the newest base position, as it came
        self._steps: deque[Step] = deque(maxlen=50)
        self._saw_cells = False

    def _fresh(self) -> None:
        """Begin a new average: another base, or the same one set up again."""
        self._base.fresh()
        self._first_solve_s = -np.inf
        self._sieve.next_s = -np.inf

    def add_ephemerides(self, ephemerides: Iterable[Ephemeris]) -> None:
        """Take ephemerides from elsewhere (a navigation file, another stream)."""
        for ephemeris in ephemerides:
            self.ephemerides.add(ephemeris)
        self._base.retry()

    def feed(self, decoded: Decoded) -> list[Step]:
        """Take one stretch of decoded frames; returns moves of the antenna that it confirmed.

        Frames must come in the order of their time. The last epoch stays open until a later one or ``close``. What
        the stretch holds is taken in the order of its bytes, so that any cut of a stream gives the same answers.
        """
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
        return [*steps, *self._worked()]

    def _telling(self, rows: Rows) -> list[int]:
        """Rows of base positions that say something new: mostly it is the same again."""
        if not len(rows):
            return []
        arp = np.flatnonzero(rows["type"] != 1032.0)
        said = rows.values[arp][:, _SAID]
        changed = np.any(said != np.concatenate(([self._said], said[:-1])), axis=1) if len(arp) else arp > 0
        physical = np.flatnonzero(rows["type"] == 1032.0) if not self._base.computed else arp[:0]
        return sorted((*arp[changed].tolist(), *physical.tolist()))

    def _sift(self, decoded: Decoded, frames: Frames) -> None:
        """Put the epochs that end in a stretch of frames on the list."""
        if self._station == self._station:
            mine = frames.station == self._station
            frames = frames if mine.all() else frames.take(np.flatnonzero(mine))
        for frame, epoch in self._sieve.sift(decoded, frames):
            self._read_until(decoded, int(frames.pos[frame]))
            self._base.take(epoch)

    def _worked(self) -> list[Step]:
        steps = self._base.work()
        self._steps.extend(steps)
        return steps

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
        self._take_open()
        steps = self._worked()
        self._base.retry()
        return steps

    def _take_open(self) -> None:
        epoch = self._sieve.close()
        if epoch is not None:
            self._base.take(epoch)

    def _station_row(self, decoded: Decoded, i: int) -> list[Step]:
        """The broadcast position; a new one, or a new station, begins a new average."""
        rows = decoded.stations
        if rows["type"][i] == 1032.0:
            self._base.computed = True  # it names the physical base behind a computed one
            return []
        self._said = tuple(rows.values[i][_SAID].tolist())
        station, x, y, z, computed = self._said
        arp = np.array([x, y, z])
        if not np.linalg.norm(arp) > 1e6:  # also zeros: a base that has no position yet
            return []
        first = self._base.arp is None
        changed = not first and (station != self._station or float(np.linalg.norm(arp - self._base.arp)) > _SAME_ARP_M)
        steps = []
        if changed:
            self._take_open()
        if changed or first:
            steps = self._worked()  # what came before is not measured against this position
        if changed:
            self._fresh()
        self._base.arp, self._station = arp, station
        self._base.computed = computed == 1.0 or (self._base.computed and not changed)
        if first:
            self._base.claim(int(rows.pos[i]))
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

    # Answers -------------------------------------------------------------------------------------------------------

    @property
    def sky_tally(self) -> SkyTally:
        """Looks at the base's sky so far."""
        return self._base.sky_tally

    @property
    def tracked(self) -> frozenset[tuple[int, int]]:
        """(system, satellite) of the newest look at the sky."""
        return self._base.tracked

    @property
    def cn0_dbhz(self) -> dict[tuple[int, int], float]:
        """Strongest signal of each of these; -1 where it was not told."""
        return self._base.cn0_dbhz

    @property
    def claimed_at(self) -> list[int]:
        """Bytes at which a broadcast position was found wrong; whoever reads them may clear the list."""
        return self._base.claimed_at

    def measured(self) -> StaticPosition | CannotTell:
        """The antenna's own averaged position, or why there is none."""
        position = self._base.average.result()
        if position is not None and position.scale > MOST_SCALE:
            return contradiction(position.scale)
        if position is not None:
            return position
        return why_no_position(
            saw_cells=self._saw_cells, saw_ranges=self._base.saw_ranges, ephemerides=len(self.ephemerides)
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
        if self._base.arp is None:
            return CannotTell(
                "no_position", "the stream carries no base position (1005 or 1006)", "switch on 1005 at the base"
            )
        return compare(
            self._base.arp, measured, computed_base=self._base.computed, geoid_separation_m=geoid_separation_m,
            marks_ecef_m=marks_ecef_m,
        )  # fmt: skip

    @property
    def revision(self) -> tuple[int, int, int, tuple[float, ...]]:
        """Changes whenever an answer may have changed."""
        judged = self._base.phases.judged if self._base.phases is not None else 0
        return self._base.average.epochs, judged // 30, self.ephemerides.version, self._said

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
        if self._base.phases is None or not self._base.phases.judged:
            return "Moves of the base's antenna cannot be seen: no ephemerides, too few satellites or no phases."
        plan_mm = 1e3 * float(np.hypot(*self._base.phases.last_sigma_enu_m[:2]))
        up_mm = 1e3 * float(self._base.phases.last_sigma_enu_m[2])
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
        return view_of(self.ephemerides.nearest(t, self.leap_s, longest_age_factor=WIDE), t, self.leap_s, place)

    @property
    def place_ecef_m(self) -> Floats | None:
        """Where the base is taken to be: measured, else broadcast, else None."""
        measured = self._base.average.result()
        return measured.pos_ecef_m if measured is not None else self._base.arp
