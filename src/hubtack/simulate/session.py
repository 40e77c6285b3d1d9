"""One simulated session: world, base, channel, rover, and the files that a folder of logs would hold."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_to_geodetic, enu_to_ecef_offset, geodetic_to_ecef
from hubtack.simulate import sentences as say
from hubtack.simulate.base_stream import base_frames, views
from hubtack.simulate.channel import Heard, transmit
from hubtack.simulate.faults import CLEAN, FAULTS
from hubtack.simulate.rover import FIXED, NONE, Motion, State, move, position_errors, run_receiver
from hubtack.simulate.sky import carrier_to_noise_dbhz
from hubtack.simulate.world import (
    CRS,
    GEOID_SEPARATION_M,
    MACHINE_NAME,
    RIVER_REACH,
    SITE_LAT_DEG,
    SITE_LON_DEG,
    SITE_NAME,
    World,
    draw_world,
)

README = "A made-up session of a flood-bank rebuild, written by `hubtack simulate`; the truth is in truth.json.\n"


@dataclass(slots=True)
class Simulated:
    """Bytes of a session: the rover's sentences by the time they were sent, and what the machine heard."""

    world: World
    rover: list[tuple[float, bytes]]
    heard: list[Heard]


def simulate(codes: Sequence[str], clean: str, seed: int, seconds: int, rate_hz: float) -> Simulated:
    """A session with the named faults; the same arguments give the same bytes."""
    rng = np.random.Generator(np.random.PCG64(seed))
    world = draw_world(seed, seconds, rate_hz, rng)
    CLEAN[clean](world, rng)
    for code in codes:
        FAULTS[code](world, rng)
    frames = base_frames(world, world.base, rng)
    for other in world.others:
        frames.extend(base_frames(world, other, rng))
    heard = transmit(frames, world.channel, rng, seconds)
    # A receiver that understands the stream hears what Hubtack cannot decode.
    understood = heard
    if clean == "undecoded":
        plain = world.channel.replaced_by
        world.channel.replaced_by = None
        understood = transmit(frames, world.channel, np.random.Generator(np.random.PCG64(seed)), seconds)
        world.channel.replaced_by = plain
    if "station_mismatch" in codes or "wrong_base" in codes or not codes:
        understood = understood if understood else heard
    return Simulated(world, _rover(world, understood, rng), heard)


def _rover(world: World, heard: list[Heard], rng: np.random.Generator) -> list[tuple[float, bytes]]:
    step = 1.0 / world.rate_hz
    t_s = np.arange(0.0, world.seconds, step)
    motion = move(world.machine, t_s, rng)
    base_m = world.base_m
    seen = views(world, _rover_m(world, np.zeros(3) + world.machine.offset_enu_m))
    state = run_receiver(world, seen, heard, rng)
    error = position_errors(state, t_s, rng)
    second = np.minimum(t_s.astype(np.int64), world.seconds - 1)
    # A position is the base's broadcast position plus the vector measured from it: an error there goes straight in.
    shift = np.zeros((len(t_s), 3))
    for i, arp in enumerate(state.arp_m):
        # A computed base is where its observations say it is: moving it moves no rover.
        if arp is not None and not world.base.computed:
            shift[second == i] = arp - base_m
    fixed = (state.fix[second] == FIXED)[:, None]
    for start, end, offset in world.receiver.wrong_fix:
        inside = ((t_s >= start) & (t_s < end))[:, None] & fixed
        error = error + np.where(inside, offset, 0.0)
    n = len(t_s)
    lat, lon = np.full(n, SITE_LAT_DEG), np.full(n, SITE_LON_DEG)
    origin = _rover_m(world, np.zeros(3))
    pos = origin + enu_to_ecef_offset(motion.enu_m + error, lat, lon)
    uses = np.isin(state.fix[second], (4, 5))[:, None]
    pos = pos + np.where(uses, shift, 0.0)
    latitude, longitude, height = ecef_to_geodetic(pos)
    _freeze(world, t_s, latitude, longitude, height)
    return _speak(world, t_s, second, motion, state, seen, latitude, longitude, height, rng)


def _rover_m(world: World, offset_enu_m: NDArray[Any]) -> NDArray[Any]:
    """A point given from the site's origin (not from the base, which may stand far away)."""
    lat, lon = np.array([SITE_LAT_DEG]), np.array([SITE_LON_DEG])
    origin = geodetic_to_ecef(lat, lon, np.array([15.7]))
    return np.asarray((origin + enu_to_ecef_offset(offset_enu_m[None, :], lat, lon))[0])


def _freeze(world: World, t_s: NDArray[Any], *columns: NDArray[Any]) -> None:
    for start, end in world.receiver.frozen:
        inside = np.flatnonzero((t_s >= start) & (t_s < end))
        if len(inside):
            for column in columns:
                column[inside] = column[inside[0]]


