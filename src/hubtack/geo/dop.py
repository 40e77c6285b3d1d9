"""Dilution of precision from directions to satellites, for one epoch or many, with a clock for each constellation.

A geometry that cannot be solved (too few satellites, or all near one cone) is NaN and never a large number made up
by rounding. DOP knows nothing of blocked signals that are still tracked; for RTK pass the satellites common to base
and rover only.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# Ratio of the least to the largest eigenvalue of H'H below which the geometry counts as singular: at 1e-9 a DOP is
# in the ten thousands, and a receiver would have refused long before.
_SINGULAR_RATIO = 1e-9


class Dop(NamedTuple):
    """Dilutions of precision, (N,) each, NaN where the geometry has no solution.

    ``pdop**2 = hdop**2 + vdop**2`` and ``gdop**2 = pdop**2 + tdop**2``; with several clocks ``tdop`` is the root of
    the sum of their squares, so that both hold. ``n_used`` (N,) counts the satellites that took part.
    """

    gdop: Floats
    pdop: Floats
    hdop: Floats
    vdop: Floats
    tdop: Floats
    n_used: NDArray[np.int64]


def line_of_sight_enu(azimuth_rad: ArrayLike, elevation_rad: ArrayLike) -> Floats:
    """Unit vectors (..., 3) east, north, up from receiver to satellite.

    References
    ----------
    e = cos el sin az, n = cos el cos az, u = sin el; azimuth clockwise from north.
    """
    az, el = np.asarray(azimuth_rad, dtype=np.float64), np.asarray(elevation_rad, dtype=np.float64)
    cos_el = np.cos(el)
    return np.stack((cos_el * np.sin(az), cos_el * np.cos(az), np.sin(el)), axis=-1)


def dop(
    azimuth_rad: ArrayLike,
    elevation_rad: ArrayLike,
    *,
    system: ArrayLike | None = None,
    use: ArrayLike | None = None,
) -> Dop:
    """Dilution of precision of each epoch from the directions to its satellites.

    Parameters
    ----------
    azimuth_rad, elevation_rad : (N, S) or (S,) float
        Direction to each satellite; NaN takes it out. [rad]
    system : (S,) or (N, S) int, optional
        Constellation of each satellite. Every constellation in use in an epoch gets its own clock column, and so
        costs one satellite; left out, all share one clock.
    use : (N, S) or (S,) bool, optional
        False takes a satellite out of an epoch (below the mask, obstructed, not common).

    Returns
    -------
    Dop
        Fields of shape (N,); N is 1 for (S,) input.

    Raises
    ------
    ValueError
        If the shapes do not agree.

    References
    ----------
    Rows [-e, -n, -u, 1], Q = inv(H'H): Blanco-Delgado, Nunes, Seco-Granados (2017), GPS Solutions 21, after
    Parkinson and Spilker (1996). A column for each further clock: from memory, receivers differ.
    """
    az, el = np.atleast_2d(np.asarray(azimuth_rad, np.float64)), np.atleast_2d(np.asarray(elevation_rad, np.float64))
    if az.shape != el.shape:
        raise ValueError(f"azimuth {az.shape} and elevation {el.shape} must have one shape")
    used = np.isfinite(az) & np.isfinite(el)
    if use is not None:
        used = used & np.broadcast_to(np.asarray(use, dtype=bool), az.shape)
    labels = np.zeros(az.shape, np.int64) if system is None else np.broadcast_to(np.asarray(system), az.shape)
    direction = line_of_sight_enu(np.where(used, az, 0.0), np.where(used, el, 0.0))
    clocks = np.unique(labels[used]) if used.any() else np.zeros(1, np.int64)
    clock_of = (labels[..., None] == clocks) & used[..., None]  # (N, S, K)
    design = np.concatenate((np.where(used[..., None], -direction, 0.0), clock_of.astype(np.float64)), axis=-1)
    q_diagonal = _inverse_diagonal(np.einsum("nsi,nsj->nij", design, design), clock_of.any(axis=1))
    h2 = q_diagonal[:, 0] + q_diagonal[:, 1]
    p2 = h2 + q_diagonal[:, 2]
    t2 = np.where(clock_of.any(axis=1), q_diagonal[:, 3:], 0.0).sum(axis=1)
    return Dop(
        gdop=np.sqrt(p2 + t2),
        pdop=np.sqrt(p2),
        hdop=np.sqrt(h2),
        vdop=np.sqrt(q_diagonal[:, 2]),
        tdop=np.sqrt(t2),
        n_used=used.sum(axis=1),
    )


def _inverse_diagonal(normal: Floats, has_clock: NDArray[np.bool_]) -> Floats:
    """Diagonal (N, 3 + K) of the inverses of (N, 3 + K, 3 + K); NaN rows where singular."""
    if normal.shape[0] == 0:
        return np.zeros(normal.shape[:2])
    # A constellation absent from an epoch leaves an empty column: a one on its diagonal keeps it out of the rest.
    filled = normal.copy()
    k = np.arange(has_clock.shape[1])
    filled[:, 3 + k, 3 + k] += np.where(has_clock, 0.0, 1.0)
    eigenvalues = np.linalg.eigvalsh(filled)
    solvable = eigenvalues[:, 0] > _SINGULAR_RATIO * eigenvalues[:, -1]
    filled[~solvable] = np.eye(filled.shape[1])
    diagonal = np.diagonal(np.linalg.inv(filled), axis1=1, axis2=2)
    return np.where(solvable[:, None], diagonal, np.nan)
