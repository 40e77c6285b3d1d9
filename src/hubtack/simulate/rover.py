"""The rover: where the machine is, what its receiver makes of sky and corrections, second by second.

The receiver reacts to what reaches it. It keeps a fix for a time of its own without corrections, floats, then goes
autonomous; it needs five common satellites, a base position and carrier phase to fix; its sigmas follow its state.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.simulate.base_stream import View
from hubtack.simulate.channel import Heard
from hubtack.simulate.sky import carrier_to_noise_dbhz, dop
from hubtack.simulate.world import Machine, World

NONE, AUTONOMOUS, FLOAT, FIXED = 0, 1, 5, 4
# 1 sigma of the slowly drifting part of each state's error, plan and height [m]: common practice, no source.
_DRIFT_M = {NONE: (0.0, 0.0), AUTONOMOUS: (1.2, 2.2), FLOAT: (0.25, 0.4)}
_DRIFT_TIME_S = 90.0


@dataclass(slots=True)
class Motion:
    """Antenna position east, north, up from the base [m], heading [deg], speed [m/s] and course, each (T,)."""

    enu_m: NDArray[Any]
    heading_deg: NDArray[Any]
    speed_m_s: NDArray[Any]
    course_deg: NDArray[Any]


def move(machine: Machine, t_s: NDArray[Any], rng: np.random.Generator) -> Motion:
    """Where the main antenna is: idle, the house swinging to and fro, or the whole machine tracking along."""
    heading = np.full(len(t_s), machine.heading_deg)
    centre = np.zeros((len(t_s), 3)) + machine.offset_enu_m
    direction = float(rng.uniform(0, 2 * np.pi))
    bounds = [*(s for s, _ in machine.spells), float(t_s[-1]) + 1.0 if len(t_s) else 0.0]
    now_heading, now_offset = machine.heading_deg, np.zeros(3)
    for (start, kind), end in zip(machine.spells, bounds[1:], strict=True):
        inside = (t_s >= start) & (t_s < end)
        since = t_s[inside] - start
        heading[inside] = now_heading
        if kind == "swing":
            reach, cycle = float(rng.uniform(40, 170)), float(rng.uniform(14, 26))
            length = max(1.0, round((end - start) / cycle)) * cycle
            heading[inside] = now_heading + reach * 0.5 * (1 - np.cos(2 * np.pi * np.minimum(since, length) / cycle))
        centre[inside] += now_offset
        if kind == "track":
            step = 0.45 * since
            centre[inside, 0] += step * np.sin(direction)
            centre[inside, 1] += step * np.cos(direction)
            now_offset = now_offset + 0.45 * (end - start) * np.array([np.sin(direction), np.cos(direction), 0.0])
            direction += float(rng.normal(0, 1.0))
    turn = np.radians(heading)
    # The main antenna stands to the left of the swing axis.
    enu = centre.copy()
    enu[:, 0] += -machine.swing_radius_m * np.cos(turn)
    enu[:, 1] += machine.swing_radius_m * np.sin(turn)
    step_s = np.diff(t_s, prepend=t_s[0] - 1.0)
    delta = np.diff(enu, axis=0, prepend=enu[:1])
    speed = np.hypot(delta[:, 0], delta[:, 1]) / np.maximum(step_s, 1e-3)
    course = np.degrees(np.arctan2(delta[:, 0], delta[:, 1])) % 360.0
    return Motion(enu, heading % 360.0, speed, course)


@dataclass(slots=True)
class State:
    """The receiver at each whole second."""

    fix: NDArray[Any]
    age_s: NDArray[Any]
    station: NDArray[Any]
    satellites: list[dict[int, list[int]]]
    dops: NDArray[Any]
    sigma_h_m: NDArray[Any]
    sigma_v_m: NDArray[Any]
    heading_ok: NDArray[Any]
    cn0_drop_db: NDArray[Any]
    fixed_since: NDArray[Any] = field(default_factory=lambda: np.zeros(0))
    arp_m: list[NDArray[Any] | None] = field(default_factory=list)


def visible(world: World, seen: dict[int, View], second: int) -> dict[int, NDArray[np.int64]]:
    """Satellites that reach the main antenna: above the mask and not behind what blocks the sky."""
    found = {}
    for system in world.receiver.systems:
        el, az = seen[system].elevation_deg[second], seen[system].azimuth_deg[second]
        up = el > world.sky.mask_deg
        for start, end, az_from, az_to, below in world.sky.blocked:
            if start <= second < end:
                inside = ((az - az_from) % 360.0) <= ((az_to - az_from) % 360.0)
                up &= ~(inside & (el < below))
        for start, end, drop in world.sky.noise_db:
            if start <= second < end:
                up &= carrier_to_noise_dbhz(el) - drop > 30.0
        found[system] = np.flatnonzero(up)
    return found


def run_receiver(world: World, seen: dict[int, View], heard: list[Heard], rng: np.random.Generator) -> State:
    """Walk the receiver through the session, one second at a time."""
    n = world.seconds
    state = State(
        np.zeros(n, dtype=np.int64),
        np.full(n, np.nan),
        np.zeros(n, dtype=np.int64),
        [],
        np.full((n, 3), 99.99),
        np.full(n, np.nan),
        np.full(n, np.nan),
        np.zeros(n, dtype=bool),
        np.zeros(n),
    )
    r = world.receiver
    epochs: dict[float, dict[int, frozenset[int]]] = {}
    epoch_station: dict[float, int] = {}
    newest: float | None = None
    complete: dict[int, frozenset[int]] = {}
    has_phase = False
    arp: NDArray[Any] | None = None
    station = 0
    index, progress, fix, lost_since = 0, 0.0, NONE, 0.0
    for second in range(n):
        while index < len(heard) and heard[index].t_s <= second + 0.02:
            frame = heard[index].frame
            index += 1
            if frame is None or not r.uses_corrections:
                continue
            identity = frame.data[4] << 8 & 0xF00 | frame.data[5]
            if frame.is_position:
                arp = _position_of(frame.data)
                station = identity
            elif frame.epoch_s is not None:
                epochs.setdefault(frame.epoch_s, {})[frame.system] = frame.satellites
                epoch_station[frame.epoch_s] = identity
                has_phase |= frame.has_phase
                if len(epochs[frame.epoch_s]) >= 2 or len(world.base.systems) == 1:
                    newest = frame.epoch_s if newest is None else max(newest, frame.epoch_s)
                for old in [e for e in epochs if e < frame.epoch_s - 20]:
                    del epochs[old]
        if newest is not None and newest in epochs:
            complete = epochs[newest]
        up = visible(world, seen, second)
        used = {s: list(map(int, v)) for s, v in up.items()}
        total = sum(len(v) for v in used.values())
        common = sum(len(set(v.tolist()) & {sat - 1 for sat in complete.get(s, frozenset())}) for s, v in up.items())
        age = second + 0.0 - newest if newest is not None else np.nan
        live = newest is not None and age <= r.keeps_fix_s and arp is not None and has_phase
        able = live and common >= 5 and r.can_fix
        if total < 4 or second < r.first_fix_s:
            fix, progress = NONE, 0.0
        elif fix == NONE:
            fix = AUTONOMOUS
        if fix != NONE:
            if live and common >= 4:
                lost_since = second
                if fix == AUTONOMOUS:
                    fix, progress = FLOAT, 0.0
                if able and age < 10:
                    progress += 1.0
                if fix == FLOAT and able and progress >= r.fix_time_s:
                    fix = FIXED
                if fix == FIXED and common < 5:
                    fix, progress = FLOAT, 0.0
            else:
                if fix == FIXED:
                    fix, progress, lost_since = FLOAT, 0.0, second
                if fix == FLOAT and second - lost_since > r.keeps_float_s:
                    fix = AUTONOMOUS
        el = np.concatenate([seen[s].elevation_deg[second][v] for s, v in up.items()]) if total else np.zeros(0)
        az = np.concatenate([seen[s].azimuth_deg[second][v] for s, v in up.items()]) if total else np.zeros(0)
        state.fix[second] = fix
        state.age_s[second] = age if fix in (FLOAT, FIXED) else np.nan
        state.station[second] = r.station_override if r.station_override is not None else station
        state.satellites.append(used if fix else {})
        state.dops[second] = dop(el, az)
        drop = max((d for a, b, d in world.sky.noise_db if a <= second < b), default=0.0)
        state.cn0_drop_db[second] = drop
        blocked = any(a <= second < b for a, b in world.sky.second_blocked)
        state.heading_ok[second] = r.sends_heading and not blocked and total >= 5 and second >= r.first_fix_s
        state.arp_m.append(arp)
        _, hdop, vdop = state.dops[second]
        km = float(np.linalg.norm(world.machine.offset_enu_m)) * 1e-6
        growth = 0.003 * np.sqrt(max(age, 0.0)) if np.isfinite(age) else 0.0
        if fix == FIXED:
            state.sigma_h_m[second] = np.hypot(r.sigma_h_m * max(0.8, hdop / 0.9) + km, growth)
            state.sigma_v_m[second] = np.hypot(r.sigma_v_m * max(0.8, vdop / 1.3) + km, 1.5 * growth)
        elif fix:
            plan, up_m = _DRIFT_M[fix]
            state.sigma_h_m[second], state.sigma_v_m[second] = plan * max(1.0, hdop), up_m * max(1.0, vdop / 1.5)
    return state


def _position_of(data: bytes) -> NDArray[Any]:
    value = int.from_bytes(data[3:-3], "big")
    width = 8 * (len(data) - 6)

    def signed(start: int) -> float:
        raw = value >> (width - start - 38) & (1 << 38) - 1
        return (raw - (1 << 38) if raw >> 37 else raw) * 1e-4

    return np.array([signed(34), signed(74), signed(114)])


def position_errors(state: State, t_s: NDArray[Any], rng: np.random.Generator) -> NDArray[Any]:
    """Error east, north, up (T, 3) of each output epoch: a slow drift and white noise that fit the stated sigmas."""
    n = len(t_s)
    second = np.minimum(t_s.astype(np.int64), len(state.fix) - 1)
    fix = state.fix[second]
    step = float(np.median(np.diff(t_s))) if n > 1 else 1.0
    keep = np.exp(-step / _DRIFT_TIME_S)
    white = rng.normal(0, 1, (n, 3))
    drive = rng.normal(0, 1, (n, 3)) * np.sqrt(1 - keep**2)
    drift = np.zeros((n, 3))
    value = rng.normal(0, 1, 3)
    for i in range(n):
        value = keep * value + drive[i]
        drift[i] = value
    sigma = np.stack((state.sigma_h_m[second], state.sigma_h_m[second], state.sigma_v_m[second]), axis=1)
    sigma = np.nan_to_num(sigma)
    fixed = (fix == FIXED)[:, None]
    return np.asarray(np.where(fixed, sigma * (0.8 * drift + 0.6 * white), sigma * (0.97 * drift + 0.05 * white)))
