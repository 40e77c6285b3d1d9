"""The site transformation: four parameters in plan and a plane for heights, from marks known in both systems.

    E = tE + a x - b y       a = s cos r, b = s sin r     (x, y: the plane through the mean of the measured positions)
    N = tN + b x + a y
    H - h = offset + north (N - N0) + east (E - E0)

The residuals say whether the marks agree with each other, never whether they are right: a job that is all in the wrong
foot or frame fits perfectly. Two marks in plan, or three in height, leave no residual and so no check.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.control.quantiles import f_tail
from hubtack.errors import UsageError
from hubtack.geo.local_grid import plane_xy_m
from hubtack.knowledge.control_limits import CONTROL_BY_KEY
from hubtack.safe import safe_text
from hubtack.site.model import GridOrigin, HeightPlane, LocalGrid

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# The floor keeps a set of marks that agree to a millimetre from calling two millimetres a blunder.
FLOOR_PLAN_M, FLOOR_HEIGHT_M = CONTROL_BY_KEY["fit_floor_plan_m"], CONTROL_BY_KEY["fit_floor_height_m"]
# How much that is worth beside the residuals themselves, in degrees of freedom. Seven marks leave three in height, and
# by three alone a mark 15 cm off could not be told from noise; the sum is a conjugate prior (textbook), its weight ours.
PRIOR_DOF = 8
BLUNDER_CHANCE = 0.01
INVESTIGATE_M, SCALE_PPM = CONTROL_BY_KEY["fit_investigate_m"], CONTROL_BY_KEY["fit_scale_ppm"]
TILT_MM_PER_KM = CONTROL_BY_KEY["fit_tilt_mm_per_km"]


@dataclass(frozen=True, slots=True)
class FitPoint:
    """A mark known in both systems: grid [m], and measured latitude, longitude [deg], ellipsoidal height [m].

    ``height_m`` and ``h_ellipsoid_m`` may be NaN: then the mark serves in plan only. ``use_*`` leave it out.
    """

    name: str
    easting_m: float
    northing_m: float
    height_m: float
    latitude_deg: float
    longitude_deg: float
    h_ellipsoid_m: float
    use_plan: bool = True
    use_height: bool = True


@dataclass(frozen=True, slots=True)
class PointFit:
    """What the fit leaves at one mark; ``without_*`` is what it leaves there when the mark itself is not in the fit. [m]

    ``chance_*`` is the probability of a disagreement as large in any of the marks, NaN where they are too few.
    """

    name: str
    east_m: float
    north_m: float
    up_m: float
    without_east_m: float
    without_north_m: float
    without_up_m: float
    chance_plan: float
    chance_height: float


@dataclass(frozen=True, slots=True)
class SiteFit:
    """The fitted grid, what it leaves, which mark does not fit, and what a surveyor should look at."""

    grid: LocalGrid
    points: tuple[PointFit, ...]
    rms_plan_m: float
    rms_height_m: float
    checks_plan: int  # residuals beyond those needed to fix the parameters
    checks_height: int
    ground_scale: float  # the scale expected for a grid at ground level at this height
    misfit_plan: str | None
    misfit_height: str | None
    notes: tuple[str, ...]


def fit_site(points: list[FitPoint]) -> SiteFit:
    """Fit the site's own grid to at least two marks.

    Raises
    ------
    UsageError
        If there are fewer than two in plan, or they coincide.
    """
    plan = np.array([p.use_plan for p in points], dtype=bool)
    if plan.sum() < 2:
        raise UsageError(
            f"a site's grid needs two marks at least, better five around the site; {int(plan.sum())} can be used"
        )
    lat, lon = np.array([p.latitude_deg for p in points]), np.array([p.longitude_deg for p in points])
    lat0, lon0 = float(lat[plan].mean()), float(lon[plan].mean())
    x, y = plane_xy_m(lat0, lon0, lat, lon)
    grid_m = np.array([(p.easting_m, p.northing_m) for p in points])
    spread = float(np.hypot(np.ptp(x[plan]), np.ptp(y[plan])))
    if spread < 1.0 or float(np.hypot(*np.ptp(grid_m[plan], axis=0))) < 1.0:
        raise UsageError(
            "the marks lie within a metre of each other, in one of the two systems; measure marks around the site"
        )
    parameters = _solve_plan(x, y, grid_m, plan)
    residual = _plan_residual(parameters, x, y, grid_m)
    scale, turn = (
        float(np.hypot(parameters[0], parameters[1])),
        float(np.degrees(np.arctan2(parameters[1], parameters[0]))),
    )
    _refuse_nonsense(scale, residual[plan], points)

    known_h = np.array([p.height_m for p in points]), np.array([p.h_ellipsoid_m for p in points])
    in_height = np.array([p.use_height for p in points], dtype=bool) & np.isfinite(known_h[0]) & np.isfinite(known_h[1])
    d_grid = grid_m - parameters[2:]
    plane, plane_notes = _solve_plane(d_grid, known_h[0] - known_h[1], in_height)
    up = known_h[1] + plane[0] + d_grid @ plane[1:] - known_h[0]

    left_plan, chance_plan = _without_plan(x, y, grid_m, plan)
    left_up, chance_up = _without_height(d_grid, known_h[0] - known_h[1], in_height, plane)
    names = [p.name for p in points]
    mean_h = float(known_h[1][in_height].mean()) if in_height.any() else float("nan")
    ground = 1.0 + (0.0 if np.isnan(mean_h) else mean_h) / 6_371_008.8
    origin = GridOrigin(float(parameters[2]), float(parameters[3]), lat0, lon0)
    n_plane = 3 if plane[1:].any() else 1
    return SiteFit(
        grid=LocalGrid(origin, turn, scale, HeightPlane(float(plane[0]), float(plane[2]), float(plane[1]))),
        points=tuple(
            PointFit(
                names[i], float(residual[i, 0]), float(residual[i, 1]), float(up[i]),
                float(left_plan[i, 0]), float(left_plan[i, 1]), float(left_up[i]),
                float(chance_plan[i]), float(chance_up[i]),
            )
            for i in range(len(points))
        ),
        rms_plan_m=float(np.sqrt((residual[plan] ** 2).sum() / max(1, int(plan.sum())))),
        rms_height_m=float(np.sqrt((up[in_height] ** 2).mean())) if in_height.any() else float("nan"),
        checks_plan=2 * int(plan.sum()) - 4,
        checks_height=max(0, int(in_height.sum()) - n_plane),
        ground_scale=ground,
        misfit_plan=_worst(names, chance_plan),
        misfit_height=_worst(names, chance_up),
        notes=(
            *_notes(
                int(plan.sum()), int(in_height.sum()), scale, ground, plane, _slope_sigma(d_grid[in_height]),
                residual[plan], up[in_height],
            ),
            *plane_notes,
        ),
    )  # fmt: skip


def local_toml(grid: LocalGrid) -> str:
    """The ``[site.local]`` block of a site file."""
    o, p = grid.origin, grid.height_plane
    return (
        "[site.local]\n"
        f"origin = {{ easting_m = {o.easting_m:.4f}, northing_m = {o.northing_m:.4f}, "
        f"latitude_deg = {o.latitude_deg:.10f}, longitude_deg = {o.longitude_deg:.10f} }}\n"
        f"rotation_deg = {grid.rotation_deg:.8f}\n"
        f"scale = {grid.scale:.10f}\n"
        f"height_plane = {{ offset_m = {p.offset_m:.4f}, north_m_per_m = {p.north_m_per_m:.9f}, "
        f"east_m_per_m = {p.east_m_per_m:.9f} }}\n"
    )


def _solve_plan(x: Floats, y: Floats, grid_m: Floats, used: Bools) -> Floats:
    """a, b, tE, tN by least squares, about the centre of the marks so that the sums stay small."""
    n = int(used.sum())
    centre_xy = np.array([x[used].mean(), y[used].mean()])
    centre = grid_m[used].mean(axis=0)
    u, v = x[used] - centre_xy[0], y[used] - centre_xy[1]
    e, f = (grid_m[used] - centre).T
    power = float((u**2 + v**2).sum())
    if not (n >= 2 and power > 0):
        return np.full(4, np.nan)
    a, b = float((u * e + v * f).sum()) / power, float((u * f - v * e).sum()) / power
    shift = centre - np.array([a * centre_xy[0] - b * centre_xy[1], b * centre_xy[0] + a * centre_xy[1]])
    return np.array([a, b, shift[0], shift[1]])


def _plan_residual(p: Floats, x: Floats, y: Floats, grid_m: Floats) -> Floats:
    """Transformed less known, (N, 2). [m]"""
    return np.stack((p[2] + p[0] * x - p[1] * y, p[3] + p[1] * x + p[0] * y), axis=-1) - grid_m


def _solve_plane(d_grid: Floats, step_m: Floats, used: Bools) -> tuple[Floats, list[str]]:
    """Offset, slope to east, slope to north; a plane only where the marks span one."""
    n = int(used.sum())
    if n == 0:
        return np.zeros(3), ["no mark has both heights: heights stay ellipsoidal"]
    if n < 3:
        return np.array([float(step_m[used].mean()), 0.0, 0.0]), [
            f"{n} mark{'s' if n > 1 else ''} in height: a constant offset only; three make a plane, four check it"
        ]
    design = np.column_stack((np.ones(n), d_grid[used]))
    centred = d_grid[used] - d_grid[used].mean(axis=0)
    extent = np.linalg.svd(centred, compute_uv=False)
    if extent[1] < 0.05 * extent[0]:
        return np.array([float(step_m[used].mean()), 0.0, 0.0]), [
            "the marks with heights lie in a line: a constant offset only, since a plane would tip about that line"
        ]
    return np.asarray(np.linalg.lstsq(design, step_m[used], rcond=None)[0], dtype=np.float64), []


def _slope_sigma(d_grid: Floats) -> float:
    """1 sigma of the plane's slope across the narrower extent of the marks, by the noise heights have at least."""
    if len(d_grid) < 3:
        return 0.0
    narrow = float(np.linalg.svd(d_grid - d_grid.mean(axis=0), compute_uv=False)[1])
    return FLOOR_HEIGHT_M / narrow if narrow > 0 else 0.0


