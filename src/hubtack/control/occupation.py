"""Rover epochs as an occupation of a mark: which rows count, and the stretch in which the antenna stood.

The one place where the session's rows meet the control check. No I/O.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.rover import JudgedRows
from hubtack.epochs.columns import QUALITY_FIXED
from hubtack.geo import ecef_offset_to_enu, geodetic_to_ecef
from hubtack.knowledge.control_limits import CONTROL_BY_KEY

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_COLUMNS = (
    "latitude_deg", "longitude_deg", "h_geoid_m", "geoid_separation_m", "quality", "age_s", "satellites", "pdop",
    "hdop", "sigma_north_m", "sigma_east_m", "sigma_up_m", "minute_decimals", "height_decimals", "station_id",
)  # fmt: skip
_JUDGED = ("baseline_used_m", "edge_vertical_95_m", "edge_horizontal_95_m")


@dataclass(slots=True)
class OccupationRows:
    """Rover epochs in order of time; every column is (N,), NaN where the receiver did not say.

    ``time_ns`` is on the session's axis. ``h_ellipsoid_m`` is the height above the receiver's geoid plus the separation
    it states, and NaN where it states none. The last three columns are the engine's: distance to the base, and the error
    at the cutting edge at 95 %.
    """

    time_ns: Ints
    latitude_deg: Floats
    longitude_deg: Floats
    h_geoid_m: Floats
    geoid_separation_m: Floats
    quality: Floats
    age_s: Floats
    satellites: Floats
    pdop: Floats
    hdop: Floats
    sigma_north_m: Floats
    sigma_east_m: Floats
    sigma_up_m: Floats
    minute_decimals: Floats
    height_decimals: Floats
    station_id: Floats
    baseline_used_m: Floats
    edge_vertical_95_m: Floats
    edge_horizontal_95_m: Floats

    def __len__(self) -> int:
        return len(self.time_ns)

    @property
    def h_ellipsoid_m(self) -> Floats:
        """Height above the ellipsoid. [m]"""
        return self.h_geoid_m + self.geoid_separation_m

    @classmethod
    def of(cls, rows: JudgedRows) -> OccupationRows:
        """One block of the session's rows, without the columns that a check has no use for."""
        columns = {name: getattr(rows.epochs, name) for name in _COLUMNS}
        judged = {name: getattr(rows.q, name) for name in _JUDGED}
        return cls(time_ns=rows.epochs.time_ns, **columns, **judged)

    @classmethod
    def concat(cls, parts: Sequence[OccupationRows]) -> OccupationRows:
        """All rows of ``parts`` in order."""
        if len(parts) == 1:
            return parts[0]
        if not parts:
            return cls(np.zeros(0, dtype=np.int64), *(np.zeros(0) for _ in _NAMES[1:]))
        return cls(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in _NAMES})

    def take(self, index: NDArray[np.bool_] | Ints | slice) -> OccupationRows:
        """The rows that ``index`` picks."""
        return OccupationRows(**{name: getattr(self, name)[index] for name in _NAMES})

    def fixed(self) -> OccupationRows:
        """The rows with an RTK fixed position: GGA quality 4 (or mode R), and nothing else."""
        known = np.isfinite(self.latitude_deg) & np.isfinite(self.longitude_deg)
        return self.take(known & (self.quality == QUALITY_FIXED))

    def between(self, start_tod_s: float | None, end_tod_s: float | None) -> OccupationRows:
        """The rows from one UTC time of day to another; over midnight where the end is before the start."""
        if start_tod_s is None and end_tod_s is None:
            return self
        tod = (self.time_ns / 1e9) % 86_400.0
        start, end = start_tod_s or 0.0, 86_400.0 if end_tod_s is None else end_tod_s
        inside = (tod >= start) & (tod <= end) if start <= end else (tod >= start) | (tod <= end)
        return self.take(inside)

    def enu_m(self, lat_deg: float, lon_deg: float) -> Floats:
        """East, north, up (N, 3) from a point on the ellipsoid; up is height, not the tangent plane's. [m]

        Without an ellipsoidal height the plan still counts, and up is NaN.
        """
        h = self.h_ellipsoid_m
        flat = np.zeros(len(self))
        origin = geodetic_to_ecef(np.array([lat_deg]), np.array([lon_deg]), np.array([0.0]))
        offset = geodetic_to_ecef(self.latitude_deg, self.longitude_deg, flat) - origin
        n = len(self)
        enu = ecef_offset_to_enu(offset, np.full(n, lat_deg), np.full(n, lon_deg))
        enu[:, 2] = h
        return enu


