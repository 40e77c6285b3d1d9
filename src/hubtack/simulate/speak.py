"""The rover's log: positions, errors and states put into sentences, epoch by epoch."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_to_geodetic, enu_to_ecef_offset
from hubtack.simulate import sentences as say
from hubtack.simulate.motion import Motion
from hubtack.simulate.receiver import DIFFERENTIAL, FIXED, FLOAT, NONE, State, Tracked, errors
from hubtack.simulate.sky import carrier_to_noise_dbhz
from hubtack.simulate.world import Place, World

Progress = Callable[[float], None]  # share of the work done, 0 to 1
_HEADING_SIGMA_ACROSS_M = 0.0035  # of the vector between two antennas on one machine: common practice, no source
_SPOILED_SHARE = 1.0 / 7200  # epochs with a checksum broken on the serial line


@dataclass(slots=True)
class Positions:
    """What the receiver takes itself for: latitude, longitude [deg], ellipsoidal height [m], each (T,)."""

    lat_deg: NDArray[Any]
    lon_deg: NDArray[Any]
    h_m: NDArray[Any]


def to_ecef_m(place: Place, enu_m: NDArray[Any]) -> NDArray[Any]:
    """Earth-centred positions (T, 3) of points (T, 3) given from the site's origin. [m]"""
    lat, lon = np.full(len(enu_m), place.lat_deg), np.full(len(enu_m), place.lon_deg)
    return np.asarray(place.point_m(0.0, 0.0, 0.0) + enu_to_ecef_offset(enu_m, lat, lon))


def positions(
    world: World, state: State, t_s: NDArray[Any], enu_m: NDArray[Any], shift_m: NDArray[Any], rng: np.random.Generator
) -> Positions:
    """True positions plus errors; a corrected position carries the base's own error, ``shift_m`` (seconds, 3)."""
    second = np.minimum(t_s.astype(np.int64), world.seconds - 1)
    fix = state.fix[second]
    step = float(np.median(np.diff(t_s))) if len(t_s) > 1 else 1.0
    error = errors(state.sigma_h_m[second], state.sigma_v_m[second], fix == FIXED, step, rng)
    for start, end, offset in world.receiver.wrong_fix:
        inside = (t_s >= start) & (t_s < end) & (fix == FIXED)
        error = error + np.where(inside[:, None], offset, 0.0)
    pos = to_ecef_m(world.place, enu_m + error)
    corrected = np.isin(fix, (FIXED, FLOAT, DIFFERENTIAL))
    pos = pos + np.where(corrected[:, None], shift_m[second], 0.0)
    columns = ecef_to_geodetic(pos)
    for start, end in world.receiver.frozen:
        inside = np.flatnonzero((t_s >= start) & (t_s < end))
        for column in columns if len(inside) else ():
            column[inside] = column[inside[0]]
    return Positions(*columns)


