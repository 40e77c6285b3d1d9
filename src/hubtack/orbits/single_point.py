"""A position from the pseudoranges of one epoch and the broadcast ephemerides, with bad satellites thrown out.

Accuracy is metres: enough to find a base typed in wrong, not enough to check a survey. What each satellite may be
off by is split in two, because time averages only one of them: noise (receiver, multipath) and bias (orbit, clock,
codes). ``static`` uses both. Many epochs are solved together, and each gets what it would get alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_to_geodetic
from hubtack.orbits import atmosphere
from hubtack.orbits.fit import Fit, fit, lonely
from hubtack.orbits.ranges import Ranges, ranges_of_epoch
from hubtack.orbits.satellites import OMEGA_EARTH_RAD_S, Sight, States, sight_from
from hubtack.orbits.signals import SPEED_OF_LIGHT_M_S

__all__ = ["PointSolution", "ranges_of_epoch", "solve_epoch", "solve_epochs"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MASK_RAD = float(np.radians(10.0))
W_CRITICAL = 3.29  # data snooping at 0.1 %, two-sided (Baarda 1968)
_IONO_SHARE, _IONO_FLOOR_M = 0.6, 1.0  # what a model without measured coefficients may be off by, vertical, on L1
_LEAST_REDUNDANCY = 0.05  # a row with less cannot be tested
_NEAR_M = 1e-3  # a step below changes nothing any more
_MOST_STEPS = 8
_GROSS = 1e3  # sigmas: so gross an error has spoilt the place as well
_LEAST_ROWS = 5


@dataclass(frozen=True)
class PointSolution:
    """Position of one epoch: ``pos_ecef_m`` (3,), its rows (M,) of used satellites, and the test figures.

    ``design`` (M, 3) is d range / d position; ``prefit_m`` (M,) is observed less computed *at* ``pos_ecef_m``, still
    with the receiver clock; ``sigma_m`` its weight. ``excluded`` names satellites that failed the test.
    """

    pos_ecef_m: Floats
    system: Ints
    satellite: Ints
    design: Floats
    prefit_m: Floats
    sigma_m: Floats
    noise_m: Floats
    bias_m: Floats
    mapping: Floats
    iono_sigma_m: Floats
    elevation_rad: Floats
    azimuth_rad: Floats
    chi2: float
    dof: int
    excluded: tuple[tuple[int, int], ...]


def solve_epoch(
    ranges: Ranges,
    *,
    alpha: tuple[float, ...] = atmosphere.NOMINAL_ALPHA,
    beta: tuple[float, ...] = atmosphere.NOMINAL_BETA,
    mask_rad: float = MASK_RAD,
    start: Floats | None = None,
) -> PointSolution | None:
    """``solve_epochs`` for ranges of one epoch."""
    return solve_epochs(ranges, alpha=alpha, beta=beta, mask_rad=mask_rad, start=start)[0]


def solve_epochs(
    ranges: Ranges,
    *,
    alpha: tuple[float, ...] = atmosphere.NOMINAL_ALPHA,
    beta: tuple[float, ...] = atmosphere.NOMINAL_BETA,
    mask_rad: float = MASK_RAD,
    start: Floats | None = None,
) -> list[PointSolution | None]:
    """Weighted least squares for position and one clock a constellation; None without an overdetermined solution.

    Starts from the Earth's centre, or from an earlier solution (``start``), so that a broadcast position can have no
    influence. Satellites are tested by their standardised residual ``w = v / sigma_v``; the one with the largest
    ``|w|`` over 3.29 goes, and all are tested again. Once a third has gone, or no surplus is left to test with,
    there is no solution.

    References
    ----------
    Baarda (1968), A testing procedure for use in geodetic networks (data snooping, 0.1 %); from memory.
    """
    solver = _Solver(ranges, alpha, beta, mask_rad, start)
    while solver.going.any():
        solver.step()
    return solver.found


class _Solver:
    """Epochs on their way to a solution, each with its place, the satellites it still uses, and those thrown out."""

    def __init__(
        self,
        ranges: Ranges,
        alpha: tuple[float, ...],
        beta: tuple[float, ...],
        mask_rad: float,
        start: Floats | None,
    ) -> None:
        self._ranges, self._alpha, self._beta, self._mask_rad = ranges, alpha, beta, mask_rad
        n = len(ranges.t_gpst_s)
        sent_s = ranges.book.sent_at_s(ranges.row, ranges.t_gpst_s[ranges.epoch], ranges.raw_m)
        self._states: States = ranges.book.states(ranges.row, sent_s, ranges.leap_s)
        self._corrected_m = ranges.pseudorange_m + self._states.clock_s * SPEED_OF_LIGHT_M_S
        self._used = np.isfinite(self._corrected_m) & np.isfinite(self._states.pos_ecef_m).all(axis=1)
        self._place = np.full((n, 3), np.nan)
        self._steps = np.zeros(n, dtype=np.int64)
        self._excluded: list[list[tuple[int, int]]] = [[] for _ in range(n)]
        self.found: list[PointSolution | None] = [None] * n
        self.going = np.bincount(ranges.epoch, minlength=n) >= _LEAST_ROWS
        for k in np.flatnonzero(self.going).tolist():
            self._begin(k, start)

    def _begin(self, k: int, start: Floats | None) -> None:
        """Begin epoch ``k`` with the satellites that are left; without a place, from the Earth's centre."""
        mine = np.flatnonzero((self._ranges.epoch == k) & self._used)
        system = self._ranges.system[mine]
        alone = lonely(np.zeros(len(mine), dtype=np.int64), system, 1)
        self._used[mine[alone]] = False
        mine, system = mine[~alone], system[~alone]
        self._steps[k] = 0
        self.going[k] = len(mine) >= 4 + len(np.unique(system))
        if self.going[k] and start is None:
            start = _coarse(self._states.pos_ecef_m[mine], self._corrected_m[mine], system)
            self.going[k] = start is not None
        if start is not None:
            self._place[k] = start

    def step(self) -> None:
        """One step of each epoch that is on its way; those that stand still are tested."""
        r, going = self._ranges, np.flatnonzero(self.going)
        rows = np.flatnonzero(self._used & self.going[r.epoch])
        lat_deg, lon_deg, h_m = np.full((3, len(r.t_gpst_s)), np.nan)
        lat_deg[going], lon_deg[going], h_m[going] = ecef_to_geodetic(self._place[going])
        epoch = r.epoch[rows]
        sight = sight_from(
            self._states.pos_ecef_m[rows], self._place[epoch], np.radians(lat_deg[epoch]), np.radians(lon_deg[epoch])
        )
        above = np.flatnonzero(sight.elevation_rad > self._mask_rad)
        above = above[~lonely(epoch[above], r.system[rows[above]], len(r.t_gpst_s))]
        rows, epoch, sight = rows[above], epoch[above], Sight(*(values[above] for values in sight))
        el = sight.elevation_rad
        mapping = atmosphere.troposphere_mapping(el)
        iono = (
            atmosphere.klobuchar_m(
                lat_deg[epoch], lon_deg[epoch], sight.azimuth_rad, el, r.t_gpst_s[epoch], self._alpha, self._beta
            )
            * r.iono_factor[rows]
        )
        iono_sigma = _IONO_SHARE * iono + _IONO_FLOOR_M * atmosphere.ionosphere_slant(el) * r.iono_factor[rows]
        zenith_m = np.zeros(len(r.t_gpst_s))
        zenith_m[going] = atmosphere.troposphere_zenith_m(lat_deg[going], h_m[going])
        noise = r.noise_m[rows] / np.sin(el)
        sigma = np.sqrt(noise**2 + r.bias_m[rows] ** 2 + iono_sigma**2
                        + (atmosphere.ZENITH_RESIDUAL_M * mapping) ** 2)  # fmt: skip
        prefit = self._corrected_m[rows] - sight.range_m - zenith_m[epoch] * mapping - iono
        design = -sight.unit_ecef
        solved = fit(epoch, r.system[rows], len(r.t_gpst_s), design, prefit, 1.0 / sigma**2)
        at = _Linear(rows, epoch, design, prefit, sigma, noise, mapping, iono_sigma, sight)
        self._steps[going] += 1
        enough = (solved.dof >= 1) & solved.solved
        length_m = np.sqrt(np.sum(solved.step**2, axis=1))
        for k in going.tolist():
            if not enough[k]:
                self.going[k] = False
            elif length_m[k] < _NEAR_M:
                self._test(k, at, solved)
            elif self._steps[k] >= _MOST_STEPS:
                self.going[k] = False
            else:
                self._place[k] = self._place[k] + solved.step[k]

    def _test(self, k: int, at: _Linear, solved: Fit) -> None:
        """Take the solution of epoch ``k``, or throw out its worst satellite and begin again."""
        r, mine = self._ranges, np.flatnonzero(at.epoch == k)
        rows, residual, redundancy = at.rows[mine], solved.residual[mine], solved.redundancy[mine]
        sigma = at.sigma_m[mine]
        tested = redundancy > _LEAST_REDUNDANCY
        w = np.where(tested, residual / (sigma * np.sqrt(np.maximum(redundancy, _LEAST_REDUNDANCY))), 0.0)
        worst = int(np.argmax(np.abs(w)))
        dof, excluded = int(solved.dof[k]), self._excluded[k]
        if abs(w[worst]) > W_CRITICAL and dof > 1:
            if 3 * (len(excluded) + 1) > len(rows) + len(excluded):
                self.going[k] = False  # when a third is thrown out nobody can say which part is right
                return
            self._used[rows[worst]] = False
            excluded.append((int(r.system[rows[worst]]), int(r.satellite[rows[worst]])))
            self._begin(k, None if abs(w[worst]) > _GROSS else self._place[k])
            return
        self.going[k] = False
        self.found[k] = PointSolution(
            pos_ecef_m=self._place[k].copy(),
            system=r.system[rows],
            satellite=r.satellite[rows],
            design=at.design[mine],
            prefit_m=at.prefit_m[mine],
            sigma_m=sigma,
            noise_m=at.noise_m[mine],
            bias_m=r.bias_m[rows],
            mapping=at.mapping[mine],
            iono_sigma_m=at.iono_sigma_m[mine],
            elevation_rad=at.sight.elevation_rad[mine],
            azimuth_rad=at.sight.azimuth_rad[mine],
            chi2=float(np.sum((residual / sigma) ** 2)),
            dof=dof,
            excluded=tuple(excluded),
        )


