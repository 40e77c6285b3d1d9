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

from hubtack.geo import ecef_to_geodetic, enu_rotation
from hubtack.knowledge.messages import BEIDOU, GLONASS, GPS, QZSS
from hubtack.orbits.ephemeris import DAY_S, WEEK_S, Ephemeris
from hubtack.orbits.signals import SPEED_OF_LIGHT_M_S

Floats = NDArray[np.float64]

MU_GPS = 3.986005e14  # IS-GPS-200 table 20-IV, also QZSS
MU_OTHERS = 3.986004418e14  # Galileo OS SIS ICD table 58, BDS-SIS-ICD
OMEGA_EARTH_RAD_S = 7.2921151467e-5  # IS-GPS-200, Galileo OS SIS ICD
OMEGA_EARTH_BEIDOU_RAD_S = 7.2921150e-5  # BDS-SIS-ICD
GLONASS_MU = 3.986004418e14  # GLONASS ICD 5.1, appendix A (PZ-90.02: 398600.4418 km3/s2)
GLONASS_A_M = 6_378_136.0
GLONASS_J2 = 1.0826257e-3
GLONASS_OMEGA_RAD_S = 7.292115e-5
_BEIDOU_GEO = (*range(1, 6), *range(59, 64))  # BDS-SIS-ICD: C01-C05, C59-C63 are geostationary
_GLONASS_STEP_S = 120.0  # error below 3 mm after 15 min
ROUGH_STEP_S = 600.0  # for directions
_SUN_MOON_S = 3_600.0  # the sun and moon terms of 1020 are constants good for half an hour


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
    ephemerides: Sequence[Ephemeris], t_gpst_s: Floats, leap_s: float, *, glonass_step_s: float = _GLONASS_STEP_S
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
        chosen = [e for e in ephemerides if e.system != GLONASS]
        pos[..., ~glonass, :], clock[..., ~glonass] = _kepler(chosen, t[..., ~glonass])
    if glonass.any():
        chosen = [e for e in ephemerides if e.system == GLONASS]
        pos[..., glonass, :], clock[..., glonass] = _glonass(chosen, t[..., glonass] - leap_s, glonass_step_s)
    return States(pos, clock)


def sent_at_s(ephemerides: Sequence[Ephemeris], t_received_gpst_s: Floats, pseudorange_m: Floats) -> Floats:
    """Time of transmission (S,) in GPS time: reception less travel and the satellite's clock. [s]

    Free of the receiver's clock, since the pseudorange holds it too. The clock is taken without relativity: 25 ns of
    time are 0.1 mm of orbit.
    """
    t = t_received_gpst_s - pseudorange_m / SPEED_OF_LIGHT_M_S
    get = _Columns(ephemerides)
    toc_s, af0, af1 = get["toc_s"], get["af0_s"], get["af1"]
    elapsed = _wrap(t - toc_s, WEEK_S)
    return np.asarray(t - af0 - np.where(np.isfinite(elapsed), af1 * elapsed, 0.0))


class _Columns:
    """Fields of S ephemerides as (S,) arrays. Over many epochs the same few ephemerides stand again and again."""

    def __init__(self, ephemerides: Sequence[Ephemeris]) -> None:
        place: dict[int, int] = {}
        index = [place.setdefault(id(e), len(place)) for e in ephemerides]
        self._index = np.array(index, dtype=np.int64)
        first = dict(zip(index, ephemerides, strict=True))
        self._unique = [first[i] for i in range(len(place))]

    def __getitem__(self, name: str) -> Floats:
        values = np.array([getattr(e, name) for e in self._unique], dtype=np.float64)
        return np.asarray(values[self._index])

    def numbers(self, name: str) -> NDArray[np.int64]:
        """A field of whole numbers."""
        return np.array([getattr(e, name) for e in self._unique], dtype=np.int64)[self._index]


def _kepler(ephemerides: Sequence[Ephemeris], t: Floats) -> tuple[Floats, Floats]:
    """Positions and clocks by Kepler elements with harmonic corrections."""
    columns = _Columns(ephemerides)
    get = {name: columns[name] for name in _KEPLER_FIELDS}
    system, number = columns.numbers("system"), columns.numbers("satellite")
    mu = np.where((system == GPS) | (system == QZSS), MU_GPS, MU_OTHERS)
    omega_e = np.where(system == BEIDOU, OMEGA_EARTH_BEIDOU_RAD_S, OMEGA_EARTH_RAD_S)
    geo = (system == BEIDOU) & np.isin(number, _BEIDOU_GEO)
    # toe in the system's own seconds of week: the node's angle counts from the start of *its* week.
    toe_own = get["toe_s"] - np.where(system == BEIDOU, 14.0, 0.0)
    toe_own = np.where(toe_own < 0.0, toe_own + WEEK_S, toe_own)
    tk = _wrap(t - get["toe_s"], WEEK_S)
    a_m = get["sqrt_a"] ** 2
    e = get["e"]
    mean = get["m0_rad"] + (np.sqrt(mu / a_m**3) + get["delta_n_rad_s"]) * tk
    eccentric = mean + e * np.sin(mean)
    for _ in range(8):  # Newton; e below 0.5 is enforced on parsing, and e below 0.02 needs three
        eccentric = eccentric - (eccentric - e * np.sin(eccentric) - mean) / (1.0 - e * np.cos(eccentric))
    sin_e, cos_e = np.sin(eccentric), np.cos(eccentric)
    latitude = np.arctan2(np.sqrt(1.0 - e * e) * sin_e, cos_e - e) + get["omega_rad"]
    sin2, cos2 = np.sin(2.0 * latitude), np.cos(2.0 * latitude)
    u = latitude + get["cus_rad"] * sin2 + get["cuc_rad"] * cos2
    r = a_m * (1.0 - e * cos_e) + get["crs_m"] * sin2 + get["crc_m"] * cos2
    i = get["i0_rad"] + get["idot_rad_s"] * tk + get["cis_rad"] * sin2 + get["cic_rad"] * cos2
    # The geostationary frame is inertial in its node rate; its Earth rotation comes as a matrix below.
    node = get["omega0_rad"] + (get["omega_dot_rad_s"] - np.where(geo, 0.0, omega_e)) * tk - omega_e * toe_own
    x_plane, y_plane = r * np.cos(u), r * np.sin(u)
    cos_n, sin_n, cos_i = np.cos(node), np.sin(node), np.cos(i)
    x = x_plane * cos_n - y_plane * cos_i * sin_n
    y = x_plane * sin_n + y_plane * cos_i * cos_n
    z = y_plane * np.sin(i)
    if geo.any():
        pairs = zip(_geostationary(x, y, z, tk), (x, y, z), strict=True)
        x, y, z = (np.where(geo, turned, plain) for turned, plain in pairs)
    tc = _wrap(t - get["toc_s"], WEEK_S)
    relativity = -2.0 * np.sqrt(mu * a_m) / SPEED_OF_LIGHT_M_S**2 * e * sin_e
    clock = get["af0_s"] + get["af1"] * tc + get["af2"] * tc * tc + relativity
    return np.stack((x, y, z), axis=-1), clock


