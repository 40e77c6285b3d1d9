"""A machine that drives about a base on an invented flood bank, and a channel that loses epochs for a stated cause."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import numpy as np
from tests.link_stream import ARP_M, GPS, Base, sent, stream, without_epochs
from tests.rover_text import SEPARATION_M, gga

from hubtack.geo import ecef_to_geodetic, enu_to_ecef_offset

START_MS = 36_000_000  # link_stream's streams begin at ten o'clock UTC
PATH = [
    "radio",
    "path",
    "--frequency-mhz",
    "450",
    "--distance-m",
    "2000",
    "--base-height-m",
    "5",
    "--rover-height-m",
    "3",
]


def drive(seconds: int, seed: int, reach_m: float = 900.0) -> tuple[np.ndarray, np.ndarray]:
    """East and north of the base, once a second: to a place, work there for a while, to the next. (T,) [m]"""
    rng = random.Random(seed)
    east, north, x, y = [], [], 300.0, 100.0
    while len(east) < seconds:
        to_x, to_y = rng.uniform(-reach_m, reach_m), rng.uniform(-reach_m, reach_m)
        way = max(1, int(np.hypot(to_x - x, to_y - y) / 4.0))  # 4 m/s
        east += list(np.linspace(x, to_x, way))
        north += list(np.linspace(y, to_y, way))
        stay = rng.randrange(30, 150)
        east += [to_x] * stay
        north += [to_y] * stay
        x, y = to_x, to_y
    return np.array(east[:seconds]), np.array(north[:seconds])


def rover_log(east: np.ndarray, north: np.ndarray, age_s: Callable[[int], float] | None = None) -> bytes:
    """GGA once a second along the way."""
    arp = np.array([ARP_M])
    lat, lon, _ = ecef_to_geodetic(arp)
    n = len(east)
    enu = np.stack((east, north, np.full(n, 2.0)), axis=1)
    place = arp + enu_to_ecef_offset(enu, np.full(n, lat[0]), np.full(n, lon[0]))
    lat, lon, height = ecef_to_geodetic(place)
    parts = [
        gga(START_MS + 1000 * i, lat_deg=float(lat[i]), lon_deg=float(lon[i]), h_m=float(height[i]) - SEPARATION_M,
            age_s=1.0 if age_s is None else age_s(i))
        for i in range(n)
    ]  # fmt: skip
    return b"".join(parts)


def write_session(
    folder: Path, east: np.ndarray, north: np.ndarray, lost: Callable[[int], bool], base: Base | None = None
) -> Path:
    """A rover log and the correction stream with the epochs gone for which ``lost`` says so."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "rover.nmea").write_bytes(rover_log(east, north))
    base = base or Base(systems=(GPS,), satellites=4)
    frames = without_epochs(sent(base, len(east)), lambda i, _: lost(i))
    (folder / "corrections.rtcm3").write_bytes(stream(frames))
    return folder


__all__ = ["START_MS", "drive", "rover_log", "write_session"]