@dataclass(frozen=True, slots=True)
class _Linear:
    """Rows as they are seen from where their epochs stand."""

    rows: Ints
    epoch: Ints
    design: Floats
    prefit_m: Floats
    sigma_m: Floats
    noise_m: Floats
    mapping: Floats
    iono_sigma_m: Floats
    sight: Sight


def _clock_columns(system: Ints) -> Floats:
    """(M, K) ones where a row belongs to a constellation."""
    return np.asarray(system[:, None] == np.unique(system), dtype=np.float64)


def _coarse(pos: Floats, corrected_m: Floats, system: Ints) -> Floats | None:
    """A position good to some tens of metres, from the Earth's centre, equal weights, no atmosphere."""
    place, clocks = np.zeros(3), _clock_columns(system)
    for _ in range(15):
        offset = pos - place
        travel = np.linalg.norm(offset, axis=1)
        turn = OMEGA_EARTH_RAD_S * travel / SPEED_OF_LIGHT_M_S
        turned = np.stack((pos[:, 0] + turn * pos[:, 1], pos[:, 1] - turn * pos[:, 0], pos[:, 2]), axis=1) - place
        range_m = np.linalg.norm(turned, axis=1)
        design = np.hstack((-turned / range_m[:, None], clocks))
        step, _, rank, _ = np.linalg.lstsq(design, corrected_m - range_m, rcond=1e-9)
        if rank < design.shape[1]:
            return None
        place = place + step[:3]
        if np.linalg.norm(step[:3]) < 1.0:
            return np.asarray(place)
    return None
