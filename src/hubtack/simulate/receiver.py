"""The rover's receiver: what it makes of sky and corrections, second by second.

It reacts to what reaches it, whole and in time. It keeps a fix for a time of its own without corrections, floats,
then goes autonomous; to fix it needs a base position, carrier phase and enough satellites in common, and time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_offset_to_enu
from hubtack.simulate.base_stream import Sent, satellite_bit
from hubtack.simulate.channel import Heard
from hubtack.simulate.sky import GLONASS, View, carrier_to_noise_dbhz, dops
from hubtack.simulate.world import World

NONE, AUTONOMOUS, DIFFERENTIAL, FIXED, FLOAT = 0, 1, 2, 4, 5
LEAST_COMMON = 5
_TRACKS_ABOVE_DBHZ = 28.0
_FIXES_BELOW_PDOP, _HOLDS_BELOW_DROP_DB = 8.0, 10.0  # poorer geometry or more noise settles no integers
_ODD_CLOCK_S = 0.01  # observations dated wrongly by more than this fit nothing the rover measures
# 1 sigma of each state's error, plan and height [m]: common practice, no source.
_SIGMA_M = {AUTONOMOUS: (1.2, 2.2), DIFFERENTIAL: (0.5, 0.9), FLOAT: (0.25, 0.4)}


@dataclass(slots=True)
class Tracked:
    """The rover's own sky: (T, S) over all systems side by side, ``index`` (S, 2) gives system and slot."""

    index: NDArray[np.int64]
    elevation_deg: NDArray[Any]
    azimuth_deg: NDArray[Any]
    tracked: NDArray[np.bool_]
    used: NDArray[np.bool_]
    drop_db: NDArray[Any]
    dops: NDArray[Any]


@dataclass(slots=True)
class State:
    """The receiver at each whole second: (T,) each; ``arp_m`` (T, 3) is the base position it works from."""

    fix: NDArray[np.int64]
    age_s: NDArray[Any]
    station: NDArray[np.int64]
    common: NDArray[np.int64]
    arp_m: NDArray[Any]
    sigma_h_m: NDArray[Any]
    sigma_v_m: NDArray[Any]
    heading_ok: NDArray[np.bool_]


def track(world: World, seen: dict[int, View]) -> Tracked:
    """Satellites that reach the main antenna: above the horizon, not behind what blocks the sky, not drowned."""
    systems = [s for s in seen if s in world.receiver.systems]
    index = np.array([(s, k) for s in systems for k in range(seen[s].elevation_deg.shape[1])], dtype=np.int64)
    el = np.concatenate([seen[s].elevation_deg for s in systems], axis=1)
    az = np.concatenate([seen[s].azimuth_deg for s in systems], axis=1)
    t = np.arange(world.seconds, dtype=np.float64)
    tracked = el > world.sky.mask_deg
    for start, end, az_from, az_to, below in world.sky.blocked:
        inside = ((az - az_from) % 360.0) <= ((az_to - az_from) % 360.0)
        tracked &= ~(inside & (el < below) & ((t >= start) & (t < end))[:, None])
    drop = np.zeros(world.seconds)
    for start, end, loss_db in world.sky.noise_db:
        drop = np.where((t >= start) & (t < end), np.maximum(drop, loss_db), drop)
    tracked &= carrier_to_noise_dbhz(el) - drop[:, None] > _TRACKS_ABOVE_DBHZ
    used = tracked & (el > world.receiver.mask_deg)
    return Tracked(index, el, az, tracked, used, drop, dops(el, az, used))


