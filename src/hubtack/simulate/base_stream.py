"""What a base sends, second by second: encoded frames with the moment they were sent."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.simulate import encode
from hubtack.simulate.sky import (
    BEIDOU,
    GALILEO,
    GLONASS,
    GPS,
    SHELLS,
    carrier_to_noise_dbhz,
    look_angles,
    positions_ecef_m,
)
from hubtack.simulate.world import SITE_LAT_DEG, SITE_LON_DEG, Base, World

GPS_EPOCH = dt.datetime(1980, 1, 6)
LEAP_S = 18
WEEK_S = 604_800
LIGHT_M_S = 299_792_458.0
TOE_STEP_S = 7200
_FREQUENCY_HZ: Mapping[int, tuple[float, float]] = {
    GPS: (1575.42e6, 1227.60e6),
    GLONASS: (1602.0e6, 1246.0e6),
    GALILEO: (1575.42e6, 1176.45e6),
    BEIDOU: (1561.098e6, 1268.52e6),
}


@dataclass(frozen=True, slots=True)
class Sent:
    """One frame: when it left the base [s since the start], its bytes, the epoch it speaks of, satellites in it."""

    t_s: float
    data: bytes
    epoch_s: float | None
    system: int = 0
    satellites: frozenset[int] = frozenset()
    has_phase: bool = False
    is_position: bool = False


@dataclass(slots=True)
class View:
    """Elevation, azimuth and range (T, S) of one system's satellites once a second."""

    elevation_deg: NDArray[Any]
    azimuth_deg: NDArray[Any]
    range_m: NDArray[Any]


