"""A site's own grid: the plane that touches the ellipsoid at its origin, turned, scaled, shifted; a plane for heights.

                N (grid)                 x east, y north: transverse Mercator on the origin's meridian, scale 1 there
         y       /                       E = E0 + s (x cos r - y sin r)
         |  r   /                        N = N0 + s (x sin r + y cos r)
         |-----/                         H = h + offset + north (N - N0) + east (E - E0)
         |    /                          r: azimuth of the grid's north axis, clockwise from true north
         |   /
         o------- x

Over a site of 10 km the plane itself is true to 4 mm; the fitted scale takes up the height above the ellipsoid.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hubtack.geo.crs import offline

if TYPE_CHECKING:
    from pyproj import Transformer

Floats = NDArray[np.float64]


class Origin(Protocol):
    """The point of the grid that is known in both systems."""

    @property
    def easting_m(self) -> float: ...
    @property
    def northing_m(self) -> float: ...
    @property
    def latitude_deg(self) -> float: ...
    @property
    def longitude_deg(self) -> float: ...


class Plane(Protocol):
    """What to add to an ellipsoidal height."""

    @property
    def offset_m(self) -> float: ...
    @property
    def north_m_per_m(self) -> float: ...
    @property
    def east_m_per_m(self) -> float: ...


class LocalGrid(Protocol):
    """``[site.local]`` of the site file."""

    @property
    def origin(self) -> Origin: ...
    @property
    def rotation_deg(self) -> float: ...
    @property
    def scale(self) -> float: ...
    @property
    def height_plane(self) -> Plane: ...


def plane_xy_m(
    origin_lat_deg: float, origin_lon_deg: float, lat_deg: ArrayLike, lon_deg: ArrayLike
) -> tuple[Floats, Floats]:
    """East and north of (N,) positions on the plane through an origin. [m]"""
    x, y = _plane(origin_lat_deg, origin_lon_deg).transform(np.asarray(lon_deg), np.asarray(lat_deg))
    return np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)


def plane_lat_lon_deg(
    origin_lat_deg: float, origin_lon_deg: float, x_m: ArrayLike, y_m: ArrayLike
) -> tuple[Floats, Floats]:
    """Latitude and longitude of (N,) points of that plane. [deg]"""
    from pyproj.enums import TransformDirection

    lon, lat = _plane(origin_lat_deg, origin_lon_deg).transform(
        np.asarray(x_m), np.asarray(y_m), direction=TransformDirection.INVERSE
    )
    return np.asarray(lat, dtype=np.float64), np.asarray(lon, dtype=np.float64)


def to_local(
    grid: LocalGrid, lat_deg: ArrayLike, lon_deg: ArrayLike, h_ellipsoid_m: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Easting, northing and height in the site's own grid of (N,) positions; NaN where an input is NaN. [m]"""
    x, y = plane_xy_m(grid.origin.latitude_deg, grid.origin.longitude_deg, lat_deg, lon_deg)
    turn = np.radians(grid.rotation_deg)
    d_east = grid.scale * (x * np.cos(turn) - y * np.sin(turn))
    d_north = grid.scale * (x * np.sin(turn) + y * np.cos(turn))
    plane = grid.height_plane
    height = np.asarray(h_ellipsoid_m) + plane.offset_m + plane.north_m_per_m * d_north + plane.east_m_per_m * d_east
    return grid.origin.easting_m + d_east, grid.origin.northing_m + d_north, np.asarray(height)


def from_local(
    grid: LocalGrid, easting_m: ArrayLike, northing_m: ArrayLike, height_m: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Latitude, longitude [deg] and ellipsoidal height [m] of (N,) points of the site's own grid."""
    d_east = np.asarray(easting_m) - grid.origin.easting_m
    d_north = np.asarray(northing_m) - grid.origin.northing_m
    turn = np.radians(grid.rotation_deg)
    x = (d_east * np.cos(turn) + d_north * np.sin(turn)) / grid.scale
    y = (-d_east * np.sin(turn) + d_north * np.cos(turn)) / grid.scale
    lat, lon = plane_lat_lon_deg(grid.origin.latitude_deg, grid.origin.longitude_deg, x, y)
    plane = grid.height_plane
    height = np.asarray(height_m) - plane.offset_m - plane.north_m_per_m * d_north - plane.east_m_per_m * d_east
    return lat, lon, np.asarray(height)


@lru_cache(maxsize=32)
def _plane(lat_deg: float, lon_deg: float) -> Transformer:
    offline()
    from pyproj import Transformer

    target = f"+proj=tmerc +lat_0={lat_deg!r} +lon_0={lon_deg!r} +k=1 +x_0=0 +y_0=0 +ellps=WGS84 +units=m +type=crs"
    return Transformer.from_crs("+proj=longlat +ellps=WGS84 +type=crs", target, always_xy=True)