def _without_plan(x: Floats, y: Floats, grid_m: Floats, used: Bools) -> tuple[Floats, Floats]:
    """What is left at each mark when the others alone are fitted (N, 2), and the chance of as much in any mark (N,)."""
    n = len(x)
    left, chance = np.full((n, 2), np.nan), np.full(n, np.nan)
    for i in range(n):
        others = used.copy()
        others[i] = False
        k = int(others.sum())
        if k < 2:
            continue
        p = _solve_plan(x, y, grid_m, others)
        r = _plan_residual(p, x, y, grid_m)
        left[i] = r[i]
        dof = 2 * k - 4
        if not used[i] or dof <= 0:
            continue
        u, v = x[others] - x[others].mean(), y[others] - y[others].mean()
        away = (x[i] - x[others].mean()) ** 2 + (y[i] - y[others].mean()) ** 2
        leverage = 1.0 / k + away / float((u**2 + v**2).sum())
        variance = _variance(float((r[others] ** 2).sum()), dof, FLOOR_PLAN_M) * (1.0 + leverage)
        tail = f_tail(float((r[i] ** 2).sum()) / 2.0 / variance, 2, dof + PRIOR_DOF)
        chance[i] = min(1.0, int(used.sum()) * tail)
    return left, chance


def _without_height(d_grid: Floats, step_m: Floats, used: Bools, plane: Floats) -> tuple[Floats, Floats]:
    """The same in height (N,) each."""
    n = len(step_m)
    left, chance = np.full(n, np.nan), np.full(n, np.nan)
    tilted = bool(plane[1:].any())
    for i in range(n):
        others = used.copy()
        others[i] = False
        k = int(others.sum())
        if k < (3 if tilted else 1) or not np.isfinite(step_m[i]):
            continue
        p, notes = _solve_plane(d_grid, step_m, others) if tilted else (np.array([step_m[others].mean(), 0.0, 0.0]), [])
        if notes:
            continue  # the others alone do not span a plane
        r = p[0] + d_grid @ p[1:] - step_m
        left[i] = r[i]
        dof = k - (3 if tilted else 1)
        if not used[i] or dof <= 0:
            continue
        design = np.column_stack((np.ones(k), d_grid[others])) if tilted else np.ones((k, 1))
        row = np.concatenate(([1.0], d_grid[i])) if tilted else np.ones(1)
        leverage = float(row @ np.linalg.inv(design.T @ design) @ row)
        variance = _variance(float((r[others] ** 2).sum()), dof, FLOOR_HEIGHT_M) * (1.0 + leverage)
        chance[i] = min(1.0, int(used.sum()) * f_tail(float(r[i] ** 2) / variance, 1, dof + PRIOR_DOF))
    return left, chance


