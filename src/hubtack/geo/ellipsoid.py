"""WGS 84 coordinates: geodetic, Earth-centred, and east-north-up at a place.

Elementwise numpy only, so that a row gives the same bits alone and in a block of thousands. pyproj gives the same
values to 0.1 micrometre (tests/reference) but costs a transformer; datum work, which is what PROJ is for, lives in
``control``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WGS84_A_M = 6_378_137.0  # EPSG ellipsoid 7030
WGS84_INV_F = 298.257223563  # EPSG ellipsoid 7030
WGS84_F = 1.0 / WGS84_INV_F
WGS84_E2 = WGS84_F * (2.0 - WGS84_F)
WGS84_B_M = WGS84_A_M * (1.0 - WGS84_F)


def geodetic_to_ecef(lat_deg: Floats, lon_deg: Floats, h_ellipsoid_m: Floats) -> Floats:
    """Earth-centred coordinates of geodetic positions on WGS 84.

    Parameters
    ----------
    lat_deg, lon_deg : (N,) float
        Geodetic latitude, north positive, and longitude, east positive. [deg]
    h_ellipsoid_m : (N,) float
        Height above the ellipsoid. [m]

    Returns
    -------
    (N, 3) float
        X, Y, Z; NaN where an input is NaN. [m]

    References
    ----------
    IOGP 373-7-2 (EPSG Guidance Note 7-2), method 9602.
    """
    lat_rad, lon_rad = np.radians(np.asarray(lat_deg)), np.radians(np.asarray(lon_deg))
    sin_lat, cos_lat = np.sin(lat_rad), np.cos(lat_rad)
    prime_vertical_m = WGS84_A_M / np.sqrt(1.0 - WGS84_E2 * sin_lat * sin_lat)
    across_m = (prime_vertical_m + h_ellipsoid_m) * cos_lat
    z_m = (prime_vertical_m * (1.0 - WGS84_E2) + h_ellipsoid_m) * sin_lat
    return np.stack((across_m * np.cos(lon_rad), across_m * np.sin(lon_rad), z_m), axis=-1)


def ecef_to_geodetic(pos_ecef_m: Floats) -> tuple[Floats, Floats, Floats]:
    """Geodetic latitude, longitude [deg] and ellipsoidal height [m] of Earth-centred positions.

    Parameters
    ----------
    pos_ecef_m : (N, 3) float
        X, Y, Z. [m]

    Returns
    -------
    tuple of (N,) float
        ``lat_deg``, ``lon_deg``, ``h_ellipsoid_m``; NaN where an input is NaN, and NaN within 1 km of the
        Earth's centre, where latitude has no meaning.

    References
    ----------
    Bowring (1976) with the reduced latitude, applied three times: below 1e-11 rad from -10 km to 30 000 km.
    """
    pos = np.asarray(pos_ecef_m, dtype=np.float64)
    x_m, y_m, z_m = pos[..., 0], pos[..., 1], pos[..., 2]
    p_m = np.hypot(x_m, y_m)
    sane = p_m * p_m + z_m * z_m > 1e6
    p_safe = np.where(sane, p_m, WGS84_A_M)
    z_safe = np.where(sane, z_m, 0.0)
    ep2 = WGS84_E2 / (1.0 - WGS84_E2)
    reduced = np.arctan2(z_safe * WGS84_A_M, p_safe * WGS84_B_M)
    lat_rad = np.zeros_like(p_safe)
    for _ in range(3):
        sin_b, cos_b = np.sin(reduced), np.cos(reduced)
        lat_rad = np.arctan2(
            z_safe + ep2 * WGS84_B_M * sin_b * sin_b * sin_b,
            p_safe - WGS84_E2 * WGS84_A_M * cos_b * cos_b * cos_b,
        )
        reduced = np.arctan2((1.0 - WGS84_F) * np.sin(lat_rad), np.cos(lat_rad))
    sin_lat, cos_lat = np.sin(lat_rad), np.cos(lat_rad)
    # Well conditioned at the poles as well as at the equator, unlike p / cos(lat) - N.
    h_m = p_safe * cos_lat + z_safe * sin_lat - WGS84_A_M * np.sqrt(1.0 - WGS84_E2 * sin_lat * sin_lat)
    bad = np.where(sane, 0.0, np.nan)
    return np.degrees(lat_rad) + bad, np.degrees(np.arctan2(y_m, x_m)) + bad, h_m + bad


def enu_rotation(lat_deg: Floats, lon_deg: Floats) -> Floats:
    """Rotation (N, 3, 3) whose rows are east, north and up at the place, so that enu = R @ ecef offset.

    References
    ----------
    IOGP 373-7-2, method 9836 (geocentric/topocentric).
    """
    lat_rad, lon_rad = np.radians(np.asarray(lat_deg)), np.radians(np.asarray(lon_deg))
    sin_lat, cos_lat = np.sin(lat_rad), np.cos(lat_rad)
    sin_lon, cos_lon = np.sin(lon_rad), np.cos(lon_rad)
    zero = np.zeros_like(sin_lat)
    east = np.stack((-sin_lon, cos_lon, zero), axis=-1)
    north = np.stack((-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat), axis=-1)
    up = np.stack((cos_lat * cos_lon, cos_lat * sin_lon, sin_lat), axis=-1)
    return np.stack((east, north, up), axis=-2)


def ecef_offset_to_enu(offset_ecef_m: Floats, lat_deg: Floats, lon_deg: Floats) -> Floats:
    """East, north, up components (N, 3) of Earth-centred offsets (N, 3), at (N,) places or at (1,) for all. [m]"""
    lat_rad, lon_rad = np.radians(np.asarray(lat_deg)), np.radians(np.asarray(lon_deg))
    sin_lat, cos_lat = np.sin(lat_rad), np.cos(lat_rad)
    sin_lon, cos_lon = np.sin(lon_rad), np.cos(lon_rad)
    x_m, y_m, z_m = offset_ecef_m[..., 0], offset_ecef_m[..., 1], offset_ecef_m[..., 2]
    # Written out: a product of matrices may add in another order for another number of rows.
    outward_m = cos_lon * x_m + sin_lon * y_m
    east_m = cos_lon * y_m - sin_lon * x_m
    return np.stack((east_m, cos_lat * z_m - sin_lat * outward_m, cos_lat * outward_m + sin_lat * z_m), axis=-1)


def enu_to_ecef_offset(offset_enu_m: Floats, lat_deg: Floats, lon_deg: Floats) -> Floats:
    """Earth-centred offsets (N, 3) of east, north, up components (N, 3), at (N,) places. [m]"""
    rotation = enu_rotation(lat_deg, lon_deg)
    return np.asarray(np.einsum("...ji,...j->...i", rotation, offset_enu_m))