_NAMES = ("time_ns", *_COLUMNS, *_JUDGED)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Fixed rows in which the antenna stood: first and one past the last index, and where that was. [m, deg]"""

    start: int
    end: int
    latitude_deg: float
    longitude_deg: float
    distance_m: float  # from the point asked for; NaN where there is none

    @property
    def epochs(self) -> int:
        """Number of rows."""
        return self.end - self.start


def standing_stretches(
    rows: OccupationRows, near: tuple[float, float] | None = None, *, least: int = 1
) -> list[Stretch]:
    """Stretches in which a fixed antenna stood still, in order of time.

    Parameters
    ----------
    rows : OccupationRows
        Fixed rows.
    near : (float, float) or None
        Latitude and longitude of the mark, for the distances. [deg]
    least : int
        Shorter stretches are left out.
    """
    if not len(rows):
        return []
    radius, gap_ns = CONTROL_BY_KEY["standing_radius_m"], CONTROL_BY_KEY["standing_gap_s"] * 1e9
    lat0, lon0 = float(rows.latitude_deg[0]), float(rows.longitude_deg[0])
    enu = rows.enu_m(lat0, lon0)
    east, north, time_ns = enu[:, 0].tolist(), enu[:, 1].tolist(), rows.time_ns.tolist()
    cuts = [0]
    mean_e, mean_n, count = east[0], north[0], 1
    for i in range(1, len(rows)):
        # The first rows of a stretch settle where it is; after that a slow creep must not carry the mean along.
        moved = (east[i] - mean_e) ** 2 + (north[i] - mean_n) ** 2 > radius * radius
        if moved or time_ns[i] - time_ns[i - 1] > gap_ns:
            cuts.append(i)
            mean_e, mean_n, count = east[i], north[i], 1
        elif count < 30:
            count += 1
            mean_e += (east[i] - mean_e) / count
            mean_n += (north[i] - mean_n) / count
    cuts.append(len(rows))
    out = []
    for a, b in pairwise(cuts):
        if b - a < max(1, least):
            continue
        lat, lon = float(np.median(rows.latitude_deg[a:b])), float(np.median(rows.longitude_deg[a:b]))
        out.append(Stretch(a, b, lat, lon, _distance_m(lat, lon, near)))
    return out


def choose_stretch(stretches: Sequence[Stretch]) -> Stretch | None:
    """The stretch on the mark: of those within a metre of the nearest, the longest; far from any mark, the longest.

    A parked day has many stretches within a decimetre of each other; the nearest by a millimetre may be a short one.
    """
    if not stretches:
        return None
    nearest = min((s.distance_m for s in stretches if not np.isnan(s.distance_m)), default=float("nan"))
    close = [s for s in stretches if s.distance_m <= nearest + 1.0] if nearest < 100.0 else list(stretches)
    return max(close, key=lambda s: s.epochs)


def _distance_m(lat_deg: float, lon_deg: float, near: tuple[float, float] | None) -> float:
    if near is None:
        return float("nan")
    a = geodetic_to_ecef(np.array([lat_deg, near[0]]), np.array([lon_deg, near[1]]), np.zeros(2))
    return float(np.sqrt(((a[0] - a[1]) ** 2).sum()))
