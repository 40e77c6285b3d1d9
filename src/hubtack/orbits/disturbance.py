"""Whether a base's antenna moved, from its own carrier phases: the change of phase over two seconds, satellite by
satellite, less what the satellites did, is the change of the receiver's clock and of the antenna's place.

A knocked tripod shows; slow creep does not: over minutes the atmosphere moves as much. A cycle slip is one satellite
that disagrees with all others and is thrown out. Receivers that steer their phases with the clock lose nothing, since
each constellation has its own clock here.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_to_geodetic, enu_rotation
from hubtack.orbits.ephemeris import Ephemeris
from hubtack.orbits.quiet import Rules, quiet_pairs
from hubtack.orbits.satellites import line_of_sight, satellite_states, sent_at_s
from hubtack.orbits.signals import SPEED_OF_LIGHT_M_S

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PLAN_CLAIM_M, UP_CLAIM_M = 0.020, 0.040  # 16 satellites: 1 sigma 3 mm plan and 8 mm up
SPAN_S = 2.0
CONFIRM_S = 5.0  # the step must still be there, so that a swaying mast or one bad epoch is no claim
_SIGMAS = 5.0
_PHASE_SIGMA_M = 0.003  # of a difference over seconds, at the zenith; common practice
_MASK_RAD = float(np.radians(12.0))
_W_CRITICAL = 3.29
_LEAST_SURPLUS = 2
_MOST_VARIANCE_M2 = 1.0  # a geometry that gives no better than a metre is as good as none
_MOST_KEYS = 100_000  # system, two digits of satellite, two of signal
_LONGEST_S = 30.0  # epochs kept; also how long a gap is bridged
_MANY = 4  # pairs; fewer are as quick one by one
_RULES = Rules(_PHASE_SIGMA_M, _MASK_RAD, _W_CRITICAL, _LEAST_SURPLUS, _MOST_VARIANCE_M2)


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

    @property
    def is_claimed(self) -> bool:
        """Beyond 20 mm in plan or 40 mm in height, and beyond 5 sigma."""
        plan_m, up_m = float(np.hypot(self.offset_enu_m[0], self.offset_enu_m[1])), abs(float(self.offset_enu_m[2]))
        plan_sigma = float(np.hypot(self.sigma_enu_m[0], self.sigma_enu_m[1]))
        return (plan_m > max(PLAN_CLAIM_M, _SIGMAS * plan_sigma)) or (
            up_m > max(UP_CLAIM_M, _SIGMAS * float(self.sigma_enu_m[2]))
        )


@dataclass(frozen=True)
class ReducedPhases:
    """One epoch's phases (M,), with what geometry takes off them, by (system, satellite, signal)."""

    t_s: float
    keys: NDArray[np.int64]
    reduced_m: Floats
    unit_ecef: Floats
    elevation_rad: Floats
    lock_ms: Floats