def run_receiver(world: World, sky: Tracked, heard: list[Heard]) -> State:
    """Walk the receiver through the session, one second at a time."""
    n, r = world.seconds, world.receiver
    bits = [satellite_bit(int(s), int(k)) for s, k in sky.index]
    own = [sum(bits[i] for i in np.flatnonzero(row)) for row in _changes(sky.used)]
    own_at = np.concatenate(([0], np.cumsum((sky.used[1:] != sky.used[:-1]).any(axis=1)))) if n else np.zeros(0)
    glonass = sum(satellite_bit(GLONASS, k) for k in range(24))
    reflected = _windows(world.sky.reflections, n) | (sky.drop_db > _HOLDS_BELOW_DROP_DB)
    poor = sky.dops[:, 0] > _FIXES_BELOW_PDOP
    out = State(
        np.zeros(n, dtype=np.int64), np.full(n, np.nan), np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64),
        np.full((n, 3), np.nan), np.full(n, np.nan), np.full(n, np.nan), np.zeros(n, dtype=bool),
    )  # fmt: skip
    radio = _Radio(world)
    km = float(np.linalg.norm(world.machine.offset_enu_m - _enu_of_base(world))) * 1e-3
    fix, progress, lost_since, i = NONE, 0.0, 0.0, 0
    for second in range(n):
        while i < len(heard) and heard[i].t_s <= second + 0.02:
            frame = heard[i].frame
            i += 1
            if frame is not None and r.uses_corrections:
                radio.take(frame)
        up = own[int(own_at[second])]
        usable = radio.satellites
        if r.needs_glonass_biases != "no" and not radio.knows_biases:
            if r.needs_glonass_biases == "refuses":
                usable &= ~glonass
            no_fix = r.needs_glonass_biases == "fails" and bool(usable & up & glonass)
        else:
            no_fix = False
        common = (up & usable).bit_count()
        age = second - radio.newest_s
        # A receiver takes no corrections from the future, and none older than it can bridge.
        live = -1.0 <= age <= r.keeps_fix_s and radio.arp is not None and radio.consistent
        if up.bit_count() < 4 or second < r.first_fix_s:
            fix, progress = NONE, 0.0
        elif fix == NONE:
            fix, progress = AUTONOMOUS, 0.0
        if fix != NONE and live and common >= 4:
            lost_since = second
            if not radio.has_phase:
                fix, progress = DIFFERENTIAL, 0.0
            else:
                if fix in (AUTONOMOUS, DIFFERENTIAL):
                    fix, progress = FLOAT, 0.0
                able = common >= LEAST_COMMON and not no_fix and not reflected[second] and age < 10
                if radio.changed_base:
                    fix, progress = FLOAT, 0.0
                if able and not poor[second]:
                    progress += float(np.clip(common / 12.0, 0.5, 1.3)) / (1.0 + km / 30.0)
                if fix == FLOAT and able and not poor[second] and progress >= r.fix_time_s:
                    fix = FIXED
                if fix == FIXED and (common < LEAST_COMMON or no_fix or reflected[second]):
                    fix, progress = FLOAT, 0.0
        elif fix in (FIXED, FLOAT, DIFFERENTIAL):
            if fix == FIXED:
                fix, progress, lost_since = FLOAT, 0.0, second
            if second - lost_since > r.keeps_float_s:
                fix = AUTONOMOUS
        radio.changed_base = False
        out.fix[second] = fix
        corrected = fix in (FLOAT, FIXED, DIFFERENTIAL)
        out.age_s[second] = max(age, 0.0) if corrected else np.nan
        out.station[second] = radio.station if corrected else 0
        out.common[second] = common
        if radio.arp is not None:
            out.arp_m[second] = radio.arp
    _sigmas(world, sky, out, km)
    t = np.arange(n)
    out.heading_ok[:] = (r.sends_heading or r.second_stream) & (sky.used.sum(axis=1) >= 5) & (t >= r.first_fix_s)
    out.heading_ok &= ~_windows(world.sky.second_blocked, n)
    return out


class _Radio:
    """What the receiver has gathered from the frames so far."""

    def __init__(self, world: World) -> None:
        self._receiver = world.receiver
        self.satellites, self.newest_s = 0, -1e9
        self.has_phase = self.knows_biases = self.changed_base = False
        self.consistent = True
        self.arp: tuple[float, float, float] | None = None
        self.station = 0
        self._gathering: tuple[float, int, int] = (-1e9, 0, 0)  # epoch, station, satellites so far
        self._clock_off_s = {b.station: b.clock_off_s for b in (world.base, *world.others)}

    def take(self, frame: Sent) -> None:
        """Use one whole frame."""
        if self.station and frame.station != self.station and frame.kind in ("observations", "position"):
            if not self._receiver.follows_any_base:
                return
            self.changed_base = True
            self.arp, self.satellites, self.knows_biases = None, 0, False
            self.station = frame.station
        if frame.kind == "position" and frame.position_m is not None:
            # One number with two places in turn: the receiver starts again each time.
            if self.arp is not None and max(abs(a - b) for a, b in zip(self.arp, frame.position_m, strict=True)) > 5.0:
                self.changed_base = True
            self.arp, self.station = frame.position_m, frame.station
        elif frame.kind == "biases":
            self.knows_biases = True
        elif frame.kind == "observations":
            self.station = self.station or frame.station
            epoch, station, satellites = self._gathering
            if (frame.epoch_s, frame.station) != (epoch, station):
                satellites = 0
            satellites |= frame.satellites
            self._gathering = (frame.epoch_s, frame.station, satellites)
            # An epoch counts once it is complete, or rich enough to work with.
            if frame.last or satellites.bit_count() >= 10:
                if frame.epoch_s >= self.newest_s or frame.epoch_s < self.newest_s - 30:
                    self.newest_s, self.satellites = frame.epoch_s, satellites
                self.has_phase = frame.has_phase
            self.consistent = abs(self._clock_off_s.get(frame.station, 0.0)) < _ODD_CLOCK_S


