"""The mean of an occupation and how far it can be trusted: a stated rule for outliers, and correlated noise.

Positions of neighbouring epochs err alike. Sixty fixed epochs of a minute are worth a handful of independent ones, so
dividing the scatter by the root of their number would promise millimetres that nobody has.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.knowledge.control_limits import CONTROL_BY_KEY

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MAD_TO_SIGMA = 1.4826022185056018  # 1 / 75 % point of the normal distribution (textbook)
OUTLIER_RULE = (
    "an epoch is left out where it is more than {k:g} robust sigmas (1.4826 x median absolute deviation, at least "
    "{floor:g} mm) from the median in any axis"
).format(k=CONTROL_BY_KEY["outlier_sigmas"], floor=1000 * CONTROL_BY_KEY["outlier_floor_m"])


def inliers(values_m: Floats) -> Bools:
    """Which of (N, 3) positions stay, by ``OUTLIER_RULE``; an axis that is NaN does not decide. (N,)"""
    keep = np.ones(len(values_m), dtype=bool)
    for axis in range(values_m.shape[1]):
        column = values_m[:, axis]
        known = np.isfinite(column)
        if not known.any():
            continue
        median = float(np.median(column[known]))
        spread = MAD_TO_SIGMA * float(np.median(np.abs(column[known] - median)))
        limit = CONTROL_BY_KEY["outlier_sigmas"] * max(spread, CONTROL_BY_KEY["outlier_floor_m"])
        keep &= ~known | (np.abs(column - median) <= limit)
    return keep


def correlation_length(values: Floats) -> float:
    """How many neighbouring epochs say the same thing once: 1 for white noise, at most N. [epochs]

    The sum of the autocorrelations of (N,) values, over pairs of lags until a pair turns negative.

    References
    ----------
    Geyer (1992), Practical Markov chain Monte Carlo, initial positive sequence; the autocorrelations are the biased
    ones, so that the estimate stays finite on a drift.
    """
    n = len(values)
    if n < 4:
        return 1.0
    centred = values - values.mean()
    power = float(centred @ centred)
    if not power > 0:
        return 1.0
    spectrum = np.fft.rfft(centred, 2 * n)
    acf = np.fft.irfft(spectrum * np.conj(spectrum), 2 * n)[:n] / power
    pairs = acf[: n - n % 2].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs <= 0)
    used = pairs[: negative[0]] if len(negative) else pairs
    return float(min(max(1.0, 2.0 * used.sum() - 1.0), n))


def mean_sigma_m(values_m: Floats) -> tuple[float, float]:
    """1 sigma of the mean of (N,) correlated values, and the number of independent ones they are worth. [m]

    NaN for fewer than two values. A scatter taken over few correlation lengths is itself too small by
    (n_eff - 1) / n_eff, which is put right here; below two effective epochs nothing can be put right, and the scatter
    serves as it is.
    """
    n = len(values_m)
    if n < 2:
        return float("nan"), float(n)
    length = correlation_length(values_m)
    n_eff = max(1.0, n / length)
    variance = float(values_m.var()) * n_eff / max(n_eff - 1.0, 1.0)
    return float(np.sqrt(variance / n_eff)), n_eff


def slow_share(duration_s: float) -> float:
    """What is left, 0 to 1, of an error of minutes (multipath, atmosphere) in the mean over a duration.

    The mean of an exponentially correlated error: variance 2/u (1 - (1 - e^-u)/u) at u = duration / correlation time.
    1 for an instant, 0.86 after one correlation time, 0.5 after seven.
    """
    u = max(duration_s, 0.0) / CONTROL_BY_KEY["correlation_time_s"]
    if u < 1e-4:
        return 1.0
    return float(np.sqrt(2.0 / u * (1.0 - (1.0 - np.exp(-u)) / u)))


@dataclass(frozen=True, slots=True)
class Mean:
    """The mean of an occupation, east, north, up from the point it was given about. [m]

    ``scatter_m`` is the standard deviation of single epochs, ``mean_sigma_m`` that of the mean by the noise seen,
    ``sigma_m`` with the slow errors that an occupation cannot see, all 1 sigma by axis (3,).
    """

    enu_m: Floats
    scatter_m: Floats
    mean_sigma_m: Floats
    sigma_m: Floats
    n_effective: Floats
    epochs: int
    used: int
    duration_s: float

    @property
    def outliers(self) -> int:
        """Epochs left out by the rule."""
        return self.epochs - self.used


def occupation_mean(enu_m: Floats, time_ns: NDArray[np.int64], stated_sigma_m: Floats) -> Mean:
    """Robust mean of (N, 3) fixed positions with an honest uncertainty.

    Parameters
    ----------
    enu_m : (N, 3) float
        East, north, up; up may be NaN throughout. [m]
    time_ns : (N,) int
        Times, for the duration. [ns]
    stated_sigma_m : (3,) float
        1 sigma of a single position by axis as receiver and baseline give it. [m]

    Raises
    ------
    ValueError
        If there is no row.
    """
    if not len(enu_m):
        raise ValueError("no fixed epochs")
    keep = inliers(enu_m)
    kept, times = enu_m[keep], time_ns[keep]
    duration_s = float(times[-1] - times[0]) / 1e9 if len(times) else 0.0
    mean, scatter, noise, n_eff = (np.full(3, np.nan) for _ in range(4))
    for axis in range(3):
        known = kept[np.isfinite(kept[:, axis]), axis]
        if len(known):
            mean[axis] = known.mean()
            scatter[axis] = known.std(ddof=1) if len(known) > 1 else np.nan
            noise[axis], n_eff[axis] = mean_sigma_m(known)
    # One epoch has no scatter of its own: then the receiver's word is all there is.
    seen = np.where(np.isnan(noise) & np.isfinite(mean), 0.0, noise)
    sigma = np.sqrt(seen**2 + (stated_sigma_m * slow_share(duration_s)) ** 2)
    return Mean(mean, scatter, noise, sigma, n_eff, len(enu_m), int(keep.sum()), duration_s)
