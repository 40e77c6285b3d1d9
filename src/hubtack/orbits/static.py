"""The position of an antenna that stands still, out of many epochs, with an uncertainty that does not shrink wrongly.

Noise averages, but only over independent stretches: multipath is taken as the same for a minute. Orbit and clock
errors, the troposphere and an ionosphere model do not average at all within a session. So the sum of normal
equations gives the position, and three separate propagations give its covariance; divided by the square root of the
epochs, an 87 s stream would claim centimetres.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_to_geodetic, enu_rotation
from hubtack.orbits.atmosphere import ZENITH_RESIDUAL_M
from hubtack.orbits.single_point import PointSolution

Floats = NDArray[np.float64]

_NUMBERS = 1000
CORRELATION_S = 60.0  # multipath of a standing antenna turns over in one to several minutes; common practice


@dataclass(frozen=True)
class StaticPosition:
    """Averaged position (3,) and its covariance (3, 3) in east, north, up, with what it rests on.

    ``scale`` is the root of chi squared over degrees of freedom; above 1 it has widened the covariance.
    """

    pos_ecef_m: Floats
    covariance_enu_m2: Floats
    epochs: int
    span_s: float
    satellites: int
    systems: tuple[int, ...]
    excluded: tuple[tuple[int, int], ...]
    two_frequency: bool
    scale: float

    @property
    def sigma_enu_m(self) -> Floats:
        """1 sigma east, north, up (3,). [m]"""
        return np.asarray(np.sqrt(np.diagonal(self.covariance_enu_m2)))


class StaticAverage:
    """Sums epochs of one standing antenna; memory does not grow with their number."""

    def __init__(self) -> None:
        self._reference: Floats | None = None
        self._normal, self._right = np.zeros((3, 3)), np.zeros(3)
        # By satellite, 100 times the system and the number in it: sums of weighted rows times bias and noise.
        self._bias, self._noise = np.zeros((_NUMBERS, 3)), np.zeros((_NUMBERS, 3))
        self._heard = np.zeros(_NUMBERS, dtype=bool)
        self._noise_sum = np.zeros((3, 3))
        self._tropo, self._iono = np.zeros(3), np.zeros(3)
        self._chi2, self._dof, self._epochs = 0.0, 0, 0
        self._first_s, self._last_s, self._block_s = np.nan, np.nan, np.nan
        self._iono_used = False
        self._excluded: dict[tuple[int, int], int] = {}

    @property
    def epochs(self) -> int:
        """Epochs summed so far."""
        return self._epochs

    def add(self, solution: PointSolution, t_s: float) -> None:
        """Add one epoch; ``t_s`` counts seconds without a week's turn. Epochs may come late."""
        if self._reference is None:
            self._reference, self._first_s, self._last_s, self._block_s = solution.pos_ecef_m, t_s, t_s, t_s
        if abs(t_s - self._block_s) >= CORRELATION_S:
            self._close_block()
            self._block_s = t_s
        weight = 1.0 / solution.sigma_m**2
        design = _without_clocks(solution.design, weight, solution.system)
        # Prefits are at the epoch's own solution; the shift to the common reference is linear to micrometres.
        prefit = solution.prefit_m + solution.design @ (solution.pos_ecef_m - self._reference)
        weighted = design * weight[:, None]
        self._normal += weighted.T @ design
        self._right += weighted.T @ prefit
        number = 100 * solution.system + solution.satellite  # each satellite is there once
        self._bias[number] += weighted * solution.bias_m[:, None]
        self._noise[number] += weighted * solution.noise_m[:, None]
        self._heard[number] = True
        self._tropo += weighted.T @ solution.mapping * ZENITH_RESIDUAL_M
        self._iono += weighted.T @ solution.iono_sigma_m
        self._iono_used |= bool((solution.iono_sigma_m > 0).any())
        for key in solution.excluded:
            self._excluded[key] = self._excluded.get(key, 0) + 1
        self._chi2, self._dof = self._chi2 + solution.chi2, self._dof + solution.dof
        self._epochs += 1
        self._first_s, self._last_s = min(self._first_s, t_s), max(self._last_s, t_s)

    def _close_block(self) -> None:
        """Noise of one correlated stretch becomes one independent draw a satellite."""
        self._noise_sum += self._noise.T @ self._noise
        self._noise[:] = 0.0

    def result(self) -> StaticPosition | None:
        """The position so far; None before the first epoch."""
        if self._reference is None:
            return None
        inverse = np.linalg.inv(self._normal)
        middle = self._noise_sum + np.outer(self._tropo, self._tropo) + np.outer(self._iono, self._iono)
        middle = middle + self._noise.T @ self._noise + self._bias.T @ self._bias
        scale = max(1.0, (self._chi2 / self._dof) ** 0.5) if self._dof else 1.0
        position = self._reference + inverse @ self._right
        lat, lon, _ = ecef_to_geodetic(position[None])
        turn = enu_rotation(lat, lon)[0]
        return StaticPosition(
            pos_ecef_m=position,
            covariance_enu_m2=turn @ (inverse @ middle @ inverse) @ turn.T * scale**2,
            epochs=self._epochs,
            span_s=self._last_s - self._first_s,
            satellites=int(np.count_nonzero(self._heard)),
            systems=tuple(np.unique(np.flatnonzero(self._heard) // 100).tolist()),
            # Excluded in most epochs: in a few it may have been noise.
            excluded=tuple(sorted(key for key, n in self._excluded.items() if 2 * n > self._epochs)),
            two_frequency=not self._iono_used,
            scale=(self._chi2 / self._dof) ** 0.5 if self._dof else float("nan"),
        )


def _without_clocks(design: Floats, weight: Floats, system: NDArray[np.int64]) -> Floats:
    """Design rows less their weighted mean within each constellation: what is left once the clocks are solved for."""
    share = weight / np.bincount(system, weight)[system]
    means = np.stack([np.bincount(system, share * design[:, k])[system] for k in range(3)], axis=1)
    return np.asarray(design - means)
