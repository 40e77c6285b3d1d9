"""Positions and clocks of satellites from their broadcast ephemerides, and their directions at a place.

Many satellites and many times at once. Everything is in the Earth-fixed frame *of the time of transmission*;
``line_of_sight`` turns it into that of reception (the Earth turns 30 m at the equator while a signal travels).
Broadcast frames (WGS 84, GTRF, PZ-90.11, CGCS2000, JGS) agree to centimetres and are taken as one.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_to_geodetic
from hubtack.knowledge.messages import BEIDOU, GLONASS, GPS, QZSS
from hubtack.orbits.ephemeris import DAY_S, WEEK_S, Ephemeris
from hubtack.orbits.glonass import STEP_S, integrated
from hubtack.orbits.signals import SPEED_OF_LIGHT_M_S

Floats = NDArray[np.float64]

MU_GPS = 3.986005e14  # IS-GPS-200 table 20-IV, also QZSS
MU_OTHERS = 3.986004418e14  # Galileo OS SIS ICD table 58, BDS-SIS-ICD
OMEGA_EARTH_RAD_S = 7.2921151467e-5  # IS-GPS-200, Galileo OS SIS ICD
OMEGA_EARTH_BEIDOU_RAD_S = 7.2921150e-5  # BDS-SIS-ICD
_BEIDOU_GEO = (*range(1, 6), *range(59, 64))  # BDS-SIS-ICD: C01-C05, C59-C63 are geostationary
_NEWTON = 5  # steps for Kepler's equation: e stays below 0.5, so after four nothing changes any more


class States(NamedTuple):
    """Satellite states: ``pos_ecef_m`` (..., S, 3), ``clock_s`` (..., S) with relativity but no group delay."""

    pos_ecef_m: Floats
    clock_s: Floats


class Sight(NamedTuple):
    """Directions from a place: ``range_m``, ``azimuth_rad``, ``elevation_rad`` (..., S), ``unit_ecef`` (..., S, 3)."""

    range_m: Floats
    azimuth_rad: Floats
    elevation_rad: Floats
    unit_ecef: Floats


def satellite_states(
    ephemerides: Sequence[Ephemeris], t_gpst_s: Floats, leap_s: float, *, glonass_step_s: float = STEP_S
) -> States:
    """Where satellites are and what their clocks are off, at times of transmission.

    Parameters
    ----------
    ephemerides : sequence of S Ephemeris
    t_gpst_s : (..., S) float
        Time of transmission in seconds of the GPS week; any week, differences are taken modulo a week. [s]
    leap_s : float
        GPS time less UTC, for GLONASS. [s]
    glonass_step_s : float
        Longest step of the integration. Ten minutes leave half a kilometre after twelve hours, 0.002 degrees: enough for
        directions. [s]

    Returns
    -------
    States
        NaN where a time is NaN.

    References
    ----------
    IS-GPS-200 table 20-IV and 20.3.3.3.3.1; BDS-SIS-ICD B1I table 5-10 (geostationary rotation); GLONASS ICD 5.1,
    appendix A.3.1.2. A general GNSS library gives the same to a millimetre (tests/reference/test_orbits_states.py).
    """
    t = np.asarray(t_gpst_s, dtype=np.float64)
    glonass = np.array([e.system == GLONASS for e in ephemerides], dtype=bool)
    pos, clock = np.full((*t.shape, 3), np.nan), np.full(t.shape, np.nan)
    if (~glonass).any():
        elements = kepler_elements([e for e in ephemerides if e.system != GLONASS])
        pos[..., ~glonass, :], clock[..., ~glonass] = kepler_states(elements, t[..., ~glonass])
    if glonass.any():
        fields = glonass_fields([e for e in ephemerides if e.system == GLONASS])
        tk = wrapped(t[..., glonass] - leap_s - fields[0], DAY_S)
        pos[..., glonass, :] = integrated(fields[3:].T, tk, glonass_step_s)
        clock[..., glonass] = fields[1] + fields[2] * tk
    return States(pos, clock)


def sent_at_s(ephemerides: Sequence[Ephemeris], t_received_gpst_s: Floats, pseudorange_m: Floats) -> Floats:
    """Time of transmission (S,) in GPS time: reception less travel and the satellite's clock. [s]

    Free of the receiver's clock, since the pseudorange holds it too. The clock is taken without relativity: 25 ns of
    time are 0.1 mm of orbit.
    """
    toc_s, af0, af1 = (np.array([getattr(e, name) for e in ephemerides]) for name in ("toc_s", "af0_s", "af1"))
    return sent_by_clock_s(toc_s, af0, af1, t_received_gpst_s, pseudorange_m)


def sent_by_clock_s(
    toc_s: Floats, af0_s: Floats, af1: Floats, t_received_gpst_s: Floats, pseudorange_m: Floats
) -> Floats:
    """The same from clock terms (S,); ``toc_s`` is NaN for GLONASS, whose drift is left out."""
    t = t_received_gpst_s - pseudorange_m / SPEED_OF_LIGHT_M_S
    elapsed = wrapped(t - toc_s, WEEK_S)
    return np.asarray(t - af0_s - np.where(np.isfinite(elapsed), af1 * elapsed, 0.0))


# What the formulas need of an ephemeris, one row each, with all that does not depend on time worked out.
_PLAIN = (
    "toe_s", "toc_s", "af0_s", "af1", "af2", "e", "m0_rad", "i0_rad", "idot_rad_s", "omega_rad", "crs_m", "crc_m",
    "cus_rad", "cuc_rad", "cis_rad", "cic_rad",
)  # fmt: skip
_MADE = ("motion_rad_s", "a_m", "node_rad", "node_rate_rad_s", "root", "relativity_s", "is_geo")
_ELEMENT = {name: i for i, name in enumerate((*_PLAIN, *_MADE))}


def kepler_elements(ephemerides: Sequence[Ephemeris]) -> Floats:
    """(fields, S) for ``kepler_states``: orbital elements, clock terms, and what follows from them alone."""
    plain = np.array([[getattr(e, name) for name in _PLAIN] for e in ephemerides], dtype=np.float64).T
    get = {name: plain[i] for i, name in enumerate(_PLAIN)}
    rest = np.array(
        [(x.sqrt_a, x.delta_n_rad_s, x.omega0_rad, x.omega_dot_rad_s) for x in ephemerides], dtype=np.float64
    ).T
    sqrt_a, delta_n, omega0, omega_dot = rest
    system = np.array([e.system for e in ephemerides], dtype=np.int64)
    number = np.array([e.satellite for e in ephemerides], dtype=np.int64)
    mu = np.where((system == GPS) | (system == QZSS), MU_GPS, MU_OTHERS)
    omega_e = np.where(system == BEIDOU, OMEGA_EARTH_BEIDOU_RAD_S, OMEGA_EARTH_RAD_S)
    geo = (system == BEIDOU) & np.isin(number, _BEIDOU_GEO)
    # toe in the system's own seconds of week: the node's angle counts from the start of *its* week.
    toe_own = get["toe_s"] - np.where(system == BEIDOU, 14.0, 0.0)
    toe_own = np.where(toe_own < 0.0, toe_own + WEEK_S, toe_own)
    a_m, e = sqrt_a**2, get["e"]
    made = (
        np.sqrt(mu / a_m**3) + delta_n,
        a_m,
        omega0 - omega_e * toe_own,
        # The geostationary frame is inertial in its node rate; its Earth rotation comes as a matrix below.
        omega_dot - np.where(geo, 0.0, omega_e),
        np.sqrt(1.0 - e * e),
        -2.0 * np.sqrt(mu * a_m) / SPEED_OF_LIGHT_M_S**2 * e,
        geo,
    )
    return np.concatenate((plain, np.array(made, dtype=np.float64)))


def kepler_states(elements: Floats, t: Floats) -> tuple[Floats, Floats]:
    """Positions (..., S, 3) and clocks (..., S) by Kepler elements (fields, S) with harmonic corrections."""
    get = {name: elements[i] for name, i in _ELEMENT.items()}
    tk = wrapped(t - get["toe_s"], WEEK_S)
    e, geo = get["e"], get["is_geo"] > 0
    mean = get["m0_rad"] + get["motion_rad_s"] * tk
    eccentric = mean + e * np.sin(mean)
    for _ in range(_NEWTON):
        eccentric = eccentric - (eccentric - e * np.sin(eccentric) - mean) / (1.0 - e * np.cos(eccentric))
    sin_e, cos_e = np.sin(eccentric), np.cos(eccentric)
    latitude = np.arctan2(get["root"] * sin_e, cos_e - e) + get["omega_rad"]
    sin2, cos2 = np.sin(2.0 * latitude), np.cos(2.0 * latitude)
    u = latitude + get["cus_rad"] * sin2 + get["cuc_rad"] * cos2
    r = get["a_m"] * (1.0 - e * cos_e) + get["crs_m"] * sin2 + get["crc_m"] * cos2
    i = get["i0_rad"] + get["idot_rad_s"] * tk + get["cis_rad"] * sin2 + get["cic_rad"] * cos2
    node = get["node_rad"] + get["node_rate_rad_s"] * tk
    x_plane, y_plane = r * np.cos(u), r * np.sin(u)
    cos_n, sin_n = np.cos(node), np.sin(node)
    y_flat = y_plane * np.cos(i)
    x = x_plane * cos_n - y_flat * sin_n
    y = x_plane * sin_n + y_flat * cos_n
    z = y_plane * np.sin(i)
    if geo.any():
        pairs = zip(_geostationary(x, y, z, tk), (x, y, z), strict=True)
        x, y, z = (np.where(geo, turned, plain) for turned, plain in pairs)
    tc = wrapped(t - get["toc_s"], WEEK_S)
    clock = get["af0_s"] + get["af1"] * tc + get["af2"] * tc * tc + get["relativity_s"] * sin_e
    return np.stack((x, y, z), axis=-1), clock


def _geostationary(x: Floats, y: Floats, z: Floats, tk: Floats) -> tuple[Floats, Floats, Floats]:
    """Rz(omega tk) Rx(-5 deg), BDS-SIS-ICD B1I, table 5-10."""
    cos5, sin5 = np.cos(np.radians(-5.0)), np.sin(np.radians(-5.0))
    y, z = y * cos5 + z * sin5, -y * sin5 + z * cos5
    turn = OMEGA_EARTH_BEIDOU_RAD_S * tk
    return x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn), z


def glonass_fields(ephemerides: Sequence[Ephemeris]) -> Floats:
    """(12, S): reference time of day [s], clock offset and drift, and the state of nine figures."""
    rows = [(e.tb_utc_s, e.af0_s, e.af1, *e.state_m) for e in ephemerides]
    return np.array(rows, dtype=np.float64).reshape(len(rows), 12).T


def wrapped(t: Floats, period: float) -> Floats:
    """``t`` within half a period of zero."""
    return np.asarray((t + period / 2) % period - period / 2)


def line_of_sight(pos_ecef_m: Floats, place_ecef_m: Floats) -> Sight:
    """Ranges and directions from a place to satellites, with the Earth's turn while the signal travels.

    Parameters
    ----------
    pos_ecef_m : (..., S, 3) float
        Satellite positions in the frame of transmission. [m]
    place_ecef_m : (3,) float
        The receiver. [m]

    Returns
    -------
    Sight
        Azimuth clockwise from true north, 0 to 2 pi; elevation above the ellipsoid's horizon, no refraction. NaN
        where a position is NaN.
    """
    place = np.asarray(place_ecef_m, dtype=np.float64)
    lat, lon, _ = ecef_to_geodetic(place[None])
    return sight_from(pos_ecef_m, place, np.radians(lat[0]), np.radians(lon[0]))


def sight_from(pos_ecef_m: Floats, place_ecef_m: Floats, lat_rad: Floats, lon_rad: Floats) -> Sight:
    """The same from one place (3,) or a place each (..., S, 3), whose latitude and longitude are known."""
    px, py, pz = place_ecef_m[..., 0], place_ecef_m[..., 1], place_ecef_m[..., 2]
    x, y, z = pos_ecef_m[..., 0], pos_ecef_m[..., 1], pos_ecef_m[..., 2]
    travel_s = _length(x - px, y - py, z - pz) / SPEED_OF_LIGHT_M_S
    turn = OMEGA_EARTH_RAD_S * travel_s
    cos_t, sin_t = np.cos(turn), np.sin(turn)
    dx, dy, dz = x * cos_t + y * sin_t - px, y * cos_t - x * sin_t - py, z - pz
    range_m = _length(dx, dy, dz)
    dx, dy, dz = dx / range_m, dy / range_m, dz / range_m
    sin_lat, cos_lat, sin_lon, cos_lon = np.sin(lat_rad), np.cos(lat_rad), np.sin(lon_rad), np.cos(lon_rad)
    east = cos_lon * dy - sin_lon * dx
    outwards = cos_lon * dx + sin_lon * dy
    north = cos_lat * dz - sin_lat * outwards
    up = cos_lat * outwards + sin_lat * dz
    azimuth = np.arctan2(east, north) % (2.0 * np.pi)
    return Sight(range_m, azimuth, np.arcsin(np.clip(up, -1.0, 1.0)), np.stack((dx, dy, dz), axis=-1))


def _length(x: Floats, y: Floats, z: Floats) -> Floats:
    return np.asarray(np.sqrt(x * x + y * y + z * z))
