"""A rover that puts out its raw observations as well: its own pseudoranges beside the position it reports.

Once a minute, epoch by epoch, since a machine moves: nothing is averaged over places. Good for tens of metres: a fix
on a base that stands elsewhere, or a position of another receiver on the same line.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Decoded
from hubtack.diagnosis.episode import Episode
from hubtack.engine.rover import JudgedRows
from hubtack.geo import ecef_offset_to_enu, ecef_to_geodetic
from hubtack.geo.compass import compass_word_towards
from hubtack.knowledge.fix_types import FIXED
from hubtack.knowledge.leap_seconds import CURRENT_LEAP_S
from hubtack.orbits.api import EPHEMERIS_MESSAGES
from hubtack.orbits.cells import Cells, Ended, EpochSieve, Frames, Wanted
from hubtack.orbits.ephemeris import DAY_S, EphemerisStore
from hubtack.orbits.single_point import ranges_of_epoch, solve_epoch
from hubtack.orbits.static import StaticAverage

Floats = NDArray[np.float64]

_EVERY_S = 60.0
_AGAIN_S = 10.0
_LEAST = 3  # compared epochs before anything is said
_MOST = 500
_SIGMAS = 5.5
_PLAN_M, _UP_M = 15.0, 25.0  # one epoch of a moving antenna between banks; common practice, no source


@dataclass(frozen=True, slots=True)
class Compared:
    """Reported less own position at a time on the axis: east, north, up and 1 sigma. [m]"""

    time_ns: int
    offset_enu_m: tuple[float, float, float]
    sigma_plan_m: float
    sigma_up_m: float


@dataclass(slots=True)
class RoverRanges:
    """The raw observations of a rover; ``store`` has the ephemerides of the correction stream."""

    store: EphemerisStore
    compared: list[Compared] = field(default_factory=list)
    _sieve: EpochSieve = field(init=False)
    _own: dict[int, tuple[Floats, Floats]] = field(default_factory=dict)  # by time of day [ms]: position, covariance
    _last_s: float = -np.inf

    def __post_init__(self) -> None:
        self._sieve = EpochSieve(float(CURRENT_LEAP_S), self._wants)

    def _wants(self, t_s: float) -> Wanted:
        due = abs(t_s - self._last_s) >= _EVERY_S - 1e-3
        if due:
            self._last_s = t_s
        return Wanted(solve=due)

    def feed(self, decoded: Decoded) -> None:
        """Take a stretch of the rover's own frames."""
        self.store.add_payloads(p for _, _, number, p in decoded.payloads if number in EPHEMERIS_MESSAGES)
        for _, epoch in self._sieve.sift(decoded, Frames.of(decoded)):
            self._solve(epoch)

    def _solve(self, epoch: Ended) -> None:
        leap_s, cells = float(CURRENT_LEAP_S), Cells.joined([epoch])
        ranges = ranges_of_epoch(
            epoch.t_s, leap_s, self.store.nearest(epoch.t_s, leap_s), cells.ints("system"), cells.ints("satellite"),
            cells.ints("signal"), cells["pseudorange_m"], cells.ints("glonass_channel"),
        )  # fmt: skip
        solution = solve_epoch(ranges)
        if solution is None:
            self._last_s -= _EVERY_S - _AGAIN_S  # ephemerides may still come
            return
        one = StaticAverage()
        one.add(solution, epoch.t_s)
        position = one.result()
        if position is not None and len(self._own) < _MOST:
            tod_ms = round((epoch.t_s - leap_s) % DAY_S * 1000.0)
            self._own[tod_ms] = (position.pos_ecef_m, position.covariance_enu_m2)

    def compare(self, rows: JudgedRows) -> None:
        """Lay judged rows beside the positions of the same moment."""
        if not self._own or not len(rows.epochs) or len(self.compared) >= _MOST:
            return
        tod_ms = rows.epochs.tod_ms % 86_400_000
        for i in np.flatnonzero(np.isin(tod_ms, list(self._own))).tolist():
            reported = rows.q.pos_ecef_m[i]
            if rows.q.fix[i] != FIXED or not np.isfinite(reported).all():
                continue
            own, covariance = self._own.pop(int(tod_ms[i]))
            lat, lon, _ = ecef_to_geodetic(own[None])
            east, north, up = ecef_offset_to_enu((reported - own)[None], lat, lon)[0].tolist()
            sigma_plan = float(np.sqrt(np.linalg.eigvalsh(covariance[:2, :2])[-1]))
            self.compared.append(
                Compared(int(rows.epochs.time_ns[i]), (east, north, up), sigma_plan, float(np.sqrt(covariance[2, 2])))
            )

    def offset_enu_m(self) -> tuple[float, float, float] | None:
        """Median of reported less own position; None before three have been compared. [m]"""
        if len(self.compared) < _LEAST:
            return None
        east, north, up = np.median([c.offset_enu_m for c in self.compared], axis=0).tolist()
        return east, north, up

    def episodes(self, *, base_is_misplaced: bool) -> list[Episode]:
        """``suspect_fix`` where the rover's own pseudoranges put it elsewhere; that of a misplaced base is the base's."""
        offset = self.offset_enu_m()
        if offset is None or base_is_misplaced:
            return []
        east, north, up = offset
        plan_m = float(np.hypot(east, north))
        sigma_plan = float(np.median([c.sigma_plan_m for c in self.compared]))
        sigma_up = float(np.median([c.sigma_up_m for c in self.compared]))
        far = plan_m > max(_PLAN_M, _SIGMAS * sigma_plan)
        if not far and not abs(up) > max(_UP_M, _SIGMAS * sigma_up):
            return []
        where = (
            f"{plan_m:.0f} m {compass_word_towards(east, north)}"
            if far
            else f"{abs(up):.0f} m {'above' if up > 0 else 'below'}"
        )
        figures = {
            "why": f"it lies {where} of where its own pseudoranges put it",
            "east_m": east, "north_m": north, "up_m": up, "sigma_plan_m": sigma_plan, "sigma_up_m": sigma_up,
            "compared": len(self.compared),
        }  # fmt: skip
        return [Episode("suspect_fix", self.compared[0].time_ns, None, "own pseudoranges", 0, "warn", figures)]
