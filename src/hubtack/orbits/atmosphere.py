"""Delays of the troposphere and the ionosphere along the line of sight, from models that need no measurement."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hubtack.orbits.signals import SPEED_OF_LIGHT_M_S

Floats = NDArray[np.float64]

RELATIVE_HUMIDITY = 0.5
ZENITH_RESIDUAL_M = 0.15  # 1 sigma of the wet delay a standard atmosphere leaves; common practice 0.1 to 0.2 m
_F_L1_HZ = 1575.42e6

# Without coefficients (no RTCM ephemeris message carries them): 6 m at noon and 1.5 m at night, vertical on L1, a
# middling year of the solar cycle. The uncertainty taken with it covers both its ends. Common practice, no source.
NOMINAL_ALPHA = (2.0e-8, 0.0, 0.0, 0.0)
NOMINAL_BETA = (1.2e5, 0.0, 0.0, 0.0)


def troposphere_zenith_m(lat_deg: Floats | float, h_ellipsoid_m: Floats | float) -> Floats:
    """Zenith delay of a standard atmosphere at 50 % humidity, (N,) or one; 0 outside -500 m to 20 km. [m]

    References
    ----------
    Saastamoinen (1972), with the ICAO standard atmosphere; constants as in Davis et al. (1985), from memory.
    The ellipsoidal height stands for that above the sea: 100 m of geoid change it by 30 mm.
    """
    given = np.asarray(h_ellipsoid_m, dtype=np.float64)
    inside = (given >= -500.0) & (given <= 20_000.0)
    h = np.where(inside, np.maximum(given, 0.0), 0.0)
    pressure_hpa = 1013.25 * (1.0 - 2.2557e-5 * h) ** 5.2568
    kelvin = 288.15 - 6.5e-3 * h
    vapour_hpa = 6.108 * RELATIVE_HUMIDITY * np.exp((17.15 * kelvin - 4684.0) / (kelvin - 38.45))
    dry = 0.0022768 * pressure_hpa / (1.0 - 0.00266 * np.cos(2.0 * np.radians(lat_deg)) - 2.8e-7 * h)
    wet = 0.002277 * (1255.0 / kelvin + 0.05) * vapour_hpa
    return np.where(inside, dry + wet, 0.0)


def troposphere_mapping(elevation_rad: Floats) -> Floats:
    """Slant over zenith delay, (N,); NaN at or below the horizon.

    References
    ----------
    Black and Eisner (1984), as used for SBAS (RTCA DO-229, A.4.2.4): good to 1 % above 5 degrees.
    """
    sin_el = np.sin(elevation_rad)
    return np.where(elevation_rad > 0.0, 1.001 / np.sqrt(0.002001 + sin_el * sin_el), np.nan)


def ionosphere_slant(elevation_rad: Floats) -> Floats:
    """Slant over vertical ionospheric delay, (N,): IS-GPS-200 20.3.3.5.2.5, F = 1 + 16 (0.53 - E)^3."""
    return np.asarray(1.0 + 16.0 * (0.53 - elevation_rad / np.pi) ** 3)


def klobuchar_m(
    lat_deg: Floats | float,
    lon_deg: Floats | float,
    azimuth_rad: Floats,
    elevation_rad: Floats,
    t_gpst_s: Floats | float,
    alpha: tuple[float, ...] = NOMINAL_ALPHA,
    beta: tuple[float, ...] = NOMINAL_BETA,
) -> Floats:
    """Ionospheric delay of code on L1 along each line of sight, (N,). [m]

    Parameters
    ----------
    lat_deg, lon_deg : float or (N,) float
        The receiver. [deg]
    azimuth_rad, elevation_rad : (N,) float
    t_gpst_s : float or (N,) float
        Seconds of the GPS week or day. [s]
    alpha, beta : 4 floats each
        Broadcast coefficients, per power of semicircles. [s], [s]

    References
    ----------
    IS-GPS-200, 20.3.3.5.2.5 and figure 20-4. Other carriers: times (f_L1 / f) squared.
    """
    e = elevation_rad / np.pi
    psi = 0.0137 / (e + 0.11) - 0.022
    phi = np.clip(lat_deg / 180.0 + psi * np.cos(azimuth_rad), -0.416, 0.416)
    lam = lon_deg / 180.0 + psi * np.sin(azimuth_rad) / np.cos(phi * np.pi)
    phi_m = phi + 0.064 * np.cos((lam - 1.617) * np.pi)
    t = (43_200.0 * lam + t_gpst_s) % 86_400.0
    amplitude = np.maximum(0.0, sum(a * phi_m**n for n, a in enumerate(alpha)))
    period = np.maximum(72_000.0, sum(b * phi_m**n for n, b in enumerate(beta)))
    x = 2.0 * np.pi * (t - 50_400.0) / period
    day = amplitude * (1.0 - x * x / 2.0 + x**4 / 24.0)
    delay_s = ionosphere_slant(elevation_rad) * (5e-9 + np.where(np.abs(x) < 1.57, day, 0.0))
    return np.asarray(delay_s * SPEED_OF_LIGHT_M_S)


def ionosphere_factor(frequency_hz: Floats) -> Floats:
    """Code delay on carriers over that on L1."""
    return np.asarray((_F_L1_HZ / frequency_hz) ** 2)
