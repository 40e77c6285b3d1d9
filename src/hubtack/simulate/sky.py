"""Satellites on circular orbits by published nominal slots, their clocks, and how they stand over a place.

The same few parameters go into the encoded ephemerides, so a reader of the stream can work out the positions and the
clocks that the ranges in it were made from. GPS, Galileo and BeiDou follow Kepler; GLONASS follows the equation of
motion of its own interface document, since its message carries a state vector and not elements.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_offset_to_enu

Floats = NDArray[np.float64]

GPS, GLONASS, GALILEO, BEIDOU = 1, 2, 3, 4
SYSTEM_LETTERS: Mapping[int, str] = {GPS: "G", GLONASS: "R", GALILEO: "E", BEIDOU: "C"}
LIGHT_M_S = 299_792_458.0
WEEK_S = 604_800
LEAP_S = 18  # GPS time less UTC since 2017 (IERS)
BEIDOU_BEHIND_GPS_S = 14  # BDS-SIS-ICD
NODE_S = 30  # ranges are worked out at these steps and interpolated between: below 0.1 mm

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
    """One constellation: orbit, Earth model of its interface document, and the slots at the start of the week."""

    system: int
    radius_m: float
    inclination_deg: float
    slots: Sequence[tuple[float, float]]
    mu_m3_s2: float
    earth_rate_rad_s: float
    toe_step_s: int
    behind_gps_s: int = 0


def _walker(planes: int, per_plane: int, phasing: int, first_node_deg: float) -> list[tuple[float, float]]:
    """Slots of a Walker constellation (total = planes x per_plane)."""
    total = planes * per_plane
    return [
        (first_node_deg + 360.0 * p / planes, 360.0 * s / per_plane + 360.0 * phasing * p / total)
        for p in range(planes)
        for s in range(per_plane)
    ]


# Radii, inclinations and Walker phasing of GLONASS 24/3/1, Galileo 24/3/1 and BeiDou MEO 24/3/1: published nominal
# values, from memory. Earth models: IS-GPS-200; Galileo OS SIS ICD; BDS-SIS-ICD; GLONASS ICD 5.1 (from memory).
SHELLS: Mapping[int, Shell] = {
    GPS: Shell(GPS, 26_559_700.0, 55.0, _GPS_SLOTS, 3.986005e14, 7.2921151467e-5, 7200),
    GLONASS: Shell(GLONASS, 25_508_000.0, 64.8, _walker(3, 8, 1, 15.0), 3.986004418e14, 7.292115e-5, 1800),
    GALILEO: Shell(GALILEO, 29_600_318.0, 56.0, _walker(3, 8, 1, 317.0), 3.986004418e14, 7.2921151467e-5, 3600),
    BEIDOU: Shell(BEIDOU, 27_906_137.0, 55.0, _walker(3, 8, 1, 50.0), 3.986004418e14, 7.2921150e-5, 3600, 14),
}
GLONASS_EARTH_A_M, GLONASS_J2 = 6_378_136.0, 1.0826257e-3  # PZ-90.02, GLONASS ICD 5.1

# Frequency channels of the 24 slots: opposite satellites of a plane share one. The published plan, from memory.
GLONASS_CHANNELS: tuple[int, ...] = (
    1, -4, 5, 6, 1, -4, 5, 6, -2, -7, 0, -1, -2, -7, 0, -1, 4, -3, 3, 2, 4, -3, 3, 2,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Elements:
    """Orbit of one satellite at a reference time of its own scale: node at the start of that week, latitude there."""

    week: int
    toe_s: int
    node_rad: float
    latitude_rad: float


@dataclass(slots=True)
class Orbits:
    """All satellites of one session: where they are at any time, and what their clocks are off.

    ``week`` and ``sow_s`` are the GPS time of the session's start; times given to the methods count seconds from it.
    ``clock`` maps a system to (S, 2): offset [s] at the start and drift [s/s].
    """

    week: int
    sow_s: float
    seconds: float
    clock: dict[int, Floats]
    _glonass_t: Floats
    _glonass: Floats

    def elements(self, system: int, satellite: int, t_s: float) -> Elements:
        """Elements as the message in force at ``t_s`` gives them; ``satellite`` counts from 0."""
        shell = SHELLS[system]
        own = self.week * WEEK_S + self.sow_s + t_s - shell.behind_gps_s
        week, sow = divmod(own, WEEK_S)
        toe = int(sow // shell.toe_step_s * shell.toe_step_s)
        start_own = self.sow_s - shell.behind_gps_s
        since = (int(week) - self.week) * WEEK_S + toe - start_own
        node0, latitude0 = (float(np.radians(v)) for v in shell.slots[satellite])
        motion = float(np.sqrt(shell.mu_m3_s2 / shell.radius_m**3))
        # The slots hold at the start of the session's week; a later week begins with the Earth turned further.
        node = node0 - shell.earth_rate_rad_s * WEEK_S * (int(week) - self.week)
        return Elements(int(week), toe, node, latitude0 + motion * (since + start_own))

    def glonass_state(self, satellite: int, t_s: float) -> Floats:
        """Position and velocity (6,) of a GLONASS satellite at a node time. [m, m/s]"""
        i = round((t_s - float(self._glonass_t[0])) / NODE_S)
        return np.asarray(self._glonass[i, satellite])

    def positions_m(self, system: int, t_s: Floats) -> Floats:
        """Positions (T, S, 3) in the Earth-fixed frame of the moments ``t_s`` (T, S). [m]

        References
        ----------
        IS-GPS-200, table 20-IV, with eccentricity and corrections zero; GLONASS ICD 5.1, appendix A.3.1.2.
        """
        shell = SHELLS[system]
        if system == GLONASS:
            return self._glonass_positions(t_s)
        slots = np.radians(np.array(shell.slots))
        own = self.sow_s + t_s - shell.behind_gps_s
        argument = slots[:, 1] + np.sqrt(shell.mu_m3_s2 / shell.radius_m**3) * own
        node = slots[:, 0] - shell.earth_rate_rad_s * own
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

    def _glonass_positions(self, t_s: Floats) -> Floats:
        """By Hermite polynomials between the integrated states: below 0.1 mm at 30 s."""
        place = (t_s - self._glonass_t[0]) / NODE_S
        i = np.clip(np.floor(place).astype(np.int64), 0, len(self._glonass_t) - 2)
        u = (place - i)[..., None]
        s = np.arange(t_s.shape[1])[None, :]
        a, b = self._glonass[i, s], self._glonass[i + 1, s]
        p0, v0, p1, v1 = a[..., :3], a[..., 3:] * NODE_S, b[..., :3], b[..., 3:] * NODE_S
        return np.asarray(
            (1 + 2 * u) * (1 - u) ** 2 * p0 + u * (1 - u) ** 2 * v0 + u * u * (3 - 2 * u) * p1 + u * u * (u - 1) * v1
        )

    def clock_s(self, system: int, t_s: Floats) -> Floats:
        """What the satellites' clocks are ahead of their system's time (T, S). [s]"""
        offset = self.clock[system]
        return np.asarray(offset[:, 0] + offset[:, 1] * t_s[:, None])


def make_orbits(week: int, sow_s: float, seconds: int, rng: np.random.Generator) -> Orbits:
    """Orbits for a session; clocks are drawn on the steps that the messages can carry."""
    clock = {}
    for system, shell in SHELLS.items():
        n = len(shell.slots)
        # Offsets on steps of 2^-30 s (GLONASS, the coarsest), drifts on steps of 2^-40: 9e-13, as real clocks have.
        offset = np.round(rng.normal(0.0, 8e-5, n) * 2**30) / 2**30
        drift = np.round(rng.normal(0.0, 2.0, n)) / 2**40
        clock[system] = np.stack((offset, drift), axis=1)
    t = np.arange(-3600.0, seconds + 3600.0 + NODE_S, NODE_S)
    return Orbits(week, sow_s, float(seconds), clock, t, _integrate_glonass(sow_s, t))


def _integrate_glonass(sow_s: float, t_s: Floats) -> Floats:
    """States (T, S, 6) at evenly spaced times, from circular velocity in the nominal slots."""
    shell = SHELLS[GLONASS]
    slots = np.radians(np.array(shell.slots))
    own = sow_s + float(t_s[0])
    rate = np.sqrt(shell.mu_m3_s2 / shell.radius_m**3)
    argument, node = slots[:, 1] + rate * own, slots[:, 0] - shell.earth_rate_rad_s * own
    ci, si = np.cos(np.radians(shell.inclination_deg)), np.sin(np.radians(shell.inclination_deg))
    radial = np.stack((np.cos(argument) * np.cos(node) - np.sin(argument) * ci * np.sin(node),
                       np.cos(argument) * np.sin(node) + np.sin(argument) * ci * np.cos(node),
                       np.sin(argument) * si), axis=-1)  # fmt: skip
    along = np.stack((-np.sin(argument) * np.cos(node) - np.cos(argument) * ci * np.sin(node),
                      -np.sin(argument) * np.sin(node) + np.cos(argument) * ci * np.cos(node),
                      np.cos(argument) * si), axis=-1)  # fmt: skip
    pos = shell.radius_m * radial
    velocity = shell.radius_m * rate * along
    w = shell.earth_rate_rad_s
    velocity = velocity - w * np.stack((-pos[:, 1], pos[:, 0], np.zeros(len(pos))), axis=-1)  # rotating frame
    state = np.concatenate((pos, velocity), axis=-1)
    out = np.empty((len(t_s), len(pos), 6))
    h = float(t_s[1] - t_s[0])
    for i in range(len(t_s)):
        out[i] = state
        k1 = _glonass_rate(state)
        k2 = _glonass_rate(state + 0.5 * h * k1)
        k3 = _glonass_rate(state + 0.5 * h * k2)
        k4 = _glonass_rate(state + h * k3)
        state = state + h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4)
    return out


def _glonass_rate(state: Floats) -> Floats:
    """Time derivative of position and velocity in the rotating frame, with flattening, without sun and moon."""
    shell = SHELLS[GLONASS]
    x, y, z = state[..., 0], state[..., 1], state[..., 2]
    r = np.sqrt(x * x + y * y + z * z)
    pull = shell.mu_m3_s2 / r**3
    flat = 1.5 * GLONASS_J2 * pull * (GLONASS_EARTH_A_M / r) ** 2
    lean = 5.0 * (z / r) ** 2
    w = shell.earth_rate_rad_s
    ax = (-pull - flat * (1.0 - lean) + w * w) * x + 2.0 * w * state[..., 4]
    ay = (-pull - flat * (1.0 - lean) + w * w) * y - 2.0 * w * state[..., 3]
    az = (-pull - flat * (3.0 - lean)) * z
    return np.stack((state[..., 3], state[..., 4], state[..., 5], ax, ay, az), axis=-1)


@dataclass(slots=True)
class View:
    """Elevation, azimuth [deg] and range [m], each (T, S), of one system's satellites once a second."""

    elevation_deg: NDArray[Any]
    azimuth_deg: NDArray[Any]
    range_m: NDArray[Any]


