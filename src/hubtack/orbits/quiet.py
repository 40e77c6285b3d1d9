"""Many pairs of epochs at once: in which of them an antenna certainly stood still, and how well that could be told.

Most epochs of a base say that nothing moved. This answers for those in one stroke, by the very sums of
``disturbance``; a pair with a step, a slip or too few satellites is left to it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from hubtack.orbits.disturbance import ReducedPhases

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_SYSTEMS = 8


@dataclass(frozen=True, slots=True)
class Rules:
    """The figures of ``disturbance`` that the sums need."""

    phase_sigma_m: float
    mask_rad: float
    w_critical: float
    least_surplus: int
    most_variance_m2: float


def quiet_pairs(
    pairs: Sequence[tuple[ReducedPhases, ReducedPhases]],
    matched: Callable[[Ints, Ints], tuple[Ints, Ints]],
    turn: Floats,
    rules: Rules,
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Displacement (P, 3) and 1 sigma east, north, up (P, 3) of each pair, and which (P,) are free of outliers.

    ``turn`` (3, 3) rotates Earth-centred offsets to east, north, up. Figures of the others mean nothing.
    """
    n = len(pairs)
    rows = [_held(old, new, matched, rules.mask_rad) for old, new in pairs]
    most = max((len(j) for _, j in rows), default=0)
    if not n or not most:
        return np.full((n, 3), np.nan), np.full((n, 3), np.nan), np.zeros(n, dtype=bool)
    unit, change, weight = np.zeros((n, most, 3)), np.zeros((n, most)), np.zeros((n, most))
    system, first_of = np.zeros((n, most), np.int64), np.zeros((n, most), dtype=bool)
    for p, ((old, new), (i, j)) in enumerate(zip(pairs, rows, strict=True)):
        m = len(j)
        unit[p, :m] = -new.unit_ecef[j]
        change[p, :m] = new.reduced_m[j] - old.reduced_m[i]
        weight[p, :m] = np.sin(new.elevation_rad[j]) / rules.phase_sigma_m
        keys = new.keys[j]
        system[p, :m] = keys // 10_000
        satellite = keys // 100
        first_of[p, 0] = m > 0
        first_of[p, 1:m] = satellite[1:] != satellite[:-1]  # the cells of a satellite stand together
    has = (system[:, :, None] == np.arange(_SYSTEMS)) & (weight > 0)[:, :, None]
    lonely = has.sum(axis=1) == 1  # a clock of its own takes all that a single cell says
    weight = np.where(np.take_along_axis(lonely, system, axis=1), 0.0, weight)
    used = weight > 0
    present = (has & used[:, :, None]).any(axis=1)
    satellites = (first_of & used).sum(axis=1)
    a = np.concatenate((unit * weight[:, :, None], has * weight[:, :, None]), axis=2)
    b = change * weight
    normal = np.matmul(a.transpose(0, 2, 1), a)
    diagonal = np.arange(3, 3 + _SYSTEMS)
    normal[:, diagonal, diagonal] += np.where(present, 0.0, 1.0)  # constellations that are not there
    enough = satellites >= 3 + present.sum(axis=1) + rules.least_surplus
    normal[~enough] = np.eye(3 + _SYSTEMS)
    try:
        q = np.linalg.inv(normal)
    except np.linalg.LinAlgError:
        return np.full((n, 3), np.nan), np.full((n, 3), np.nan), np.zeros(n, dtype=bool)
    solution = np.matmul(q, np.matmul(a.transpose(0, 2, 1), b[:, :, None]))
    v = b - np.matmul(a, solution)[:, :, 0]
    redundancy = np.maximum(1.0 - np.sum(np.matmul(a, q) * a, axis=2), 0.05)
    size = np.where(used, np.abs(v) / np.sqrt(redundancy), np.inf)
    counts = used.sum(axis=1)
    middle = np.take_along_axis(np.sort(size, axis=1), np.minimum(counts // 2, most - 1)[:, None], axis=1)[:, 0]
    worst = np.max(np.where(used, size, 0.0), axis=1)
    dof = counts - 3 - present.sum(axis=1)
    variance = q[:, 0, 0] + q[:, 1, 1] + q[:, 2, 2]
    clean = enough & (dof > 1) & (variance > 0.0) & (variance < rules.most_variance_m2)
    clean &= worst <= rules.w_critical * np.maximum(1.0, 1.4826 * np.where(np.isfinite(middle), middle, 0.0))
    scale = np.maximum(1.0, np.sqrt(np.sum(v * v, axis=1) / np.maximum(dof, 1)))
    doubled = np.sqrt(counts / np.maximum(satellites, 1))
    spread = np.einsum("ij,pjk,ik->pi", turn, q[:, :3, :3], turn)
    sigma = np.sqrt(np.maximum(spread, 0.0)) * (scale * doubled)[:, None]
    return solution[:, :3, 0] @ turn.T, sigma, clean


def _held(
    old: ReducedPhases, new: ReducedPhases, matched: Callable[[Ints, Ints], tuple[Ints, Ints]], mask_rad: float
) -> tuple[Ints, Ints]:
    """Places of the cells that both have, above the mask, whose lock has held."""
    i, j = matched(old.keys, new.keys)
    held = (new.elevation_rad[j] > mask_rad) & ~(new.lock_ms[j] < old.lock_ms[i])
    return i[held], j[held]
