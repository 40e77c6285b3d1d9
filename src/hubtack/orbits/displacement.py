"""How far an antenna went between two epochs of its carrier phases: many pairs of epochs at once.

The change of phase, satellite by satellite, less what the satellites did, is the change of the receiver's clock and of
the antenna's place. What a pair gives does not depend on which others are asked with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.orbits.fit import fit, lonely

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_PHASE_SIGMA_M = 0.003  # of a difference over seconds, at the zenith; common practice
_MASK_RAD = float(np.radians(12.0))
_W_CRITICAL = 3.29
_LEAST_SURPLUS = 2
_LEAST_REDUNDANCY = 0.05
_MOST_VARIANCE_M2 = 1.0  # a geometry that gives no better than a metre is as good as none
_NUMBERS = 1000  # 100 times the system and the number in it
_MOST_KEYS = 100_000  # the same, with two digits of signal


@dataclass(frozen=True, slots=True)
class PhaseTable:
    """Phases of E epochs, with what geometry takes off them: (n,) rows, epoch by epoch.

    ``first`` (E + 1,) is where each epoch's rows begin, ``keys`` their system, satellite (two digits) and signal (two).
    """

    t_s: Floats
    first: Ints
    keys: Ints
    reduced_m: Floats
    unit_ecef: Floats
    elevation_rad: Floats
    lock_ms: Floats

    def __len__(self) -> int:
        return len(self.t_s)

    def part(self, a: int, b: int) -> PhaseTable:
        """Epochs ``a`` to ``b``."""
        rows = slice(int(self.first[a]), int(self.first[b]))
        return PhaseTable(
            self.t_s[a:b], self.first[a : b + 1] - self.first[a], self.keys[rows], self.reduced_m[rows],
            self.unit_ecef[rows], self.elevation_rad[rows], self.lock_ms[rows],
        )  # fmt: skip

    def followed_by(self, other: PhaseTable) -> PhaseTable:
        """Both in one, ``other`` behind."""
        return PhaseTable(
            np.concatenate((self.t_s, other.t_s)),
            np.concatenate((self.first, self.first[-1] + other.first[1:])),
            np.concatenate((self.keys, other.keys)),
            np.concatenate((self.reduced_m, other.reduced_m)),
            np.concatenate((self.unit_ecef, other.unit_ecef)),
            np.concatenate((self.elevation_rad, other.elevation_rad)),
            np.concatenate((self.lock_ms, other.lock_ms)),
        )


@dataclass(frozen=True, slots=True)
class Displacements:
    """Of P pairs: offset and 1 sigma (P, 3) east, north, up [m], satellites that agree (P,), and whether it is known."""

    offset_enu_m: Floats
    sigma_enu_m: Floats
    satellites: Ints
    known: Bools


def displacements(table: PhaseTable, old: Ints, new: Ints, turn: Floats) -> Displacements:
    """From epochs ``old`` to ``new`` (P,) of a table; satellites that disagree with all others are thrown out.

    ``turn`` (3, 3) rotates Earth-centred offsets to east, north, up. Unknown without two surplus satellites.
    """
    n = len(old)
    pair, i, j = _matched(table, old, new)
    # A lock time that fell says that the cycle count began anew.
    held = (table.elevation_rad[j] > _MASK_RAD) & ~(table.lock_ms[j] < table.lock_ms[i])
    pair, i, j = pair[held], i[held], j[held]
    system, number = table.keys[j] // 10_000, table.keys[j] // 100
    change = table.reduced_m[j] - table.reduced_m[i]
    weight = (np.sin(table.elevation_rad[j]) / _PHASE_SIGMA_M) ** 2
    design = -table.unit_ecef[j]
    offset, sigma = np.full((n, 3), np.nan), np.full((n, 3), np.nan)
    satellites, known = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=bool)
    while len(pair):
        keep = ~lonely(pair, system, n)
        if not keep.all():
            pair, system, number = pair[keep], system[keep], number[keep]
            change, weight, design = change[keep], weight[keep], design[keep]
        seen = np.zeros((n, _NUMBERS), dtype=bool)
        seen[pair, number] = True
        count = np.count_nonzero(seen, axis=1)
        solved = fit(pair, system, n, design, change, weight)
        variance = solved.q[:, 0, 0] + solved.q[:, 1, 1] + solved.q[:, 2, 2]
        good = solved.solved & (count >= 3 + solved.clocks + _LEAST_SURPLUS)
        good &= (variance > 0.0) & (variance < _MOST_VARIANCE_M2)
        size = np.abs(solved.residual) * np.sqrt(weight / np.maximum(solved.redundancy, _LEAST_REDUNDANCY))
        worst = np.zeros(n)
        np.maximum.at(worst, pair, np.where(good[pair], size, 0.0))
        doubtful = good & (worst > _W_CRITICAL) & (solved.dof > 1)
        out = np.zeros(len(pair), dtype=bool)
        for k in np.flatnonzero(doubtful).tolist():
            # A slip shows against the spread of the others, whose size depends on receiver and weather.
            mine = np.flatnonzero(pair == k)
            spread = max(1.0, 1.4826 * float(np.sort(size[mine])[len(mine) // 2]))
            if worst[k] > _W_CRITICAL * spread:
                out[mine[np.argmax(size[mine])]] = True
            else:
                doubtful[k] = False
        done = np.flatnonzero(good & ~doubtful)
        chi2 = np.bincount(pair, weight * solved.residual**2, n)[done]
        scale = np.sqrt(np.maximum(1.0, chi2 / np.maximum(solved.dof[done], 1)))
        # Two signals of one satellite share its multipath and atmosphere: they do not count as two.
        doubled = np.sqrt(solved.rows[done] / count[done])
        for axis in range(3):
            e, north, u = turn[axis]
            offset[done, axis] = (
                e * solved.step[done, 0] + north * solved.step[done, 1] + u * solved.step[done, 2]
            )  # fmt: skip
            sigma[done, axis] = np.sqrt(np.maximum(_along(turn[axis], solved.q[done]), 0.0)) * scale * doubled
        satellites[done], known[done] = count[done], True
        left = doubtful[pair] & ~out
        pair, system, number = pair[left], system[left], number[left]
        change, weight, design = change[left], weight[left], design[left]
    return Displacements(offset, sigma, satellites, known)


def _along(axis: Floats, q: Floats) -> Floats:
    """Variance (P,) along an axis (3,) of covariances (P, 3, 3), term by term."""
    total = np.zeros(len(q))
    for j in range(3):
        for k in range(3):
            total += axis[j] * axis[k] * q[:, j, k]
    return total


def _matched(table: PhaseTable, old: Ints, new: Ints) -> tuple[Ints, Ints, Ints]:
    """Rows of the same satellite and signal in both epochs of each pair: pair, row of the old one, row of the new."""
    name = np.full(_MOST_KEYS, -1, dtype=np.int64)  # a small number for each key that is there
    present = np.zeros(_MOST_KEYS, dtype=bool)
    present[table.keys] = True
    keys = np.flatnonzero(present)
    name[keys] = np.arange(len(keys))
    rows_of = np.diff(table.first)
    place = np.full((len(table), len(keys)), -1, dtype=np.int64)
    place[np.repeat(np.arange(len(table)), rows_of), name[table.keys]] = np.arange(len(table.keys))
    count = rows_of[new]
    pair = np.repeat(np.arange(len(new)), count)
    j = np.arange(len(pair)) - np.repeat(np.cumsum(count) - count, count) + table.first[new][pair]
    i = place[old[pair], name[table.keys[j]]]
    both = i >= 0
    return pair[both], i[both], j[both]