def view(orbits: Orbits, system: int, place_m: Floats, lat_deg: float, lon_deg: float, seconds: int) -> View:
    """The sky over a place at every second: signals left before they arrive, and the Earth turned meanwhile."""
    nodes = np.arange(-NODE_S, seconds + 2 * NODE_S + 1, NODE_S, dtype=np.float64)
    arrival = np.broadcast_to(nodes[:, None], (len(nodes), len(SHELLS[system].slots)))
    travel = np.full(arrival.shape, 0.075)
    for _ in range(3):
        pos = orbits.positions_m(system, arrival - travel)
        turn = SHELLS[system].earth_rate_rad_s * travel
        c, s = np.cos(turn), np.sin(turn)
        turned = np.stack((c * pos[..., 0] + s * pos[..., 1], c * pos[..., 1] - s * pos[..., 0], pos[..., 2]), axis=-1)
        offset = turned - place_m
        range_m = np.sqrt((offset * offset).sum(axis=-1))
        travel = range_m / LIGHT_M_S
    flat = offset.reshape(-1, 3)
    enu = ecef_offset_to_enu(flat, np.full(len(flat), lat_deg), np.full(len(flat), lon_deg)).reshape(offset.shape)
    t = np.arange(seconds, dtype=np.float64)
    ranges, east, north, up = (_between(nodes, v, t) for v in (range_m, enu[..., 0], enu[..., 1], enu[..., 2]))
    elevation = np.degrees(np.arctan2(up, np.hypot(east, north)))
    return View(elevation, np.degrees(np.arctan2(east, north)) % 360.0, ranges)


