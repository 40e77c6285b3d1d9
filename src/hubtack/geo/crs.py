"""The one door to PROJ: coordinate systems by name, cached transformers, always east before north, never the network.

Angles are degrees; grid coordinates are metres here whatever the system's own unit is (``Crs.unit_m`` has it), so that
no foot gets past this module unseen. Arrays in, arrays out: a transformer costs milliseconds to make, nothing to use.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hubtack.errors import UsageError
from hubtack.safe import safe_text

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

Floats = NDArray[np.float64]

# The rover's numbers come as latitude, longitude and height of the frame its base is in; WGS 84 stands for all of
# them, and PROJ takes it as equal to ITRF, ETRS89, NAD83(2011) and their like (no shift at all), which is what is wanted here.
ROVER_FRAME = "EPSG:4326"


@dataclass(frozen=True, slots=True)
class Crs:
    """A coordinate system: its text as given, its name, whether it is geographic, and its unit in metres."""

    text: str
    name: str
    is_geographic: bool
    unit_m: float


@lru_cache(maxsize=64)
def find_crs(text: str) -> Crs:
    """The system that PROJ knows by ``text`` (``EPSG:32760``, a name, WKT).

    Raises
    ------
    UsageError
        If PROJ does not know it, or it is neither projected nor geographic (a vertical or geocentric system).
    """
    crs = _pyproj_crs(text)
    flat = crs.sub_crs_list[0] if crs.is_compound else crs
    if not (flat.is_projected or flat.is_geographic):
        raise UsageError(
            f"the coordinate system {safe_text(text, 60)} ({safe_text(crs.name, 60)}) has no east and north; name a "
            "projected system such as EPSG:32760, or a geographic one such as EPSG:4326"
        )
    axis = flat.axis_info[0]
    unit_m = 1.0 if flat.is_geographic else float(axis.unit_conversion_factor)
    return Crs(
        text=text,
        name=crs.name,
        is_geographic=bool(flat.is_geographic),
        unit_m=unit_m,
    )


def to_grid(crs: Crs, lat_deg: ArrayLike, lon_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Easting and northing in metres of (N,) positions; longitude and latitude in degrees for a geographic system.

    NaN where an input is NaN, and infinite far outside the projection's area.
    """
    x, y = _transformer(ROVER_FRAME, _flat_text(crs.text)).transform(np.asarray(lon_deg), np.asarray(lat_deg))
    return np.asarray(x, dtype=np.float64) * crs.unit_m, np.asarray(y, dtype=np.float64) * crs.unit_m


def from_grid(crs: Crs, easting_m: ArrayLike, northing_m: ArrayLike) -> tuple[Floats, Floats]:
    """Latitude and longitude in degrees of (N,) grid positions; the inverse of ``to_grid``."""
    lon, lat = _transformer(_flat_text(crs.text), ROVER_FRAME).transform(
        np.asarray(easting_m) / crs.unit_m, np.asarray(northing_m) / crs.unit_m
    )
    return np.asarray(lat, dtype=np.float64), np.asarray(lon, dtype=np.float64)


def convergence_and_scale(crs: Crs, lat_deg: float, lon_deg: float) -> tuple[float, float]:
    """Meridian convergence (grid north east of true north is positive) [deg] and point scale; 0 and 1 if geographic."""
    if crs.is_geographic:
        return 0.0, 1.0
    from pyproj import Proj

    factors = Proj(_flat_text(crs.text)).get_factors(lon_deg, lat_deg)
    return float(factors.meridian_convergence), float(factors.meridional_scale)


def datum_step(crs: Crs, lat_deg: float, lon_deg: float) -> tuple[float, float]:
    """What PROJ adds between the rover's frame and the datum of ``crs`` at a place, and how good it says that is. [m]

    Returns
    -------
    (float, float)
        The step in plan: 0 for WGS 84, ETRS89, NAD83(2011) and their like, some 100 m for an old national datum. The
        accuracy that PROJ states for it; NaN where it states none, and 0 where the step is none.
    """
    from pyproj import Geod, Transformer

    geodetic = _pyproj_crs(_flat_text(crs.text)).geodetic_crs
    if geodetic is None:
        return 0.0, 0.0
    geodetic = geodetic.to_2d()
    across: Any = Transformer.from_crs(ROVER_FRAME, geodetic, always_xy=True)
    lon, lat = across.transform(lon_deg, lat_deg)
    step_m = float(Geod(ellps="WGS84").inv(lon_deg, lat_deg, lon, lat)[2])
    if step_m < 0.001:
        return 0.0, 0.0
    accuracy = across.get_last_used_operation().accuracy  # of the step itself: the bundle of candidates has none
    return step_m, float(accuracy) if accuracy is not None and accuracy >= 0 else float("nan")


def geoid_height_m(model: str, lat_deg: float, lon_deg: float) -> float:
    """Height of the geoid above the ellipsoid at a place, from a grid that PROJ has or a file. [m]

    Raises
    ------
    UsageError
        If PROJ cannot read the grid, or it does not reach the place.
    """
    from pyproj.exceptions import ProjError

    name = safe_text(model, 100)
    hint = "download it into PROJ's data folder or beside the site file, or give site.geoid.separation_m"
    try:
        height = float(_geoid(model).transform(lon_deg, lat_deg, 0.0, errcheck=True)[2])
    except ProjError as err:
        raise UsageError(
            f"site.geoid.model {name}: no geoid height at {lat_deg:.4f}, {lon_deg:.4f} ({safe_text(str(err), 100)}); {hint}"
        ) from None
    if not np.isfinite(height):
        raise UsageError(f"site.geoid.model {name} does not reach {lat_deg:.4f}, {lon_deg:.4f}; {hint}")
    return height


@lru_cache(maxsize=8)
def _geoid(model: str) -> Transformer:
    offline()
    from pyproj import Transformer

    # Quoted, since a path may hold spaces. A multiplier of 1 adds the grid's value to a height of 0.
    return Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
        f'+step +proj=vgridshift +grids="{model}" +multiplier=1 '
        "+step +proj=unitconvert +xy_in=rad +xy_out=deg"
    )


def _flat_text(text: str) -> str:
    """The horizontal part of a compound system."""
    crs = _pyproj_crs(text)
    return str(crs.sub_crs_list[0].to_wkt()) if crs.is_compound else text


@lru_cache(maxsize=64)
def _pyproj_crs(text: str) -> CRS:
    offline()
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        return CRS.from_user_input(text)
    except CRSError as err:
        raise UsageError(
            f"PROJ does not know the coordinate system {safe_text(text, 60)}; write it like EPSG:32760 "
            "(the number is on the surveyor's control sheet)"
        ) from err


@lru_cache(maxsize=64)
def _transformer(source: str, target: str) -> Transformer:
    offline()
    from pyproj import Transformer

    return Transformer.from_crs(source, target, always_xy=True)


def offline() -> None:
    """PROJ must not fetch grids: a site has no network to spare, and an answer must not depend on one."""
    from pyproj.network import is_network_enabled, set_network_enabled  # type: ignore[attr-defined]

    if is_network_enabled():
        set_network_enabled(active=False)


def utm_zone(lon_deg: float) -> int:
    """The UTM zone of a longitude, 1 to 60 (the exceptions in Norway and Svalbard left aside)."""
    return int((lon_deg + 180.0) % 360.0 // 6.0) + 1
