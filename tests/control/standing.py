"""A receiver that stands on a mark, as sentences: correlated noise drawn from a seed, and the bias that a test asks for.

Places are in the frame of the base; marks are computed from them by pyproj alone, not by the package.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from pyproj import Transformer
from tests.rover_text import SEPARATION_M, gga, sentence

from hubtack.control.occupation import OccupationRows

CRS = "EPSG:32759"
LAT_DEG, LON_DEG, H_M = -45.0312, 170.0124, 15.2  # ellipsoidal height
START_MS = 7 * 3_600_000
_M_PER_DEG = 111_132.0
BASE = "base = { latitude_deg = -45.0400, longitude_deg = 170.0100, height_m = 15.7000, station_id = 412 }"


def grid(lat_deg: float = LAT_DEG, lon_deg: float = LON_DEG) -> tuple[float, float]:
    """Easting and northing of a place. [m]"""
    east, north = Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(lon_deg, lat_deg)
    return float(east), float(north)


def stand(
    seconds: int = 120,
    *,
    bias_m: tuple[float, float, float] = (0.0, 0.0, 0.0),
    start_ms: int = START_MS,
    quality: int = 4,
    sigma_m: tuple[float, float, float] = (0.004, 0.004, 0.008),
    seed: int = 1,
    day: str | None = "040326",
    place: tuple[float, float, float] = (LAT_DEG, LON_DEG, H_M),
    decimals_of_noise: bool = True,
) -> bytes:
    """``seconds`` at 1 Hz at ``place`` plus ``bias_m`` east, north, up, with first-order correlated noise (10 s)."""
    rng = np.random.default_rng(seed)
    noise = np.zeros(3)
    keep = float(np.exp(-0.1))
    parts = []
    for i in range(seconds):
        noise = keep * noise + np.sqrt(1 - keep**2) * rng.standard_normal(3) * sigma_m
        e, n, u = (noise if decimals_of_noise else 0.0) + np.array(bias_m)
        lat = place[0] + n / _M_PER_DEG
        lon = place[1] + e / (_M_PER_DEG * 1.00168 * np.cos(np.radians(place[0])))
        tod = start_ms + i * 1000
        parts.append(gga(tod, quality=quality, lat_deg=lat, lon_deg=lon, h_m=place[2] + u - SEPARATION_M))
        if day is not None and i % 10 == 0:
            parts.append(_rmc(tod, day))
    return b"".join(parts)


def rows_at(
    east_m: Sequence[float], *, step_s: float = 1.0, quality: float | Sequence[float] = 4.0, **columns: object
) -> OccupationRows:
    """Epochs that far east of 45 S 170 E, 14 m above the ellipsoid; other columns by name, NaN where not given."""
    n = len(east_m)
    all_of = {name: np.full(n, np.nan) for name in OccupationRows.__dataclass_fields__}
    all_of["time_ns"] = (np.arange(n) * step_s * 1e9).astype(np.int64)
    all_of["latitude_deg"] = np.full(n, -45.0)
    all_of["longitude_deg"] = 170.0 + np.array(east_m) / 78_847.0  # metres a degree of longitude at 45 S
    all_of["h_geoid_m"], all_of["geoid_separation_m"] = np.full(n, 10.0), np.full(n, 4.0)
    all_of["quality"] = np.broadcast_to(quality, n).astype(np.float64)
    for name, values in columns.items():
        all_of[name] = np.broadcast_to(values, n).astype(all_of[name].dtype)
    return OccupationRows(**all_of)


def _rmc(tod_ms: int, day: str) -> bytes:
    s = tod_ms // 1000 % 86_400
    clock = f"{s // 3600:02d}{s % 3600 // 60:02d}{s % 60:02d}.00"
    return sentence(f"GNRMC,{clock},A,4501.872,S,17000.744,E,0.0,0.0,{day},,,R")


def site(
    folder: Path,
    *,
    bias_m: tuple[float, float, float] = (0.0, 0.0, 0.0),
    job: str = "trench",
    extra: str = "",
    marks: str = "",
) -> Path:
    """A site file whose mark CP3 lies under the antenna of ``stand``, less ``bias_m``."""  # fmt: skip
    east, north = grid()
    path = folder / "site.toml"
    path.write_text(
        f'[machine]\nname = "Digger 7"\n[job]\nclass = "{job}"\n[site]\nname = "Aldermere Bank"\ncrs = "{CRS}"\n{BASE}\n'
        f'{extra}\n[[site.control]]\nname = "CP3"\neasting_m = {east - bias_m[0]:.4f}\n'
        f"northing_m = {north - bias_m[1]:.4f}\nheight_m = {H_M - bias_m[2]:.4f}\n{marks}"
    )
    return path
