"""What PROJ can compute at this place and date: the step between frames, epochs, height systems, foot definitions.

A candidate says: if the base's coordinates were in A and the mark's in B, the residual here would be this. Both orders
are candidates. What cannot be computed (no path between two frames, a grid that is not on this computer) is listed,
never guessed. The network stays off.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_offset_to_enu, geodetic_to_ecef
from hubtack.geo.crs import offline
from hubtack.knowledge.datums import (
    COMMON_EPOCHS,
    FRAMES,
    HEIGHT_SYSTEMS,
    PHASE_CENTRE_M,
    PIVOT,
    PLATE_SIGMA_M,
    RECEIVER_GEOID_SIGMA_M,
    SITE_GEOID_SIGMA_M,
    HeightSystem,
    ReferenceFrame,
)
from hubtack.units import FOOT_M, US_SURVEY_FOOT_M

if TYPE_CHECKING:
    from pyproj.transformer import TransformerGroup

Floats = NDArray[np.float64]
Kind = Literal["frame", "height", "foot", "antenna"]


@dataclass(frozen=True, slots=True)
class Candidate:
    """A residual that a known cause would leave: east, north, up, its own 1 sigma by axis [m], and how to make sure."""

    name: str
    kind: Kind
    enu_m: tuple[float, float, float]
    sigma_m: tuple[float, float, float]
    make_sure: str


@dataclass(slots=True)
class Candidates:
    """All that could be computed, and in words what could not be tried."""

    tried: list[Candidate] = field(default_factory=list)
    not_tried: list[str] = field(default_factory=list)


def frame_candidates(
    lat_deg: float, lon_deg: float, h_ellipsoid_m: float, epoch: float, *, convergence_deg: float = 0.0
) -> Candidates:
    """Steps between the reference frames in use at a place, at a decimal year.

    ``convergence_deg``: grid north east of true north, which turns the steps into the grid's east and north.
    """
    out = Candidates()
    here = [f for f in FRAMES if _covers(f, lat_deg, lon_deg)]
    pivot = geodetic_to_ecef(np.array([lat_deg]), np.array([lon_deg]), np.array([h_ellipsoid_m]))[0]
    offsets: dict[str, Floats] = {}
    for frame in here:
        moved = pivot if frame is PIVOT else _step(PIVOT.geocentric, frame.geocentric, pivot, epoch)
        if moved is None:
            out.not_tried.append(f"{frame.name}: PROJ has no step to it without a grid that is not on this computer")
        else:
            offsets[frame.name] = moved - pivot
    plate = next((f for f in here if f.plate_fixed and f.name in offsets), None)
    if plate is not None:
        on_plate = pivot + offsets[plate.name]
        for year in COMMON_EPOCHS:
            earlier = _step(plate.geocentric, PIVOT.geocentric, on_plate, year)
            if earlier is not None and abs(epoch - year) > 1.0:
                offsets[f"ITRF2014 at epoch {year:.1f}"] = earlier - pivot
    else:
        out.not_tried.append("coordinates in ITRF at an earlier epoch: no plate-fixed frame is known here to move with")
    turn = np.radians(convergence_deg)
    for base_name, base in offsets.items():
        for mark_name, mark in offsets.items():
            if base_name == mark_name:
                continue
            e, n, u = ecef_offset_to_enu((base - mark)[None, :], np.array([lat_deg]), np.array([lon_deg]))[0]
            grid_e, grid_n = e * np.cos(turn) - n * np.sin(turn), e * np.sin(turn) + n * np.cos(turn)
            out.tried.append(
                Candidate(
                    f"base in {base_name}, mark in {mark_name}",
                    "frame",
                    (float(grid_e), float(grid_n), float(u)),
                    (PLATE_SIGMA_M, PLATE_SIGMA_M, PLATE_SIGMA_M),
                    f"ask which frame and epoch the base's (or the network's) coordinates are in, and which the "
                    f"control sheet names; a second mark must show the same step, {base_name} less {mark_name}",
                )
            )
    return out


def height_candidates(
    lat_deg: float,
    lon_deg: float,
    *,
    receiver_separation_m: float,
    site_separation_m: float | None,
    antenna_height_m: float,
    base_antenna_height_m: float,
) -> Candidates:
    """Steps in height only: ellipsoid and geoid mixed up, and antenna heights left out or taken twice."""
    out = Candidates()

    def add(name: str, up_m: float, sigma_m: float, kind: Kind, make_sure: str) -> None:
        out.tried.append(Candidate(name, kind, (0.0, 0.0, up_m), (0.0, 0.0, sigma_m), make_sure))

    sheet = "ask whether the control sheet's heights are above the ellipsoid or the geoid, and by which geoid model"
    known: list[tuple[str, float, float]] = []
    if site_separation_m is not None:
        known.append(("the site's geoid separation", site_separation_m, SITE_GEOID_SIGMA_M))
    if not np.isnan(receiver_separation_m):
        # Beside a known separation the receiver's stands for heights that somebody copied from its screen, which is
        # exact; alone it stands for the geoid itself, which its coarse model knows to decimetres.
        sigma_m = RECEIVER_GEOID_SIGMA_M if site_separation_m is None else SITE_GEOID_SIGMA_M
        known.append(("the receiver's geoid separation", receiver_separation_m, sigma_m))
    else:
        out.not_tried.append("the receiver's geoid separation: the receiver does not state one")
    grids, missing = _geoid_grids(lat_deg, lon_deg)
    out.not_tried.extend(missing)
    known.extend((f"the geoid of {name}", n_m, SITE_GEOID_SIGMA_M) for name, n_m in grids)
    for what, n_m, sigma in known:
        add(f"ellipsoidal height compared with a height above the geoid ({what})", n_m, sigma, "height", sheet)
        add(f"height above the geoid compared with an ellipsoidal height ({what})", -n_m, sigma, "height", sheet)
    if site_separation_m is not None and not np.isnan(receiver_separation_m):
        step = receiver_separation_m - site_separation_m
        add("another geoid model than the site's", step, SITE_GEOID_SIGMA_M, "height", sheet)
    tape = "measure the antenna height again, to the antenna's reference point, and look where it is already taken off"
    for size, what in (
        (antenna_height_m, "the rover's antenna height"),
        (base_antenna_height_m, "the base's antenna height"),
    ):
        if size > 0:
            add(f"{what} left out", size, 0.005, "antenna", tape)
            add(f"{what} taken off twice", -size, 0.005, "antenna", tape)
    low, high = PHASE_CENTRE_M
    for sign, word in (
        (1.0, "phase centre taken for the reference point"),
        (-1.0, "reference point taken for the phase centre"),
    ):
        add(f"antenna {word}", sign * (low + high) / 2, (high - low) / 4, "antenna",
            "look up which point of the antenna the receiver gives, and the antenna type it is set to")  # fmt: skip
    return out


def foot_candidates(easting_m: float, northing_m: float, height_m: float) -> Candidates:
    """Steps of 2 ppm of the whole coordinate: one foot definition taken for the other."""
    out = Candidates()
    ppm = US_SURVEY_FOOT_M / FOOT_M - 1.0
    make_sure = "ask which foot the control sheet is in: over a site the two agree, over the coordinate they do not"
    for sign, name in (
        (1.0, "US survey feet taken as international feet"),
        (-1.0, "international feet taken as US survey feet"),
    ):
        e, n, u = (sign * ppm * v for v in (easting_m, northing_m, height_m))
        out.tried.append(
            Candidate(f"the mark's coordinates: {name}", "foot", (e, n, u), (0.001, 0.001, 0.001), make_sure)
        )
    return out


def _covers(frame: ReferenceFrame, lat_deg: float, lon_deg: float) -> bool:
    box = frame.box_deg or _area(frame.geocentric)
    if box is None:
        return True
    return _inside(box, lat_deg, lon_deg)


@lru_cache(maxsize=64)
def _area(code: int) -> tuple[float, float, float, float] | None:
    from pyproj import CRS

    area = CRS.from_epsg(code).area_of_use
    return None if area is None else (area.west, area.south, area.east, area.north)


@lru_cache(maxsize=128)
def _operation(source: int, target: int) -> Callable[..., Any] | None:
    offline()
    from pyproj import Transformer
    from pyproj.exceptions import ProjError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # that a better grid exists is said in our own words
            # A ballpark step would be "nothing changes", which is the one answer that must not be made up here.
            return Transformer.from_crs(source, target, always_xy=True, allow_ballpark=False).transform
    except ProjError:
        return None


def _step(source: int, target: int, xyz_m: Floats, epoch: float) -> Floats | None:
    from pyproj.exceptions import ProjError

    operation = _operation(source, target)
    if operation is None:
        return None
    try:
        moved = np.array(operation(*xyz_m, epoch, errcheck=True)[:3])
    except ProjError:
        return None
    # A frame of the same plate and era is metres away at most; anything else is a system of another kind.
    return moved if np.isfinite(moved).all() and np.abs(moved - xyz_m).max() < 100.0 else None


def _geoid_grids(lat_deg: float, lon_deg: float) -> tuple[list[tuple[str, float]], list[str]]:
    """Geoid heights from grids that are on this computer, and in words which are not."""
    found: list[tuple[str, float]] = []
    missing: list[str] = []
    for system in HEIGHT_SYSTEMS:
        area = _area(system.vertical)
        if area is None or not _inside(area, lat_deg, lon_deg):
            continue
        group = _steps_to_heights(system)
        if group is None:
            missing.append(f"heights in {system.name}: PROJ has no step to them here")
            continue
        height = _first_height(group.transformers, lat_deg, lon_deg)
        if height is not None:
            found.append((system.name, -height))
            continue
        names = sorted(
            {grid.short_name for op in group.unavailable_operations for grid in op.grids if not grid.available}
        )
        missing.append(
            f"heights in {system.name}: its grid is not on this computer ({', '.join(names[:2]) or 'none known'}); "
            "put it into PROJ's data folder"
        )
    return found, missing


def _first_height(transformers: Sequence[Any], lat_deg: float, lon_deg: float) -> float | None:
    from pyproj.exceptions import ProjError

    for transformer in transformers:
        try:
            height = float(transformer.transform(lon_deg, lat_deg, 0.0, errcheck=True)[2])
        except ProjError:
            continue
        if np.isfinite(height) and height != 0.0:
            return height
    return None


@lru_cache(maxsize=32)
def _steps_to_heights(system: HeightSystem) -> TransformerGroup | None:
    """PROJ's steps from ellipsoidal heights to a height system, those without their grid included."""
    offline()
    from pyproj import CRS
    from pyproj.crs import CompoundCRS
    from pyproj.exceptions import ProjError
    from pyproj.transformer import TransformerGroup

    try:
        compound = CompoundCRS(system.name, [f"EPSG:{system.geographic_2d}", f"EPSG:{system.vertical}"])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return TransformerGroup(
                CRS.from_epsg(system.geographic_2d).to_3d(), compound, always_xy=True, allow_ballpark=False
            )
    except ProjError:
        return None


def _inside(box: tuple[float, float, float, float], lat_deg: float, lon_deg: float) -> bool:
    west, south, east, north = box
    lon = (lon_deg + 180.0) % 360.0 - 180.0
    inside = west <= lon <= east if west <= east else lon >= west or lon <= east
    return inside and south <= lat_deg <= north
