"""The likely mix-up where a mark is tens of metres or kilometres from where the rover stands.

Each hypothesis changes the mark's numbers as a person would get them wrong; the one that lands beside the rover is
named.
A mix-up of kilometres hits a place within metres of the rover by chance about once in a million.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from hubtack.control.frame import Frame, Mark
from hubtack.control.judge import Limits
from hubtack.geo.local_grid import plane_xy_m
from hubtack.knowledge.control_limits import CONTROL_BY_KEY
from hubtack.units import FOOT_M, US_SURVEY_FOOT_M

_UTM_FALSE_NORTHING_M = 10_000_000.0
_CLEARLY = 3.0  # times the limit: marks closer together than that cannot be told apart by standing on one


def likely_mistake(frame: Frame, mark: Mark, lat_deg: float, lon_deg: float) -> str | None:
    """One sentence that names the mix-up, or None where no hypothesis lands beside the rover.

    ``lat_deg``, ``lon_deg``: where the rover stands.
    """
    hypotheses = _geographic(mark) if frame.is_geographic else _grid(frame, mark, lat_deg, lon_deg)
    found = []
    for easting, northing, sentence in hypotheses:
        distance = _distance_m(frame, easting, northing, lat_deg, lon_deg)
        if distance < CONTROL_BY_KEY["mix_up_near_m"]:
            found.append((distance, sentence))
    return min(found)[1] if found else None


def other_mark(
    frame: Frame, mark: Mark, others: Sequence[Mark], lat_deg: float, lon_deg: float, limits: Limits
) -> str | None:
    """That the rover stands on another of the site's marks, in plan, and clearly not on the one asked for; else None.

    A residual of another cause hits a mark within 30 mm by chance about once in a thousand where the marks are a metre
    apart, and far more seldom where they are farther.
    """
    own_m = _distance_m(frame, mark.easting, mark.northing, lat_deg, lon_deg)
    near = [(_distance_m(frame, m.easting, m.northing, lat_deg, lon_deg), m.name) for m in others if m.name != mark.name]
    if not near:
        return None
    distance_m, name = min(near)
    if distance_m > limits.horizontal_m or own_m < _CLEARLY * limits.horizontal_m:
        return None
    return f"the rover stands on {name}, and {mark.name} was asked for: give --point {name}, or go to {mark.name}"


def height_mistake(known_m: float, measured_m: float) -> str | None:
    """The likely mix-up of a height that is metres off: feet for metres, or the sign; None where neither fits."""
    for factor, sentence in (
        (FOOT_M, "the known height looks like feet, and was taken as metres"),
        (1.0 / FOOT_M, "the known height looks like metres, and was taken as feet"),
        (-1.0, "the known height has the wrong sign"),
    ):
        if abs(known_m - measured_m) > CONTROL_BY_KEY["height_mistake_m"] and abs(known_m * factor - measured_m) < 0.5:
            return sentence
    return None


def _grid(frame: Frame, mark: Mark, lat_deg: float, lon_deg: float) -> Iterator[tuple[float, float, str]]:
    e, n = mark.easting, mark.northing
    yield n, e, "easting and northing look swapped: east comes first"
    yield (
        e * FOOT_M,
        n * FOOT_M,
        "the coordinates look like feet, and were taken as metres: write ft or ftUS behind each (in a site file: metres)",
    )
    yield e / FOOT_M, n / FOOT_M, "the coordinates look like metres, and were taken as international feet"
    yield (
        e / US_SURVEY_FOOT_M,
        n / US_SURVEY_FOOT_M,
        "the coordinates look like metres, and were taken as US survey feet",
    )
    yield n * FOOT_M, e * FOOT_M, "the coordinates look like feet, with easting and northing swapped"
    if frame.local is not None or frame.crs is None:
        return
    for step, word in ((_UTM_FALSE_NORTHING_M, "southern"), (-_UTM_FALSE_NORTHING_M, "northern")):
        yield e, n + step, f"the northing looks like that of the {word} hemisphere"
    yield from _zones(frame, mark, lat_deg, lon_deg)


def _zones(frame: Frame, mark: Mark, lat_deg: float, lon_deg: float) -> Iterator[tuple[float, float, str]]:
    """The mark read in other zones of 6 degrees, as a shift that brings it back into the frame's own."""
    from pyproj import Proj

    from hubtack.geo.crs import utm_zone

    south = " +south" if mark.northing > 0 and lat_deg < 0 else ""
    here = utm_zone(lon_deg)
    for zone in (here, here - 1, here + 1):
        zone = (zone - 1) % 60 + 1
        there = Proj(f"+proj=utm +zone={zone}{south} +ellps=WGS84")
        lon, lat = there(mark.easting, mark.northing, inverse=True)
        if not (np.isfinite(lon) and np.isfinite(lat)):
            continue
        try:
            east, north = frame.grid(lat, lon)
        except AssertionError:
            continue
        assert frame.crs is not None
        yield east, north, f"the coordinates look like UTM zone {zone}{'S' if south else 'N'}, not {frame.crs.name}"


def _geographic(mark: Mark) -> Iterator[tuple[float, float, str]]:
    lon, lat = mark.easting, mark.northing
    yield lat, lon, "latitude and longitude look swapped: latitude comes first"
    yield -lon, lat, "the longitude has the wrong sign: east is positive, west negative"
    yield lon, -lat, "the latitude has the wrong sign: north is positive, south negative"
    yield -lon, -lat, "latitude and longitude both have the wrong sign: north and east are positive"
    yield -lat, -lon, "latitude and longitude look swapped, with the wrong signs"


def _distance_m(frame: Frame, easting: float, northing: float, lat_deg: float, lon_deg: float) -> float:
    if frame.is_geographic:
        if abs(northing) > 90:
            return float("inf")
        x, y = plane_xy_m(northing, easting, lat_deg, lon_deg)
        distance = float(np.hypot(x, y))
    else:
        east, north = frame.grid(lat_deg, lon_deg)
        distance = float(np.hypot(east - easting, north - northing))
    return distance if np.isfinite(distance) else float("inf")