def _speak(
    world: World,
    t_s: NDArray[Any],
    second: NDArray[Any],
    motion: Motion,
    state: State,
    seen: Any,
    latitude: NDArray[Any],
    longitude: NDArray[Any],
    height: NDArray[Any],
    rng: np.random.Generator,
) -> list[tuple[float, bytes]]:
    r = world.receiver
    out: list[tuple[float, bytes]] = []
    late_gst = b""
    sigma_heading = np.degrees(0.0035 / world.machine.separation_m)
    heading_noise = rng.normal(0, sigma_heading, len(t_s))
    velocity = np.abs(rng.normal(0, 0.008, len(t_s)))
    spoiled = rng.random(len(t_s)) < 1.0 / 7200
    for i, t in enumerate(t_s):
        if any(a <= t < b for a, b in r.silent):
            continue
        s = int(second[i])
        fix = int(state.fix[s])
        step = sum(v for at, v in r.clock_steps if t >= at)
        when = world.start + dt.timedelta(seconds=round(float(t), 3) + step)
        age = ""
        if fix in (4, 5) and r.gives_age and np.isfinite(state.age_s[s]):
            age = f"{state.age_s[s] + float(t) - s:.1f}"
        station = f"{int(state.station[s]):04d}" if fix in (4, 5) and r.names_station else ""
        satellites = sum(len(v) for v in state.satellites[s].values())
        pdop, hdop, vdop = (float(v) for v in state.dops[s])
        lines = [say.gga(
            when, float(latitude[i]), float(longitude[i]), float(height[i]) - GEOID_SEPARATION_M, GEOID_SEPARATION_M,
            fix, min(satellites, 40), hdop, age, station, minute_decimals=r.minute_decimals,
            height_decimals=r.height_decimals,
        )]  # fmt: skip
        if r.sends_gst and fix != NONE:
            text = say.gst(when, float(state.sigma_h_m[s]), float(state.sigma_v_m[s]))
            lines.append(late_gst if r.gst_late else text)
            late_gst = text
        if r.sends_heading:
            good = bool(state.heading_ok[s])
            value = float(motion.heading_deg[i] + heading_noise[i] + r.heading_offset_deg) if good else None
            lines.append(say.heading(r.heading_kind, value))
        speed = float(motion.speed_m_s[i] if motion.speed_m_s[i] > 0.02 else velocity[i])
        lines.append(
            say.rmc(
                when,
                float(latitude[i]),
                float(longitude[i]),
                speed,
                float(motion.course_deg[i]),
                fix,
                r.minute_decimals,
            )
        )
        if abs(t - round(float(t))) < 1e-6:
            lines.append(say.gsa(state.satellites[s], (pdop, hdop, vdop)))
            if s % 5 == 0:
                lines.extend(_gsv(world, state, seen, s))
            lines.append(say.zda(when + dt.timedelta(seconds=r.zda_offset_s)))
        data = b"".join(lines)
        if spoiled[i]:
            data = data.replace(b"*", b"#", 1)
        out.append((float(t) + 0.05, data))
    return out


def _gsv(world: World, state: State, seen: Any, s: int) -> list[bytes]:
    out = []
    for system in world.receiver.systems:
        el, az = seen[system].elevation_deg[s], seen[system].azimuth_deg[s]
        tracked = set(state.satellites[s].get(system, ()))
        rows = []
        for k in np.flatnonzero(el > 5.0):
            strength = float(carrier_to_noise_dbhz(el[k : k + 1])[0]) - float(state.cn0_drop_db[s])
            rows.append((int(k), float(el[k]), float(az[k]), strength if int(k) in tracked else None))
        out.append(say.gsv(system, rows))
    return out


def write_folder(result: Simulated, folder: Path, *, mixed: bool, command: str, description: str) -> list[Path]:
    """Write the session's files; returns their paths."""
    world = result.world
    folder.mkdir(parents=True, exist_ok=True)
    files: dict[str, bytes] = {}
    if mixed:
        merged = sorted(
            [(t, 1, data) for t, data in result.rover] + [(h.t_s, 0, h.data) for h in result.heard],
            key=lambda p: (p[0], p[1]),
        )
        files["session.log"] = b"".join(data for _, _, data in merged)
    else:
        files["rover.nmea"] = b"".join(data for _, data in result.rover)
        stream = b"".join(h.data for h in result.heard)
        files["corrections.rtcm3"] = stream
    files["site.toml"] = _site(world).encode()
    files["truth.json"] = (json.dumps(_truth(world, command, description), indent=1) + "\n").encode()
    files["README.md"] = (README if not description else f"{description}\n\nMade by: `{command}`\n").encode()
    paths = []
    for name, data in files.items():
        path = folder / name
        path.write_bytes(data)
        paths.append(path)
    return paths


def _iso(world: World, t_s: float | None) -> str | None:
    return (
        None
        if t_s is None
        else (world.start + dt.timedelta(seconds=round(t_s, 3))).isoformat(timespec="milliseconds") + "Z"
    )


def _truth(world: World, command: str, description: str) -> dict[str, Any]:
    faults = []
    for cause in world.truth:
        row = {k: v for k, v in cause.items() if k not in ("start_s", "end_s")}
        row["start_utc"], row["end_utc"] = _iso(world, cause["start_s"]), _iso(world, cause["end_s"])
        faults.append(row)
    return {
        "seed": world.seed, "start_utc": _iso(world, 0.0), "end_utc": _iso(world, float(world.seconds)),
        "command": command, "description": description, "faults": faults,
    }  # fmt: skip


def _site(world: World) -> str:
    lat, lon, height = (float(v[0]) for v in ecef_to_geodetic((world.base_m + world.site_base_offset_m)[None, :]))
    place = f"latitude_deg = {lat:.10f}, longitude_deg = {lon:.10f}, height_m = {height:.4f}"
    return f'''# An invented site: every name and number is made up.
units = "m"
time_zone = "UTC"

[machine]
name = "{MACHINE_NAME}"
kind = "excavator"
antenna_separation_m = {world.machine.separation_m:.2f}
antenna = {{ right_m = {-world.machine.swing_radius_m:.2f}, forward_m = 0.0 }}
reach_m = 9.0

[job]
class = "trench"

[site]
name = "{SITE_NAME}, {RIVER_REACH}"
crs = "{CRS}"
base = {{ {place}, station_id = {world.site_station} }}
'''
