"""The folder of a session: logs, site file, truth and a line that says what it is."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hubtack.geo import ecef_to_geodetic
from hubtack.simulate.channel import Heard
from hubtack.simulate.world import MACHINE_NAME, RIVER_REACH, SITE_NAME, World

README = "A made-up session of a flood-bank rebuild, written by `hubtack simulate`; the truth is in truth.json.\n"


@dataclass(slots=True)
class Simulated:
    """Bytes of a session by the time they were sent: the rover's sentences, and what the machine heard."""

    world: World
    rover: list[tuple[float, bytes]]
    heard: list[Heard]
    second: list[tuple[float, bytes]] = field(default_factory=list)


def session_files(
    result: Simulated, *, mixed: bool, command: str, description: str, arrivals: bool = False
) -> dict[str, bytes]:
    """Name and content of every file of the folder.

    ``mixed`` puts sentences and frames into one log, ``arrivals`` writes a capture (docs/capture.md) with the time at
    which every chunk came; otherwise each source has its log.
    """
    world = result.world
    files: dict[str, bytes] = {}
    if arrivals:
        files |= _capture(result)
    elif mixed:
        chunks = [(t, 1, data) for t, data in result.rover] + [(h.t_s, 0, h.data) for h in result.heard]
        files["session.log"] = b"".join(data for _, _, data in sorted(chunks, key=lambda c: (c[0], c[1])))
    else:
        files["rover.nmea"] = b"".join(data for _, data in result.rover)
        files["corrections.rtcm3"] = b"".join(h.data for h in result.heard)
    if result.second and not arrivals:
        files["second_antenna.nmea"] = b"".join(data for _, data in result.second)
    files["site.toml"] = site_text(world).encode()
    files["truth.json"] = (json.dumps(truth(world, command, description), indent=1) + "\n").encode()
    files["README.md"] = (README if not description else f"{description}\n\nMade by: `{command}`\n").encode()
    return files


def write_folder(
    result: Simulated, folder: Path, *, mixed: bool, command: str, description: str, arrivals: bool = False
) -> list[Path]:
    """Write the session's files; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, data in session_files(
        result, mixed=mixed, command=command, description=description, arrivals=arrivals
    ).items():
        path, part = folder / name, folder / f"{name}.part"
        try:
            part.write_bytes(data)
            part.replace(path)  # whole files or none, whenever the run is interrupted
        except OSError:
            part.unlink(missing_ok=True)
            raise
        paths.append(path)
    return paths


def _capture(result: Simulated) -> dict[str, bytes]:
    """The files of a capture, written by the page that describes them and not by the recorder's code."""
    world = result.world
    chunks = [(t, "rover", data) for t, data in result.rover]
    chunks += [(h.t_s, "corrections", h.data) for h in result.heard]
    chunks += [(t, "second_antenna", data) for t, data in result.second]
    chunks.sort(key=lambda chunk: chunk[0])
    names = ["rover", "corrections"] + (["second_antenna"] if result.second else [])
    zero_ns = round((world.start - dt.datetime(1970, 1, 1)).total_seconds() * 1e9)
    clock_ns = zero_ns + round(world.computer_clock_off_s * 1e9)
    raw: dict[str, bytearray] = {name: bytearray() for name in names}
    rows = ["sequence,source,t_utc_ns,t_mono_ns,what,offset,length,code,message\n"]
    for name in names:
        rows.append(f"{len(rows)},{name},{clock_ns},{10**9},opened,0,0,,\n")
    for t_s, name, data in chunks:
        t_ns = round(t_s * 1e9)
        rows.append(f"{len(rows)},{name},{clock_ns + t_ns},{10**9 + t_ns},bytes,{len(raw[name])},{len(data)},,\n")
        raw[name] += data
    about = {
        "format": "hubtack-capture/1",
        "program": "hubtack simulate",
        "start_utc": _iso(world, world.computer_clock_off_s),
        "sources": {name: {"label": f"simulated {name}"} for name in names},
    }
    files = {f"{name}-0001.log": bytes(data) for name, data in raw.items()}
    return {"capture.json": (json.dumps(about, indent=2) + "\n").encode(), **files,
            "index-0001.csv": "".join(rows).encode()}  # fmt: skip


def _iso(world: World, t_s: float | None) -> str | None:
    if t_s is None:
        return None
    return (world.start + dt.timedelta(seconds=round(t_s, 3))).isoformat(timespec="milliseconds") + "Z"


def truth(world: World, command: str, description: str) -> dict[str, Any]:
    """What was done to the session, and whether it mattered."""
    faults = []
    for cause in world.truth:
        row = {k: v for k, v in cause.items() if k not in ("start_s", "end_s")}
        row["start_utc"], row["end_utc"] = _iso(world, cause["start_s"]), _iso(world, cause["end_s"])
        faults.append(row)
    return {
        "seed": world.seed, "start_utc": _iso(world, 0.0), "end_utc": _iso(world, float(world.seconds)),
        "command": command, "description": description, "faults": faults,
    }  # fmt: skip


def site_text(world: World) -> str:
    """A site file that fits the session (contract: site file)."""
    lat, lon, height = (float(v[0]) for v in ecef_to_geodetic((world.base_m + world.site_base_offset_m)[None, :]))
    place = f"latitude_deg = {lat:.10f}, longitude_deg = {lon:.10f}, height_m = {height:.4f}"
    machine = world.machine
    return f'''# An invented site: every name and number is made up.
units = "m"
time_zone = "UTC"

[machine]
name = "{MACHINE_NAME}"
kind = "excavator"
antenna_separation_m = {machine.separation_m:.2f}
antenna = {{ right_m = {-machine.swing_radius_m:.2f}, forward_m = 0.0 }}
reach_m = 9.0

[job]
class = "trench"

[site]
name = "{SITE_NAME}, {RIVER_REACH}"
crs = "{world.place.crs}"
base = {{ {place}, station_id = {world.site_station} }}
'''