_KEPLER_FIELDS = (
    "toe_s", "toc_s", "af0_s", "af1", "af2", "sqrt_a", "e", "m0_rad", "delta_n_rad_s", "i0_rad", "idot_rad_s",
    "omega0_rad", "omega_rad", "omega_dot_rad_s", "crs_m", "crc_m", "cus_rad", "cuc_rad", "cis_rad", "cic_rad",
)  # fmt: skip


def _geostationary(x: Floats, y: Floats, z: Floats, tk: Floats) -> tuple[Floats, Floats, Floats]:
    """Rz(omega tk) Rx(-5 deg), BDS-SIS-ICD B1I, table 5-10."""
    cos5, sin5 = np.cos(np.radians(-5.0)), np.sin(np.radians(-5.0))
    y, z = y * cos5 + z * sin5, -y * sin5 + z * cos5
    turn = OMEGA_EARTH_BEIDOU_RAD_S * tk
    return x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn), z


def _glonass(ephemerides: Sequence[Ephemeris], t_utc_s: Floats, step_s: float) -> tuple[Floats, Floats]:
    """Positions and clocks by Runge-Kutta of order four, all satellites in step."""
    get = _Columns(ephemerides)
    tk = _wrap(t_utc_s - get["tb_utc_s"], DAY_S)
    clock = get["af0_s"] + get["af1"] * tk
    start = get["state_m"]
    state = np.broadcast_to(start[:, :6], (*tk.shape, 6)).copy()
    sun_moon = np.where(np.abs(tk)[..., None] < _SUN_MOON_S, start[:, 6:], 0.0)
    span = np.abs(np.where(np.isfinite(tk), tk, 0.0))
    steps = max(1, int(np.ceil(span.max(initial=0.0) / step_s)))
    h = (tk / steps)[..., None]
    for _ in range(steps):
        k1 = _glonass_rate(state, sun_moon)
        k2 = _glonass_rate(state + 0.5 * h * k1, sun_moon)
        k3 = _glonass_rate(state + 0.5 * h * k2, sun_moon)
        k4 = _glonass_rate(state + h * k3, sun_moon)
        state = state + h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4)
    return state[..., :3], clock


def _glonass_rate(state: Floats, sun_moon: Floats) -> Floats:
    """Time derivative of position and velocity in the rotating frame, with the Earth's flattening."""
    pos, vel = state[..., :3], state[..., 3:]
    r2 = np.einsum("...i,...i->...", pos, pos)
    z2 = pos[..., 2] ** 2 / r2
    r3 = r2 * np.sqrt(r2)
    flat = 1.5 * GLONASS_J2 * GLONASS_MU * GLONASS_A_M**2 / (r2 * r3)
    w = GLONASS_OMEGA_RAD_S
    across = -GLONASS_MU / r3 - flat * (1.0 - 5.0 * z2)
    ax = (across + w * w) * pos[..., 0] + 2.0 * w * vel[..., 1]
    ay = (across + w * w) * pos[..., 1] - 2.0 * w * vel[..., 0]
    az = (-GLONASS_MU / r3 - flat * (3.0 - 5.0 * z2)) * pos[..., 2]
    return np.concatenate((vel, np.stack((ax, ay, az), axis=-1) + sun_moon), axis=-1)


def _wrap(t: Floats, period: float) -> Floats:
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
    travel_s = np.linalg.norm(pos_ecef_m - place, axis=-1) / SPEED_OF_LIGHT_M_S
    turn = OMEGA_EARTH_RAD_S * travel_s
    x, y, z = pos_ecef_m[..., 0], pos_ecef_m[..., 1], pos_ecef_m[..., 2]
    turned = np.stack((x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn), z), axis=-1)
    offset = turned - place
    range_m = np.linalg.norm(offset, axis=-1)
    unit = offset / range_m[..., None]
    lat, lon, _ = ecef_to_geodetic(place[None])
    rotation = enu_rotation(lat, lon)[0]
    enu = np.einsum("ij,...j->...i", rotation, unit)
    azimuth = np.arctan2(enu[..., 0], enu[..., 1]) % (2.0 * np.pi)
    return Sight(range_m, azimuth, np.arcsin(np.clip(enu[..., 2], -1.0, 1.0)), unit)