def _variance(squares: float, dof: int, floor_m: float) -> float:
    """Variance of one axis from the residuals of the other marks and from what is known of marks beforehand. [m2]"""
    return max((squares + PRIOR_DOF * floor_m**2) / (dof + PRIOR_DOF), floor_m**2)


def _worst(names: list[str], chance: Floats) -> str | None:
    known = np.where(np.isnan(chance), 1.0, chance)
    worst = int(np.argmin(known)) if len(known) else 0
    return names[worst] if len(known) and known[worst] < BLUNDER_CHANCE else None


def _refuse_nonsense(scale: float, residual: Floats, points: list[FitPoint]) -> None:
    """A grid in other units, or mirrored, fits with a scale or residuals that no site has."""
    hints = {0.3048: "metres for feet", 1 / 0.3048: "feet for metres (or feet in a column that is in metres)"}
    for factor, hint in hints.items():
        if abs(scale / factor - 1.0) < 0.01:
            raise UsageError(f"the fitted scale is {scale:.4f}: the grid coordinates look like {hint}")
    swapped = "easting and northing, or latitude and longitude, may be swapped"
    if not 0.99 < scale < 1.01:
        raise UsageError(f"the fitted scale is {scale:.4f}, which no site has; {swapped}, or two marks are mixed up")
    worst = float(np.abs(residual).max())
    if worst > 10.0:
        name = points[int(np.abs(residual).max(axis=1).argmax())].name
        raise UsageError(
            f"the marks disagree by up to {worst:.0f} m ({safe_text(name, 40)}): names mixed up, or {swapped}"
        )