class DisturbanceWatch:
    """Feeds on epochs of phases of one standing antenna and says when it moved; keeps the last 30 s."""

    def __init__(self, place_ecef_m: Floats) -> None:
        self.place_ecef_m = np.asarray(place_ecef_m, dtype=np.float64)
        lat, lon, _ = ecef_to_geodetic(self.place_ecef_m[None])
        self._turn = enu_rotation(lat, lon)[0]
        self._kept: deque[ReducedPhases] = deque()
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
        rows = phase_rows(t_gpst_s, ephemerides, system, satellite, signal, phase_range_m, pseudorange_m, lock_ms)
        return self.add_reduced(reduced_phases([rows], leap_s, self.place_ecef_m)[0])

    def add_many(self, epochs: Sequence[ReducedPhases]) -> list[Step | None]:
        """The same for epochs in order; those that plainly show nothing are answered for in one stroke."""
        pairs = list(itertools.pairwise([*list(self._kept)[-1:], *epochs]))
        quick: dict[int, tuple[ReducedPhases, Step]] = {}
        if len(pairs) >= _MANY:
            offsets, sigmas, clean = quiet_pairs(pairs, _matched, self._turn, _RULES)
            for k in np.flatnonzero(clean).tolist():
                old, new = pairs[k]
                step = Step(new.t_s, old.t_s, offsets[k], sigmas[k], 0)
                if SPAN_S - 1e-6 <= new.t_s - old.t_s < _LONGEST_S and not step.is_claimed:
                    quick[id(new)] = (old, step)
        return [self._add_quick(epoch, *quick[id(epoch)]) if id(epoch) in quick else self.add_reduced(epoch)
                for epoch in epochs]  # fmt: skip

    def _add_quick(self, epoch: ReducedPhases, old: ReducedPhases, step: Step) -> Step | None:
        """Take an epoch that shows nothing beside the one before it; not while a step waits to be confirmed."""
        if self._pending is not None or not self._kept or self._kept[-1] is not old:
            return self.add_reduced(epoch)
        while self._kept and epoch.t_s - self._kept[0].t_s > _LONGEST_S:
            self._kept.popleft()
        self.judged += 1
        self.last_sigma_enu_m = step.sigma_enu_m
        self._kept.append(epoch)
        return None

    def add_reduced(self, epoch: ReducedPhases) -> Step | None:
        """The same for an epoch whose phases have been reduced at ``place_ecef_m`` already."""
        t_gpst_s = epoch.t_s
        if self._kept and not 0.0 < t_gpst_s - self._kept[-1].t_s < _LONGEST_S:
            self._kept.clear()
            self._pending = None
        while self._kept and t_gpst_s - self._kept[0].t_s > _LONGEST_S:
            self._kept.popleft()
        claimed = self._judge(epoch)
        self._kept.append(epoch)
        return claimed

    def _judge(self, epoch: ReducedPhases) -> Step | None:
        """Look two seconds back; of a step, look back over it again five seconds later."""
        if self._pending is not None:
            if epoch.t_s - self._pending.t_gpst_s < CONFIRM_S:
                return None
            first, self._pending = self._pending, None
            before = [e for e in self._kept if e.t_s <= first.t_gpst_s - SPAN_S + 1e-6]
            again = self._between(before[-1], epoch) if before else None
            if again is None or not again.is_claimed:
                return None
            step = Step(first.t_gpst_s, first.since_gpst_s, again.offset_enu_m, again.sigma_enu_m, again.satellites)
            self.steps.append(step)
            return step
        before = [e for e in self._kept if epoch.t_s - e.t_s >= SPAN_S - 1e-6]
        if not before:
            return None
        step_or_none = self._between(before[-1], epoch)
        if step_or_none is None:
            return None
        self.judged += 1
        self.last_sigma_enu_m = step_or_none.sigma_enu_m
        if step_or_none.is_claimed:
            self._pending = step_or_none
        return None

    def _between(self, old: ReducedPhases, new: ReducedPhases) -> Step | None:
        """Displacement from one epoch to a later one; None without two surplus satellites."""
        i, j = _matched(old.keys, new.keys)
        # A lock time that fell says that the cycle count began anew.
        held = (new.elevation_rad[j] > _MASK_RAD) & ~(new.lock_ms[j] < old.lock_ms[i])
        i, j = i[held], j[held]
        system, satellite = new.keys[j] // 10_000, new.keys[j] // 100
        change = new.reduced_m[j] - old.reduced_m[i]
        sigma = _PHASE_SIGMA_M / np.sin(new.elevation_rad[j])
        design = -new.unit_ecef[j]
        used = np.ones(len(j), dtype=bool)
        while True:
            counts = np.bincount(system[used], minlength=8)
            used &= counts[system] > 1
            systems = np.flatnonzero(np.bincount(system[used], minlength=8))
            n_satellites = int(np.count_nonzero(np.bincount(satellite[used], minlength=1)))
            if n_satellites < 3 + len(systems) + _LEAST_SURPLUS:
                return None
            weight = 1.0 / sigma[used]
            a = np.empty((len(weight), 3 + len(systems)))
            a[:, :3] = design[used] * weight[:, None]
            a[:, 3:] = (system[used, None] == systems) * weight[:, None]
            b = change[used] * weight
            try:
                q = np.linalg.inv(a.T @ a)
            except np.linalg.LinAlgError:
                return None
            if not 0.0 < q[0, 0] + q[1, 1] + q[2, 2] < _MOST_VARIANCE_M2:
                return None
            # Well conditioned, then, so the normal equations lose nothing, and are far quicker than a QR.
            solution = q @ (a.T @ b)
            v = b - a @ solution
            redundancy = np.maximum(1.0 - np.einsum("ij,jk,ik->i", a, q, a), 0.05)
            dof = len(v) - a.shape[1]
            w = v / np.sqrt(redundancy)
            # A slip shows against the spread of the others, whose size depends on receiver and weather.
            size = np.abs(w)
            worst = int(np.argmax(size))
            spread = max(1.0, 1.4826 * float(np.sort(size)[len(size) // 2]))
            if size[worst] <= _W_CRITICAL * spread or dof <= 1:
                break
            used[np.flatnonzero(used)[worst]] = False
        scale = max(1.0, float(v @ v / dof) ** 0.5) if dof else 1.0
        turn = self._turn
        # Two signals of one satellite share its multipath and atmosphere: they do not count as two.
        doubled = (len(v) / n_satellites) ** 0.5
        sigma_enu = np.sqrt(np.diagonal(turn @ q[:3, :3] @ turn.T)) * scale * doubled
        offset = np.asarray(turn @ solution[:3], dtype=np.float64)
        return Step(new.t_s, old.t_s, offset, sigma_enu, n_satellites)


def _matched(old: Ints, new: Ints) -> tuple[Ints, Ints]:
    """Places of the keys that both have, in the order of ``new``."""
    if len(old) == len(new) and np.array_equal(old, new):
        same = np.arange(len(old))
        return same, same
    place = np.full(_MOST_KEYS, -1)
    place[old] = np.arange(len(old))
    i = place[new]
    j = np.flatnonzero(i >= 0)
    return i[j], j


@dataclass(frozen=True)
class PhaseRows:
    """Cells of one epoch that can be reduced: (M,) arrays, and the ephemeris of each of its satellites.

    ``chosen`` are the satellites' ephemerides, ``sent_range_m`` their pseudoranges, ``index`` (M,) the satellite of
    each cell.
    """

    t_s: float
    chosen: tuple[Ephemeris, ...]
    sent_range_m: Floats
    index: Ints
    keys: Ints
    phase_range_m: Floats
    lock_ms: Floats


def phase_rows(
    t_gpst_s: float,
    ephemerides: Mapping[tuple[int, int], Ephemeris],
    system: Ints,
    satellite: Ints,
    signal: Ints,
    phase_range_m: Floats,
    pseudorange_m: Floats,
    lock_ms: Floats,
) -> PhaseRows:
    """Pick the cells of an epoch that have an ephemeris, a phase and a range."""
    has = np.zeros(1000, dtype=bool)
    has[[100 * s + n for s, n in ephemerides]] = True
    number = 100 * system + satellite
    rows = np.flatnonzero(has[np.minimum(number, 999)] & np.isfinite(phase_range_m) & np.isfinite(pseudorange_m))
    unique, index = np.unique(number[rows], return_inverse=True)
    index = index.reshape(-1)
    range_m = np.full(len(unique), np.nan)
    range_m[index] = pseudorange_m[rows]
    return PhaseRows(
        t_gpst_s, tuple(ephemerides[n // 100, n % 100] for n in unique.tolist()), range_m, index,
        number[rows] * 100 + signal[rows], phase_range_m[rows], lock_ms[rows],
    )  # fmt: skip


def reduced_phases(epochs: Sequence[PhaseRows], leap_s: float, place_ecef_m: Floats) -> list[ReducedPhases]:
    """Phases less geometric range and satellite clock: what is left is the receiver's clock and the ambiguity.

    Many epochs at once cost little more than one.
    """
    chosen = [e for rows in epochs for e in rows.chosen]
    if not chosen:
        none = np.zeros(0)
        return [ReducedPhases(r.t_s, np.zeros(0, np.int64), none, np.zeros((0, 3)), none, none) for r in epochs]
    received_s = np.concatenate([np.full(len(r.chosen), r.t_s) for r in epochs])
    range_m = np.concatenate([r.sent_range_m for r in epochs])
    states = satellite_states(chosen, sent_at_s(chosen, received_s, range_m), leap_s)
    sight = line_of_sight(states.pos_ecef_m, place_ecef_m)
    taken_off = sight.range_m - states.clock_s * SPEED_OF_LIGHT_M_S
    out, first = [], 0
    for rows in epochs:
        at = first + rows.index
        out.append(ReducedPhases(rows.t_s, rows.keys, rows.phase_range_m - taken_off[at], sight.unit_ecef[at],
                                 sight.elevation_rad[at], rows.lock_ms))  # fmt: skip
        first += len(rows.chosen)
    return out