def rover_log(
    world: World, t_s: NDArray[Any], motion: Motion, state: State, sky: Tracked, at: Positions,
    rng: np.random.Generator, progress: Progress | None = None,
) -> list[tuple[float, bytes]]:  # fmt: skip
    """The main receiver's epochs: (when it was sent [s], all sentences of that epoch)."""
    r = world.receiver
    second = np.minimum(t_s.astype(np.int64), world.seconds - 1)
    separation = _separation(world, t_s)
    noise = rng.standard_normal(len(t_s)) * np.degrees(_HEADING_SIGMA_ACROSS_M / separation)
    heading = motion.heading_deg + noise + r.heading_offset_deg
    creep = np.abs(rng.normal(0, 0.008, len(t_s)))
    speed = np.where(motion.speed_m_s > 0.02, motion.speed_m_s, creep)
    course = np.where(motion.speed_m_s > 0.02, motion.course_deg, rng.uniform(0, 360, len(t_s)))
    spoiled = rng.random(len(t_s)) < _SPOILED_SHARE
    wobble = rng.normal(0, 0.7, (world.seconds, sky.used.shape[1]))
    lag = r.lateness_s + np.abs(rng.normal(0, 0.01, len(t_s)))
    satellites = sky.used.sum(axis=1)
    views = _SkyLines(world, sky, wobble)
    late_gst = b""
    out: list[tuple[float, bytes]] = []
    for i, t in enumerate(t_s.tolist()):
        if progress is not None and i % 5000 == 0:
            progress(0.5 + 0.5 * i / len(t_s))
        if any(a <= t < b for a, b in r.silent):
            continue
        s = int(second[i])
        fix = int(state.fix[s])
        when = world.start + dt.timedelta(seconds=round(t, 3) + sum(v for at_s, v in r.clock_steps if t >= at_s))
        clock, whole = say.clock(when), abs(t - round(t)) < 1e-6
        corrected = fix in (FIXED, FLOAT, DIFFERENTIAL)
        age = f"{state.age_s[s] + t - s:.1f}" if corrected and r.gives_age else ""
        station = f"{int(state.station[s]):04d}" if corrected and r.names_station else ""
        where = say.place(float(at.lat_deg[i]), float(at.lon_deg[i]), r.minute_decimals)
        h_geoid = f"{float(at.h_m[i]) - world.place.geoid_separation_m:.{r.height_decimals}f}"
        n, hdop = int(satellites[s]) if fix else 0, float(sky.dops[s, 1])
        lines = []
        for kind in r.order:
            if kind == "position":
                if r.position_kind in ("GGA", "both"):
                    lines.append(
                        say.gga(clock, where, h_geoid, world.place.geoid_separation_m, fix, n, hdop, age, station)
                    )
                if r.position_kind in ("GNS", "both"):
                    modes = say.modes(fix, views.systems(s))
                    lines.append(
                        say.gns(clock, where, h_geoid, world.place.geoid_separation_m, modes, n, hdop, age, station)
                    )
            elif kind == "GST" and r.sends_gst and fix != NONE:
                stated = (r.candour * float(state.sigma_h_m[s]), r.candour * float(state.sigma_v_m[s]))
                text = say.gst(clock, *stated)
                lines.append(late_gst if r.gst_late else text)
                late_gst = text
            elif kind == "heading" and r.sends_heading:
                lines.append(say.heading(r.heading_kind, float(heading[i]) if state.heading_ok[s] else None))
            elif kind == "RMC":
                lines.append(say.rmc(clock, f"{when:%d%m%y}", where, float(speed[i]), float(course[i]), fix))
            elif whole and kind == "VTG":
                lines.append(say.vtg(float(speed[i]), float(course[i]), fix))
            elif whole and kind == "GSA":
                lines.append(views.gsa(s, fix))
            elif whole and kind == "GSV" and s % r.gsv_every_s == 0:
                lines.append(views.gsv(s))
            elif whole and kind == "ZDA":
                lines.append(say.zda(when + dt.timedelta(seconds=r.zda_offset_s)))
        data = b"".join(lines)
        if spoiled[i]:
            data = _spoil(data, rng)
        out.append((t + float(lag[i]), data))
    return out