def _between(nodes: Floats, values: Floats, t_s: Floats) -> Floats:
    """Cubic interpolation through the four nodes around each time."""
    i = np.clip(((t_s - nodes[0]) // NODE_S).astype(np.int64), 1, len(nodes) - 3)
    u = ((t_s - nodes[i]) / NODE_S)[:, None]
    a, b, c, d = values[i - 1], values[i], values[i + 1], values[i + 2]
    return np.asarray(
        -u * (u - 1) * (u - 2) / 6 * a + (u + 1) * (u - 1) * (u - 2) / 2 * b
        - (u + 1) * u * (u - 2) / 2 * c + (u + 1) * u * (u - 1) / 6 * d
    )  # fmt: skip


def carrier_to_noise_dbhz(elevation_deg: Floats) -> Floats:
    """Signal strength under an open sky: about 37 at 10 degrees and 49 at the zenith (common practice). [dB-Hz]"""
    return np.asarray(33.0 + 16.0 * np.sin(np.radians(np.clip(elevation_deg, 0.0, 90.0))) ** 0.7)


def dops(elevation_deg: Floats, azimuth_deg: Floats, used: NDArray[np.bool_]) -> Floats:
    """PDOP, HDOP and VDOP (T, 3) of the used of (T, S) satellites; 99.99 with fewer than four or no solution.

    References
    ----------
    Q = inverse of H^T H with rows [cos el sin az, cos el cos az, sin el, 1] (Parkinson and Spilker 1996).
    """
    el, az = np.radians(elevation_deg), np.radians(azimuth_deg)
    w = used.astype(np.float64)
    columns = (np.cos(el) * np.sin(az), np.cos(el) * np.cos(az), np.sin(el), np.ones_like(el))
    normal = np.empty((len(el), 4, 4))
    for i in range(4):
        for j in range(i, 4):
            normal[:, i, j] = normal[:, j, i] = (columns[i] * columns[j] * w).sum(axis=1)
    good = (used.sum(axis=1) >= 4) & (np.abs(np.linalg.det(normal)) > 1e-9)
    out = np.full((len(el), 3), 99.99)
    if good.any():
        q = np.linalg.inv(normal[good])
        horizontal, vertical = q[:, 0, 0] + q[:, 1, 1], q[:, 2, 2]
        out[good] = np.sqrt(np.abs(np.stack((horizontal + vertical, horizontal, vertical), axis=1)))
    return np.asarray(np.minimum(out, 99.99))
