"""Satellites on circular orbits by published nominal slots, as broadcast ephemerides would describe them.

The same few parameters (node, argument of latitude, radius, inclination) go into the encoded ephemerides, so a reader
of the stream can work out the positions that the ranges in it were made from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_offset_to_enu

Floats = NDArray[np.float64]

GPS, GLONASS, GALILEO, BEIDOU = 1, 2, 3, 4
SYSTEM_LETTERS: Mapping[int, str] = {GPS: "G", GLONASS: "R", GALILEO: "E", BEIDOU: "C"}
MU_M3_S2 = 3.986005e14  # IS-GPS-200
EARTH_RATE_RAD_S = 7.2921151467e-5  # IS-GPS-200

# GPS SPS Performance Standard, October 2001, Table 3-1: (node, argument of latitude) of the 24 slots. [deg]
_GPS_SLOTS: tuple[tuple[float, float], ...] = (
    (272.847, 268.126), (272.847, 161.786), (272.847, 11.676), (272.847, 41.806),
    (332.847, 80.956), (332.847, 173.336), (332.847, 309.976), (332.847, 204.376),
    (32.847, 111.876), (32.847, 11.796), (32.847, 339.666), (32.847, 241.556),
    (92.847, 135.226), (92.847, 265.446), (92.847, 35.156), (92.847, 167.356),
    (152.847, 197.046), (152.847, 302.596), (152.847, 66.066), (152.847, 333.686),
    (212.847, 238.886), (212.847, 345.226), (212.847, 105.206), (212.847, 135.346),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Shell:
    """One constellation: radius [m], inclination, and (node, argument of latitude) of each satellite at the epoch."""

    system: int
    radius_m: float
    inclination_deg: float
    slots: Sequence[tuple[float, float]]


def _walker(planes: int, per_plane: int, phasing: int, first_node_deg: float) -> list[tuple[float, float]]:
    """Slots of a Walker constellation (total = planes x per_plane)."""
    total = planes * per_plane
    return [
        (first_node_deg + 360.0 * p / planes, 360.0 * s / per_plane + 360.0 * phasing * p / total)
        for p in range(planes)
        for s in range(per_plane)
    ]


# Radii and inclinations of GLONASS, Galileo and BeiDou MEO: published nominal values, from memory.
SHELLS: Mapping[int, Shell] = {
    GPS: Shell(GPS, 26_559_700.0, 55.0, _GPS_SLOTS),
    GLONASS: Shell(GLONASS, 25_508_000.0, 64.8, _walker(3, 8, 1, 15.0)),
    GALILEO: Shell(GALILEO, 29_600_318.0, 56.0, _walker(3, 8, 1, 317.0)),
    BEIDOU: Shell(BEIDOU, 27_906_137.0, 55.0, _walker(3, 8, 1, 50.0)),
}


def positions_ecef_m(shell: Shell, sow_s: Floats, toe_s: float, travel_s: Floats | float = 0.0) -> Floats:
    """Positions (T, S, 3) of a shell's satellites at seconds of the week (T,), in the rotating frame. [m]

    The user algorithm of IS-GPS-200 (20.3.3.4.3) with eccentricity and corrections zero. With ``travel_s`` (T, S) the
    satellite is where it was when the signal left, in the frame of the signal's arrival.
    """
    node0 = np.radians([s[0] for s in shell.slots])[None, :]
    latitude0 = np.radians([s[1] for s in shell.slots])[None, :]
    since = (sow_s - toe_s)[:, None]
    argument = latitude0 + np.sqrt(MU_M3_S2 / shell.radius_m**3) * (since - travel_s)
    node = node0 - EARTH_RATE_RAD_S * (since + toe_s)
    inclination = np.radians(shell.inclination_deg)
    x, y = shell.radius_m * np.cos(argument), shell.radius_m * np.sin(argument)
    return np.stack(
        (
            x * np.cos(node) - y * np.cos(inclination) * np.sin(node),
            x * np.sin(node) + y * np.cos(inclination) * np.cos(node),
            y * np.sin(inclination),
        ),
        axis=-1,
    )


def look_angles(satellites_m: Floats, place_m: Floats, lat_deg: float, lon_deg: float) -> tuple[Floats, Floats, Floats]:
    """Elevation and azimuth [deg] and range [m], each (T, S), from a place to satellites (T, S, 3)."""
    offset = satellites_m - place_m
    shape = offset.shape[:-1]
    flat = offset.reshape(-1, 3)
    enu = ecef_offset_to_enu(flat, np.full(len(flat), lat_deg), np.full(len(flat), lon_deg))
    range_m = np.sqrt((flat * flat).sum(axis=1))
    elevation = np.degrees(np.arcsin(enu[:, 2] / range_m)).reshape(shape)
    azimuth = (np.degrees(np.arctan2(enu[:, 0], enu[:, 1])) % 360.0).reshape(shape)
    return elevation, azimuth, range_m.reshape(shape)


def carrier_to_noise_dbhz(elevation_deg: Floats) -> Floats:
    """Signal strength under an open sky: about 36 at 10 degrees and 49 at the zenith (common practice). [dB-Hz]"""
    return 33.0 + 16.0 * np.sin(np.radians(np.clip(elevation_deg, 0.0, 90.0))) ** 0.7


def dop(elevation_deg: Floats, azimuth_deg: Floats) -> tuple[float, float, float]:
    """PDOP, HDOP and VDOP of the satellites (S,) in use; 99.99 with fewer than four."""
    if len(elevation_deg) < 4:
        return 99.99, 99.99, 99.99
    el, az = np.radians(elevation_deg), np.radians(azimuth_deg)
    h = np.stack((np.cos(el) * np.sin(az), np.cos(el) * np.cos(az), np.sin(el), np.ones_like(el)), axis=1)
    try:
        q = np.linalg.inv(h.T @ h)
    except np.linalg.LinAlgError:
        return 99.99, 99.99, 99.99
    horizontal, vertical = float(np.sqrt(q[0, 0] + q[1, 1])), float(np.sqrt(q[2, 2]))
    return float(min(np.hypot(horizontal, vertical), 99.99)), min(horizontal, 99.99), min(vertical, 99.99)