def second_log(world: World, t_s: NDArray[Any], state: State, sky: Tracked, at: Positions) -> list[tuple[float, bytes]]:
    """The second receiver's epochs, where the two antennas give two position streams: GGA and GST."""
    r = world.receiver
    second = np.minimum(t_s.astype(np.int64), world.seconds - 1)
    out = []
    for i, t in enumerate(t_s.tolist()):
        s = int(second[i])
        fix = int(state.fix[s]) if state.heading_ok[s] else NONE
        step_s = sum(v for at_s, v in r.clock_steps if t >= at_s)
        clock = say.clock(world.start + dt.timedelta(seconds=round(t, 3) + step_s))
        corrected = fix in (FIXED, FLOAT, DIFFERENTIAL)
        age = f"{state.age_s[s] + t - s:.1f}" if corrected and r.gives_age else ""
        station = f"{int(state.station[s]):04d}" if corrected and r.names_station else ""
        where = say.place(float(at.lat_deg[i]), float(at.lon_deg[i]), r.minute_decimals)
        h_geoid = f"{float(at.h_m[i]) - world.place.geoid_separation_m:.{r.height_decimals}f}"
        n, hdop = int(sky.used[s].sum()) if fix else 0, float(sky.dops[s, 1])
        data = say.gga(clock, where, h_geoid, world.place.geoid_separation_m, fix, n, hdop, age, station)
        if fix != NONE:
            data += say.gst(clock, r.candour * float(state.sigma_h_m[s]), r.candour * float(state.sigma_v_m[s]))
        out.append((t + r.lateness_s + 0.02, data))
    return out


def second_enu_m(world: World, t_s: NDArray[Any], motion: Motion) -> NDArray[Any]:
    """Where the second antenna is: the separation away, along the heading. [m]"""
    turn = np.radians(motion.heading_deg + world.receiver.heading_offset_deg)
    length = _separation(world, t_s)
    offset = np.stack((length * np.sin(turn), length * np.cos(turn), np.zeros(len(t_s))), axis=1)
    return np.asarray(motion.enu_m + offset)


def _separation(world: World, t_s: NDArray[Any]) -> NDArray[Any]:
    length = np.full(len(t_s), world.machine.separation_m)
    for at, changed in world.machine.separation_changes:
        length = np.where(t_s >= at, changed, length)
    return length


def _spoil(data: bytes, rng: np.random.Generator) -> bytes:
    """One character turned on the serial line."""
    broken = bytearray(data)
    at = int(rng.integers(8, max(9, len(broken) - 8)))
    broken[at] = broken[at] ^ 0x04 if broken[at] not in b"\r\n$*," else broken[at]
    return bytes(broken)


class _SkyLines:
    """GSA and GSV, made anew only where the sky has changed."""

    def __init__(self, world: World, sky: Tracked, wobble: NDArray[Any]) -> None:
        self._sky, self._wobble = sky, wobble
        self._strength = carrier_to_noise_dbhz(sky.elevation_deg) - sky.drop_db[:, None]
        self._systems = [s for s in dict.fromkeys(sky.index[:, 0].tolist()) if s in world.receiver.systems]
        self._columns = {s: np.flatnonzero(sky.index[:, 0] == s) for s in self._systems}
        self._used: dict[int, list[int]] = {}
        self._row: NDArray[np.bool_] | None = None

    def _update(self, s: int) -> dict[int, list[int]]:
        row = self._sky.used[s]
        if self._row is None or not np.array_equal(row, self._row):
            self._row = row
            self._used = {k: self._sky.index[c[row[c]], 1].tolist() for k, c in self._columns.items() if row[c].any()}
        return self._used

    def systems(self, s: int) -> list[int]:
        return list(self._update(s))

    def gsa(self, s: int, fix: int) -> bytes:
        used = self._update(s) if fix != NONE else {}
        if not used:
            return say.gsa({k: [] for k in self._systems[:1]}, (99.99, 99.99, 99.99))
        return say.gsa(used, self._sky.dops[s].tolist())

    def gsv(self, s: int) -> bytes:
        out = b""
        for system, columns in self._columns.items():
            el, az = self._sky.elevation_deg[s, columns], self._sky.azimuth_deg[s, columns]
            tracked = self._sky.tracked[s, columns]
            strength = self._strength[s, columns] + self._wobble[s, columns]
            rows = [
                (
                    int(self._sky.index[columns[k], 1]),
                    float(el[k]),
                    float(az[k]),
                    float(strength[k]) if tracked[k] else None,
                )
                for k in np.flatnonzero(el > 2.0)
            ]
            out += say.gsv(system, rows)
        return out