def _changes(rows: NDArray[np.bool_]) -> list[NDArray[np.bool_]]:
    """The rows that differ from the one before."""
    if not len(rows):
        return []
    at = np.concatenate(([0], np.flatnonzero((rows[1:] != rows[:-1]).any(axis=1)) + 1))
    return [rows[i] for i in at]


def _windows(windows: list[tuple[float, float]], n: int) -> NDArray[np.bool_]:
    t = np.arange(n)
    inside = np.zeros(n, dtype=bool)
    for start, end in windows:
        inside |= (t >= start) & (t < end)
    return inside


def _enu_of_base(world: World) -> NDArray[Any]:
    """The base from the site's origin, roughly: only the length of the baseline is taken from it."""
    here = world.place
    offset = (world.base.position_m - here.point_m(0.0, 0.0, 0.0))[None]
    return np.asarray(ecef_offset_to_enu(offset, np.array([here.lat_deg]), np.array([here.lon_deg]))[0])


def _sigmas(world: World, sky: Tracked, out: State, km: float) -> None:
    """True 1 sigma of each second, plan (one axis) and height. [m]"""
    r = world.receiver
    hdop, vdop = sky.dops[:, 1], sky.dops[:, 2]
    age = np.nan_to_num(np.maximum(out.age_s, 0.0))
    growth = 0.0015 * np.sqrt(age) + 0.0004 * age
    fixed = out.fix == FIXED
    plan = np.hypot(r.sigma_h_m * np.clip(hdop / 0.8, 0.8, 12.0) + 1e-3 * km, growth)
    up = np.hypot(r.sigma_v_m * np.clip(vdop / 1.1, 0.8, 12.0) + 1e-3 * km, 1.5 * growth)
    out.sigma_h_m = np.where(fixed, plan, np.nan)
    out.sigma_v_m = np.where(fixed, up, np.nan)
    for state, (h, v) in _SIGMA_M.items():
        here = out.fix == state
        out.sigma_h_m = np.where(here, h * np.clip(hdop / 0.8, 0.8, 12.0), out.sigma_h_m)
        out.sigma_v_m = np.where(here, v * np.clip(vdop / 1.1, 0.8, 12.0), out.sigma_v_m)


def errors(
    sigma_h_m: NDArray[Any], sigma_v_m: NDArray[Any], fixed: NDArray[np.bool_], step_s: float, rng: np.random.Generator
) -> NDArray[Any]:
    """Error east, north, up (T, 3) of each output epoch, of the given 1 sigma. [m]

    Three parts: one that drifts over minutes (atmosphere, geometry), one over ten seconds (multipath), one white.
    Their shares of the variance are 0.5, 0.35 and 0.15 while fixed; otherwise nearly all of it drifts.
    """
    n = len(sigma_h_m)
    slow = _drift(rng, n, step_s / 240.0)
    quick = _drift(rng, n, step_s / 10.0)
    white = rng.standard_normal((n, 3))
    unit = np.where(
        fixed[:, None],
        np.sqrt(0.5) * slow + np.sqrt(0.35) * quick + np.sqrt(0.15) * white,
        np.sqrt(0.85) * slow + np.sqrt(0.14) * quick + np.sqrt(0.01) * white,
    )
    sigma = np.stack((0.8 * sigma_h_m, sigma_h_m, sigma_v_m), axis=1)
    return np.asarray(np.nan_to_num(sigma) * unit)


def _drift(rng: np.random.Generator, n: int, step: float) -> NDArray[Any]:
    """Unit noise (T, 3) that forgets itself after 1 / step rows."""
    keep = float(np.exp(-step))
    drive = rng.standard_normal((n, 3)) * np.sqrt(1.0 - keep * keep)
    value = rng.standard_normal(3)
    for i in range(n):
        value = keep * value + drive[i]
        drive[i] = value
    return np.asarray(drive)