def _notes(
    n_plan: int,
    n_height: int,
    scale: float,
    ground: float,
    plane: Floats,
    slope_sigma: float,
    residual: Floats,
    up: Floats,
) -> list[str]:
    notes = []
    if n_plan == 2:
        notes.append("two marks in plan leave no residual: nothing checks this fit")
    elif n_plan < 5:
        notes.append(f"{n_plan} marks in plan: five or more around the site are better (common practice)")
    if 0 < n_height < 4:
        notes.append("fewer than four marks in height: the plane is not checked")
    ppm = (scale / ground - 1.0) * 1e6
    if abs(ppm) > SCALE_PPM:
        notes.append(
            f"the scale is {ppm:+.0f} ppm from that of the ground here: right where the grid is a map projection, else "
            "a wrong projection, feet or a bad mark"
        )
    tilt = float(np.hypot(plane[1], plane[2])) * 1e6
    if tilt > TILT_MM_PER_KM + 2e6 * slope_sigma:
        notes.append(f"the height plane slopes {tilt:.0f} mm/km: over {TILT_MM_PER_KM:g} usually means a bad height")
    worst = max([*np.hypot(residual[:, 0], residual[:, 1]).tolist(), *np.abs(up).tolist()])
    if worst > INVESTIGATE_M:
        notes.append(f"the largest residual is {1000 * worst:.0f} mm: investigate above {1000 * INVESTIGATE_M:.0f}")
    return notes
