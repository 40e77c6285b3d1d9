"""Least squares for many small problems at once: three coordinates each, and one clock a constellation.

The clocks are taken out first, by weighted means within each constellation, so that three unknowns are left. Sums run
in the order of the rows (``bincount``), and everything else is element by element: what a problem gives does not
depend on which others are solved with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_SYSTEMS = 8
# Below this share of what its diagonal allows a normal matrix is singular for all that double precision can tell.
_SINGULAR = 1e-13
_PAIRS = ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))


@dataclass(frozen=True, slots=True)
class Fit:
    """Solutions of P problems with n rows in all.

    ``step`` (P, 3), ``q`` (P, 3, 3) is the inverse of the weighted normal matrix; ``clocks`` and ``rows`` (P,) count;
    ``residual`` and ``redundancy`` (n,) are of the rows. NaN where ``solved`` (P,) is False.
    """

    step: Floats
    q: Floats
    solved: Bools
    rows: Ints
    clocks: Ints
    residual: Floats
    redundancy: Floats

    @property
    def dof(self) -> Ints:
        """Surplus rows (P,)."""
        return np.asarray(self.rows - 3 - self.clocks)


def fit(problem: Ints, system: Ints, n_problems: int, design: Floats, observed: Floats, weight: Floats) -> Fit:
    """Solve ``observed = design @ step + clock of the system`` with weights (inverse variances), each problem alone.

    Parameters
    ----------
    problem, system : (n,) int
        Of each row: its problem, 0 to ``n_problems`` - 1, and its constellation, 0 to 7.
    design : (n, 3) float
    observed, weight : (n,) float
        Weights must be above 0.
    """
    group = problem * _SYSTEMS + system
    n_groups = n_problems * _SYSTEMS
    total = np.bincount(group, weight, n_groups)
    share = weight / total[group]
    columns = [design[:, k] - np.bincount(group, share * design[:, k], n_groups)[group] for k in range(3)]
    y = observed - np.bincount(group, share * observed, n_groups)[group]
    weighted = [weight * column for column in columns]
    normal: dict[tuple[int, int], Floats] = {
        (j, k): np.bincount(problem, weighted[j] * columns[k], n_problems).astype(np.float64) for j, k in _PAIRS
    }
    right = [np.bincount(problem, weighted[j] * y, n_problems) for j in range(3)]
    q, solved = _inverse(normal)
    step = np.stack([q[:, j, 0] * right[0] + q[:, j, 1] * right[1] + q[:, j, 2] * right[2] for j in range(3)], axis=1)
    of_row, q_row = step[problem], q[problem]
    c0, c1, c2 = columns
    residual = y - (c0 * of_row[:, 0] + c1 * of_row[:, 1] + c2 * of_row[:, 2])
    along = (
        c0 * (q_row[:, 0, 0] * c0 + 2.0 * (q_row[:, 0, 1] * c1 + q_row[:, 0, 2] * c2))
        + c1 * (q_row[:, 1, 1] * c1 + 2.0 * q_row[:, 1, 2] * c2)
        + q_row[:, 2, 2] * c2 * c2
    )
    redundancy = 1.0 - share - weight * along
    rows = np.bincount(problem, minlength=n_problems)
    clocks = np.count_nonzero(total.reshape(n_problems, _SYSTEMS) > 0, axis=1)
    return Fit(step, q, solved, rows, clocks, residual, redundancy)


def _inverse(normal: dict[tuple[int, int], Floats]) -> tuple[Floats, Bools]:
    """Inverse (P, 3, 3) of symmetric matrices by cofactors; NaN and False where there is none."""
    a, b, c, d, e, f = (normal[pair] for pair in _PAIRS)
    c00, c01, c02 = d * f - e * e, c * e - b * f, b * e - c * d
    determinant = a * c00 + b * c01 + c * c02
    solved = determinant > _SINGULAR * a * d * f
    scale = 1.0 / np.where(solved, determinant, np.nan)
    c11, c12, c22 = a * f - c * c, b * c - a * e, a * d - b * b
    q = np.stack((c00, c01, c02, c01, c11, c12, c02, c12, c22), axis=1) * scale[:, None]
    return q.reshape(-1, 3, 3), solved


def lonely(problem: Ints, system: Ints, n_problems: int) -> Bools:
    """Rows (n,) that are alone in their constellation: its clock takes all that they have to say."""
    group = problem * _SYSTEMS + system
    return np.asarray(np.bincount(group, minlength=n_problems * _SYSTEMS)[group] == 1)