def gps_time(world: World) -> tuple[int, float]:
    """GPS week, and second of it at the session's start."""
    since = (world.start - GPS_EPOCH).total_seconds() + LEAP_S
    return int(since // WEEK_S), float(since % WEEK_S)


def views(world: World, position_m: NDArray[Any]) -> dict[int, View]:
    """The sky over a place for the whole session, once a second."""
    _, sow = gps_time(world)
    toe = float(int(sow) // TOE_STEP_S * TOE_STEP_S)
    seconds = sow + np.arange(world.seconds + 2, dtype=np.float64)
    found = {}
    for system, shell in SHELLS.items():
        satellites = positions_ecef_m(shell, seconds, toe)
        # While a signal travels, satellite and Earth move by up to 300 m: without it no reader finds the base.
        travel_s = np.linalg.norm(satellites - position_m, axis=-1) / LIGHT_M_S
        satellites = positions_ecef_m(shell, seconds, toe, travel_s)
        elevation, azimuth, range_m = look_angles(satellites, position_m, SITE_LAT_DEG, SITE_LON_DEG)
        found[system] = View(elevation, azimuth, range_m)
    return found


def base_frames(world: World, base: Base, rng: np.random.Generator) -> list[Sent]:
    """All frames a base sends while it is on."""
    week, sow = gps_time(world)
    seen = views(world, base.position_m)
    clocks = {system: rng.normal(0, 2e-5, len(SHELLS[system].slots)) for system in base.systems}
    ambiguity = {
        system: np.round(rng.uniform(-40, 40, (len(SHELLS[system].slots), 2))) * 0.19 for system in base.systems
    }
    noise = {system: rng.normal(0, 1, (world.seconds + 2, len(SHELLS[system].slots), 2)) for system in base.systems}
    rising = {system: _risen(seen[system].elevation_deg > base.mask_deg) for system in base.systems}
    sent: list[Sent] = []
    for second in range(world.seconds):
        if not base.on[0] <= second < base.on[1]:
            continue
        station = _now(base.station, base.renames, second)
        if second % base.interval_s == 0:
            epoch_sow = (sow + second + base.clock_off_s) % WEEK_S
            sent.extend(_observations(world, base, seen, clocks, ambiguity, noise, rising, second, epoch_sow, station))
        sent.extend(_slow_messages(world, base, second, station, week, sow, clocks))
    return sent


def _now(value: int, changes: Sequence[tuple[float, int]], second: float) -> int:
    for at, changed in changes:
        if second >= at:
            value = changed
    return value


def _risen(up: NDArray[Any]) -> NDArray[Any]:
    """Seconds since each satellite came up (it had been up for long at the start)."""
    count = np.zeros(up.shape, dtype=np.int64)
    running = np.where(up[0], 3000, 0)
    for i in range(len(up)):
        running = np.where(up[i], running + 1, 0)
        count[i] = running
    return count


def _observations(
    world: World,
    base: Base,
    seen: dict[int, View],
    clocks: dict[int, Any],
    ambiguity: dict[int, Any],
    noise: dict[int, Any],
    rising: dict[int, Any],
    second: int,
    epoch_sow: float,
    station: int,
) -> list[Sent]:
    frames: list[Sent] = []
    systems = [s for s in base.systems if (seen[s].elevation_deg[second] > base.mask_deg).any()]
    moved_m = _moved(base, second)
    for i, system in enumerate(systems):
        view = seen[system]
        elevation = view.elevation_deg[second]
        up = np.flatnonzero(elevation > base.mask_deg)
        limit = 64 // len(encode.SIGNALS[system])
        up = up[np.argsort(-elevation[up])][:limit]
        delay_m = 2.4 / np.maximum(np.sin(np.radians(elevation[up])), 0.1) - clocks[system][up] * LIGHT_M_S
        if moved_m is not None:
            delay_m = delay_m - _along(view, up, second, moved_m)
        cn0 = carrier_to_noise_dbhz(elevation[up]) - base.cn0_loss_db
        observed = []
        for k, s in enumerate(up):
            geometric_m = float(view.range_m[second, s] + delay_m[k])
            jitter = noise[system][second, s]
            cycles = ambiguity[system][s]

            def phase(band: int, range_m: float = geometric_m, cycles: Any = cycles, jitter: Any = jitter) -> float:
                return range_m + float(cycles[band]) + 0.003 * float(jitter[band])

            observed.append(encode.Observed(
                satellite=int(s) + 1,
                code_m=(geometric_m + 0.4 * float(jitter[0]), geometric_m + 0.5 * float(jitter[1])),
                phase_m=(phase(0), phase(1)),
                lock_ms=int(rising[system][second, s]) * 1000,
                cn0_dbhz=(max(20.0, float(cn0[k] + 0.6 * jitter[0])), max(18.0, float(cn0[k] - 4.0 + 0.6 * jitter[1]))),
                channel=int(s) % 13 - 7 if system == GLONASS else 0,
            ))  # fmt: skip
        data = encode.msm(
            base.level, system, station, _epoch_field(system, epoch_sow), observed, more=i < len(systems) - 1
        )
        frames.append(
            Sent(
                second + 0.1 + 0.01 * i,
                data,
                float(second),
                system,
                frozenset(o.satellite for o in observed),
                base.level > 1,
            )
        )
    return frames


def _moved(base: Base, second: float) -> NDArray[Any] | None:
    moved = None
    for at, offset in base.moves:
        if second >= at:
            moved = offset
    return moved


def _along(view: View, up: NDArray[Any], second: int, moved_enu_m: NDArray[Any]) -> NDArray[Any]:
    """Part of a movement of the antenna along the line to each satellite. [m]"""
    el, az = np.radians(view.elevation_deg[second, up]), np.radians(view.azimuth_deg[second, up])
    return np.asarray(
        moved_enu_m[0] * np.cos(el) * np.sin(az)
        + moved_enu_m[1] * np.cos(el) * np.cos(az)
        + moved_enu_m[2] * np.sin(el)
    )


def _epoch_field(system: int, gps_sow: float) -> int:
    """The 30-bit epoch of each system's own time scale (RTCM 10403.3)."""
    ms = round(gps_sow * 1000)
    if system == GLONASS:
        moscow = ms - LEAP_S * 1000 + 3 * 3_600_000
        return (moscow // 86_400_000 % 7) << 27 | moscow % 86_400_000
    if system == BEIDOU:
        return (ms - 14_000) % (WEEK_S * 1000)
    return ms % (WEEK_S * 1000)


def _slow_messages(
    world: World, base: Base, second: int, station: int, week: int, sow: float, clocks: dict[int, Any]
) -> list[Sent]:
    frames: list[Sent] = []

    def add(data: bytes, *, is_position: bool = False) -> None:
        frames.append(Sent(second + 0.2 + 0.01 * len(frames), data, None, is_position=is_position))

    if base.sends_position and second % 10 == 3:
        offset = base.typed_offset_m
        for at, changed in base.typed_changes:
            if second >= at:
                offset = changed
        add(
            encode.base_position(
                station, base.position_m + offset, height_m=0.0 if second % 20 == 3 else None, computed=base.computed
            ),
            is_position=True,
        )
    if base.computed and second % 10 == 4:
        add(encode.physical_position(station, 7, base.position_m + np.array([4000.0, 2500.0, 900.0])))
    if base.sends_descriptors and second % 30 == 5:
        add(encode.descriptors(station, base.antenna, "1042", "HUBTEST RX", "1.20"))
    if base.sends_biases and GLONASS in base.systems and second % 10 == 7:
        add(encode.glonass_biases(station))
    if second % 60 == 9:
        now = world.start + dt.timedelta(seconds=second)
        mjd = (now.date() - dt.date(1858, 11, 17)).days
        add(encode.system_parameters(station, mjd, now.hour * 3600 + now.minute * 60 + now.second))
    if GPS in base.systems and second % 5 == 1:
        shell = SHELLS[GPS]
        index = second // 5 % len(shell.slots)
        toe = int(sow) // TOE_STEP_S * TOE_STEP_S
        node, latitude = (float(np.radians(v)) for v in shell.slots[index])
        add(
            encode.gps_ephemeris(
                index + 1, week, toe, node, latitude, shell.radius_m, float(np.radians(shell.inclination_deg)),
                float(clocks[GPS][index]),
            )
        )
    return frames
