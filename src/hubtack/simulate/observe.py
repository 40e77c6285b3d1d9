"""What a base's receiver measures: code and phase ranges, strengths and lock times, from geometry and clocks.

Code and phase of a satellite share geometry, clocks and troposphere, and part by the ionosphere (with opposite sign),
by a whole number of wavelengths and by noise: a reader can difference them, or solve for the base's position.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.simulate.encode_msm import MOST_CELLS, SIGNALS
from hubtack.simulate.sky import (
    BEIDOU,
    GALILEO,
    GLONASS,
    GLONASS_CHANNELS,
    GPS,
    LIGHT_M_S,
    SHELLS,
    View,
    carrier_to_noise_dbhz,
)
from hubtack.simulate.world import Base, World

Floats = NDArray[np.float64]

# Strength of the further signals against the first [dB], common practice: L2 P(Y) is weak, L5 and E5 are strong.
_STRENGTH_DB = {GPS: (0.0, -6.0, 1.0), GLONASS: (0.0, -2.0), GALILEO: (0.0, 1.0, 1.0), BEIDOU: (0.0, 1.0, 0.0)}
_TRACKS_ABOVE_DBHZ = 25.0  # a receiver loses a signal some decibels below this; common practice
_MULTIPATH_TIME_S = 40.0
_BROADCAST_ERROR_M = {GPS: 0.5, GLONASS: 1.2, GALILEO: 0.3, BEIDOU: 0.7}  # orbit and clock messages; common practice


@dataclass(slots=True)
class Observations:
    """All observations of one system by one base: (T, S, K) arrays over its epochs; ``cells`` says which exist."""

    system: int
    signals: tuple[int, ...]
    seconds: NDArray[np.int64]
    cells: NDArray[np.bool_]
    code_m: Floats
    phase_m: Floats
    lock_ms: NDArray[np.int64]
    cn0_dbhz: Floats
    rate_m_s: Floats


def observe(
    world: World, base: Base, system: int, seen: View, seconds: NDArray[np.int64], rng: np.random.Generator
) -> Observations:
    """The base's observations of one system at the given whole seconds (T,)."""
    table = SIGNALS[system][: base.bands]
    n_sats, n_signals = len(SHELLS[system].slots), len(table)
    shape = (len(seconds), n_sats, n_signals)
    elevation, azimuth = seen.elevation_deg[seconds], seen.azimuth_deg[seconds]
    sine = np.sin(np.radians(np.clip(elevation, 3.0, 90.0)))
    t = seconds.astype(np.float64)
    clock_m = LIGHT_M_S * world.orbits.clock_s(system, t)
    own_clock_m = 12.0 + 4.0 * np.sin(t / 700.0)
    geometric = seen.range_m[seconds] - clock_m + own_clock_m[:, None] + _troposphere_m(sine, world.place.h_ellipsoid_m)
    # What the broadcast orbit and clock are off by: the same for every base, so drawn from the satellites' own seed.
    broadcast = np.random.Generator(np.random.PCG64([world.seed, system])).normal(0, _BROADCAST_ERROR_M[system], n_sats)
    geometric = geometric + broadcast
    for at, moved_enu_m in base.moves:
        geometric = geometric - np.where((t >= at)[:, None], _along(elevation, azimuth, moved_enu_m), 0.0)
    iono_m = base.iono_zenith_m * _iono_slant(elevation)

    # Losses of lock: some at low elevation, and where the base's sky is blocked for a while.
    has = np.ones((n_sats, n_signals), dtype=bool)
    if n_signals > 2:
        has[:, 2] = rng.random(n_sats) < 0.6  # not every satellite sends the third signal
    strength = carrier_to_noise_dbhz(elevation)[:, :, None] + np.array(_STRENGTH_DB[system][:n_signals])
    strength = strength - base.cn0_loss_db
    up = elevation > base.mask_deg
    for start, end, az_from, az_to, below in base.blocked:
        inside = ((azimuth - az_from) % 360.0) <= ((az_to - az_from) % 360.0)
        up &= ~(inside & (elevation < below) & ((t >= start) & (t < end))[:, None])
    cells = up[:, :, None] & has & (strength > _TRACKS_ABOVE_DBHZ)
    cells &= cells[:, :, :1]
    cells &= _best(elevation, cells[:, :, 0], MOST_CELLS // n_signals)[:, :, None]

    slipped = rng.random(shape) < 4e-5 / np.maximum(sine, 0.1)[:, :, None] ** 2 * base.interval_s
    begins = slipped & cells
    begins[1:] |= cells[1:] & ~cells[:-1]
    index = np.where(begins, np.arange(len(seconds))[:, None, None], -1)
    since = np.maximum.accumulate(index, axis=0) if len(seconds) else index
    before_ms = rng.integers(600_000, 20_000_000, (n_sats, n_signals))
    now_ms = (t * 1000).astype(np.int64)[:, None, None]
    lock_ms = np.where(since < 0, now_ms + before_ms, now_ms - now_ms[np.maximum(since, 0), 0, 0])

    whole = rng.integers(-60, 60, (n_sats, n_signals)).astype(np.float64)
    jumps = rng.integers(-40, 40, (n_sats, n_signals, 61)).astype(np.float64)
    arc = np.minimum(np.cumsum(begins, axis=0), 60)
    cycles = whole + np.take_along_axis(jumps[None], arc[..., None], axis=-1)[..., 0] * (arc > 0)

    wobble = _correlated(rng, shape, base.interval_s / _MULTIPATH_TIME_S)
    grows = 1.0 / np.maximum(sine, 0.12)[:, :, None]
    frequencies = np.array([f for _, f in table])[None, :] * np.ones((n_sats, 1))
    if system == GLONASS:
        frequencies = frequencies + np.array(GLONASS_CHANNELS)[:, None] * np.array([0.5625e6, 0.4375e6])[:n_signals]
    first_hz = 1575.42e6
    iono = iono_m[:, :, None] * (first_hz / frequencies) ** 2
    code = geometric[:, :, None] + iono + grows * (0.22 * wobble + 0.15 * rng.standard_normal(shape))
    phase_noise = 0.002 * np.sqrt(grows) * (0.7 * wobble + 0.7 * rng.standard_normal(shape))
    phase = geometric[:, :, None] - iono + cycles * (LIGHT_M_S / frequencies) + phase_noise
    cn0 = np.clip(strength + 0.8 * _correlated(rng, shape, base.interval_s / 20.0), 20.0, 60.0)
    rate = np.gradient(seen.range_m, axis=0)[seconds] if len(seen.range_m) > 1 else np.zeros(elevation.shape)
    return Observations(
        system, tuple(n for n, _ in table), seconds, cells, code, phase, lock_ms, cn0, np.clip(rate, -8000, 8000)
    )


def _best(elevation: Floats, up: NDArray[np.bool_], most: int) -> NDArray[np.bool_]:
    """The ``most`` highest of the satellites that are up, each epoch."""
    order = np.argsort(np.where(up, -elevation, 99.0), axis=1, kind="stable")
    rank = np.argsort(order, axis=1, kind="stable")
    return np.asarray(rank < most)


def _correlated(rng: np.random.Generator, shape: tuple[int, ...], step: float) -> Floats:
    """Unit noise along axis 0 that forgets itself after 1 / step rows."""
    keep = float(np.exp(-step))
    drive = rng.standard_normal(shape) * np.sqrt(1.0 - keep * keep)
    value = rng.standard_normal(shape[1:])
    for i in range(shape[0]):
        value = keep * value + drive[i]
        drive[i] = value
    return np.asarray(drive)


def _troposphere_m(sine: Floats, h_m: float) -> Floats:
    """Slant delay: 2.38 m at the zenith near sea level, mapped by Black and Eisner 1984 (from memory). [m]

    Higher up it falls as the pressure of the standard atmosphere does (ISO 2533, from memory).
    """
    pressure_share = (1.0 - 2.25577e-5 * h_m) ** 5.2559 if h_m > 50.0 else 1.0
    return np.asarray(2.38 * pressure_share * 1.001 / np.sqrt(0.002001 + sine * sine))


def _iono_slant(elevation_deg: Floats) -> Floats:
    """Thin shell at 350 km (common practice): 1 at the zenith, about 3 at the horizon."""
    q = 6_371.0 / (6_371.0 + 350.0) * np.cos(np.radians(np.clip(elevation_deg, 0.0, 90.0)))
    return np.asarray(1.0 / np.sqrt(1.0 - q * q))


def _along(elevation_deg: Floats, azimuth_deg: Floats, moved_enu_m: Floats) -> Floats:
    """Part of a movement of the antenna along the line to each satellite. [m]"""
    el, az = np.radians(elevation_deg), np.radians(azimuth_deg)
    east, north, up = (float(v) for v in moved_enu_m)
    along: Any = east * np.cos(el) * np.sin(az) + north * np.cos(el) * np.cos(az) + up * np.sin(el)
    return np.asarray(along)
