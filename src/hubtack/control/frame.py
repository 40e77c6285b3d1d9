"""The grid a mark is given in: a projected system, a geographic one, or the site's own; residuals east, north, up.

Positions of the rover are taken as being in the frame of its base. A step between that frame and the mark's datum is
not taken off silently: it shows as a residual, which the datum fit then names. Only a datum PROJ itself steps to by
metres (an old national one) is stepped to, and then PROJ's stated accuracy of that step counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hubtack.errors import UsageError
from hubtack.geo.crs import Crs, datum_step, find_crs, from_grid, to_grid
from hubtack.geo.local_grid import LocalGrid, from_local, plane_xy_m, to_local
from hubtack.knowledge.control_limits import CONTROL_BY_KEY

Floats = NDArray[np.float64]
HeightDatum = Literal["ellipsoid", "geoid"]


@dataclass(frozen=True, slots=True)
class Mark:
    """A known mark in a grid: metres, or latitude as northing and longitude as easting [deg] in a geographic system."""

    name: str
    easting: float
    northing: float
    height_m: float
    sigma_m: float = CONTROL_BY_KEY["mark_sigma_m"]
    height_datum: HeightDatum = "ellipsoid"


@dataclass(frozen=True, slots=True)
class Frame:
    """Either a coordinate system that PROJ knows, or a site's own grid; and the geoid's height above the ellipsoid."""

    crs: Crs | None = None
    local: LocalGrid | None = None
    geoid_m: float | None = None

    @property
    def name(self) -> str:
        """What to call it."""
        return self.crs.name if self.crs is not None and self.local is None else "the site's own grid"

    @property
    def is_geographic(self) -> bool:
        """Whether marks are given in degrees."""
        return self.local is None and self.crs is not None and self.crs.is_geographic

    def grid(self, lat_deg: float, lon_deg: float) -> tuple[float, float]:
        """Easting and northing [m] of a position; longitude and latitude [deg] in a geographic system."""
        if self.local is not None:
            east, north, _ = to_local(self.local, lat_deg, lon_deg, 0.0)
        else:
            assert self.crs is not None
            east, north = to_grid(self.crs, lat_deg, lon_deg)
        return float(east), float(north)

    def place(self, mark: Mark) -> tuple[float, float]:
        """Latitude and longitude of a mark; NaN where the grid does not reach it. [deg]"""
        if self.local is not None:
            lat, lon, _ = from_local(self.local, mark.easting, mark.northing, 0.0)
        else:
            assert self.crs is not None
            lat, lon = from_grid(self.crs, mark.easting, mark.northing)
        return (float(lat), float(lon)) if np.isfinite(lat) and np.isfinite(lon) else (float("nan"), float("nan"))

    def height_m(self, lat_deg: float, lon_deg: float, h_ellipsoid_m: float, datum: HeightDatum) -> float:
        """A measured height as the mark's height counts it; NaN where that cannot be told. [m]"""
        if self.local is not None:
            plane = self.local.height_plane
            fitted = plane.offset_m != 0 or plane.north_m_per_m != 0 or plane.east_m_per_m != 0
            if fitted:
                return float(to_local(self.local, lat_deg, lon_deg, h_ellipsoid_m)[2])
        if datum == "ellipsoid":
            return h_ellipsoid_m
        return float("nan") if self.geoid_m is None else h_ellipsoid_m - self.geoid_m

    def residual_m(self, mark: Mark, lat_deg: float, lon_deg: float, h_ellipsoid_m: float) -> Floats:
        """Measured less known: east, north, up (3,) in the mark's grid; up NaN where heights do not compare. [m]"""
        up = self.height_m(lat_deg, lon_deg, h_ellipsoid_m, mark.height_datum) - mark.height_m
        if self.is_geographic:
            east, north = plane_xy_m(mark.northing, mark.easting, lat_deg, lon_deg)
            return np.array([float(east), float(north), up])
        east_m, north_m = self.grid(lat_deg, lon_deg)
        return np.array([east_m - mark.easting, north_m - mark.northing, up])

    def step(self, lat_deg: float, lon_deg: float) -> tuple[float, float]:
        """PROJ's own step from the rover's frame to the mark's datum, and its accuracy (``geo.crs.datum_step``). [m]"""
        return (0.0, 0.0) if self.crs is None or self.local is not None else datum_step(self.crs, lat_deg, lon_deg)


def frame_of(*, crs: str | None, local: LocalGrid | None, geoid_m: float | None) -> Frame:
    """The frame that a site file or a command line names.

    Raises
    ------
    UsageError
        If neither is given, or PROJ does not know the system.
    """
    if local is not None:
        return Frame(local=local, geoid_m=geoid_m)
    if crs is None:
        raise UsageError(
            "which grid are the coordinates in? Give --crs EPSG:n, or site.crs or [site.local] in the site file"
        )
    return Frame(crs=find_crs(crs), geoid_m=geoid_m)
