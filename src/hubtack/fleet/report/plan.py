"""Where the fix was lost: a plan of each site in local metres, and its worst squares.

East and north are on the plane that touches the ellipsoid at the site's origin (``geo``); within a site of a few
kilometres that is a map to a millimetre or so of scale, and no coordinate system has to be known.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from hubtack.fleet.account import SessionAccount
from hubtack.fleet.report.days import floats
from hubtack.fleet.totals import column, machine_of, utc_ns
from hubtack.geo import ecef_offset_to_enu, geodetic_to_ecef
from hubtack.safe import safe_text

Floats = NDArray[np.float64]
SITE_M = 15_000.0  # sessions whose middles lie farther apart are different sites: common practice, no source
SQUARE_M = 25.0
WIDTH, HEIGHT, MARGIN = 400, 320, 14
MOST_BASES = 12


@dataclass(frozen=True, slots=True)
class Place:
    """A square of the site in which the fix was lost; east and north of its middle from the origin. [m]"""

    east_m: float
    north_m: float
    losses: int
    working: int
    out_of_fix_s: float
    machines: tuple[str, ...]
    causes: tuple[tuple[str | None, int], ...]


@dataclass(slots=True)
class SitePlan:
    """One site: its sessions, where its origin is, what to draw. (N, 2) arrays are east and north. [m]"""

    accounts: list[SessionAccount] = field(default_factory=list)
    origin_deg: tuple[float, float] = (math.nan, math.nan)
    origin_is: str = ""
    track_m: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    losses_m: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    working: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    bases: list[tuple[str, float, float]] = field(default_factory=list)
    places: list[Place] = field(default_factory=list)
    unplaced: int = 0

    @property
    def has_drawing(self) -> bool:
        """There is at least one position to draw."""
        return bool(len(self.track_m) or len(self.losses_m))

    @property
    def machines(self) -> list[str]:
        """Names of the machines on this site."""
        return sorted({machine_of(account) for account in self.accounts})


def site_plans(accounts: Iterable[SessionAccount]) -> list[SitePlan]:
    """Sites with their plans, the one with most losses first. Sessions without any position are in none."""
    groups: list[tuple[Floats, SitePlan]] = []
    for account in accounts:
        middle = _middle_ecef_m(account)
        if middle is None:
            continue
        for at, plan in groups:
            if float(np.linalg.norm(middle - at)) <= SITE_M:
                plan.accounts.append(account)
                break
        else:
            groups.append((middle, SitePlan([account])))
    plans = [plan for _, plan in groups]
    for plan in plans:
        _fill(plan)
    return sorted(plans, key=lambda p: -len(p.losses_m))


def _middle_ecef_m(account: SessionAccount) -> Floats | None:
    lat, lon = floats(column(account, "latitude_deg")), floats(column(account, "longitude_deg"))
    known = ~(np.isnan(lat) | np.isnan(lon))
    if not known.any():
        return None
    at = geodetic_to_ecef(np.array([np.median(lat[known])]), np.array([np.median(lon[known])]), np.array([0.0]))
    return np.asarray(at[0])


def _fill(plan: SitePlan) -> None:
    lat = np.concatenate([floats(column(a, "latitude_deg")) for a in plan.accounts])
    lon = np.concatenate([floats(column(a, "longitude_deg")) for a in plan.accounts])
    known = ~(np.isnan(lat) | np.isnan(lon))
    lat, lon = lat[known], lon[known]
    bases = _bases(plan.accounts)
    near = [b for b in bases if _apart_m(b[1], b[2], float(np.median(lat)), float(np.median(lon))) < 100_000.0]
    if near:
        name, base_lat, base_lon = near[0]
        plan.origin_deg, plan.origin_is = (base_lat, base_lon), f"base {name}"
    else:
        plan.origin_deg, plan.origin_is = (float(np.median(lat)), float(np.median(lon))), "the middle of the machines"
    plan.track_m = _thinned(_plane_m(lat, lon, plan.origin_deg))
    if near:
        at = _plane_m(np.array([b[1] for b in near]), np.array([b[2] for b in near]), plan.origin_deg)
        plan.bases = [(b[0], float(e), float(n)) for b, (e, n) in zip(near, at, strict=True)][:MOST_BASES]
    rows = [(loss, machine_of(a)) for a in plan.accounts for loss in a.losses]
    placed = [
        (loss, m) for loss, m in rows if loss.get("latitude_deg") is not None and loss.get("longitude_deg") is not None
    ]
    plan.unplaced = len(rows) - len(placed)
    plan.losses_m = _plane_m(
        floats(loss["latitude_deg"] for loss, _ in placed),
        floats(loss["longitude_deg"] for loss, _ in placed),
        plan.origin_deg,
    )
    plan.working = np.array([bool(loss.get("working")) for loss, _ in placed], dtype=bool)
    plan.places = _places(plan.losses_m, placed)


def _bases(accounts: Iterable[SessionAccount]) -> list[tuple[str, float, float]]:
    """Bases with a position, each ID and place once, the earliest first."""
    found: dict[tuple[str, int, int], tuple[int, str, float, float]] = {}
    for account in accounts:
        for base in account.bases:
            lat, lon = base.get("latitude_deg"), base.get("longitude_deg")
            if lat is None or lon is None:
                continue
            name = safe_text(str(base.get("id")), 40)
            first = utc_ns(base.get("first_utc"))
            key = (name, round(lat * 1e4), round(lon * 1e4))
            row = (first if first is not None else 1 << 62, name, float(lat), float(lon))
            found[key] = min(found.get(key, row), row)
    return [(name, lat, lon) for _, name, lat, lon in sorted(found.values())]


def _plane_m(lat: Floats, lon: Floats, origin_deg: tuple[float, float]) -> Floats:
    """East and north (N, 2) of positions, all taken at the ellipsoid. [m]"""
    if not len(lat):
        return np.zeros((0, 2))
    zero = np.zeros(len(lat))
    o_lat, o_lon = np.full(len(lat), origin_deg[0]), np.full(len(lat), origin_deg[1])
    offset = geodetic_to_ecef(lat, lon, zero) - geodetic_to_ecef(o_lat, o_lon, zero)
    return np.asarray(ecef_offset_to_enu(offset, o_lat, o_lon))[:, :2]


def _apart_m(lat_a: float, lon_a: float, lat_b: float, lon_b: float) -> float:
    a, b = geodetic_to_ecef(np.array([lat_a, lat_b]), np.array([lon_a, lon_b]), np.zeros(2))
    return float(np.linalg.norm(a - b))


def _thinned(track_m: Floats, cells: int = 90) -> Floats:
    """One point for each cell of the plan in which a machine has been."""
    if not len(track_m):
        return track_m
    size = max(float(np.ptp(track_m[:, 0])), float(np.ptp(track_m[:, 1])), 1.0) / cells
    return np.asarray((np.unique(np.floor(track_m / size).astype(np.int64), axis=0) + 0.5) * size)


def _places(losses_m: Floats, rows: Sequence[tuple[dict[str, Any], str]]) -> list[Place]:
    squares: dict[tuple[int, int], list[int]] = {}
    for i, (east, north) in enumerate(losses_m):
        squares.setdefault((math.floor(east / SQUARE_M), math.floor(north / SQUARE_M)), []).append(i)
    out = []
    for (column_, row), members in squares.items():
        mine = [rows[i][0] for i in members]
        out.append(
            Place(
                east_m=(column_ + 0.5) * SQUARE_M,
                north_m=(row + 0.5) * SQUARE_M,
                losses=len(members),
                working=sum(bool(loss.get("working")) for loss in mine),
                out_of_fix_s=sum(_length_s(loss) or 0.0 for loss in mine),
                machines=tuple(sorted({rows[i][1] for i in members})),
                causes=tuple(Counter(loss.get("cause") for loss in mine).most_common(3)),
            )
        )
    return sorted(out, key=lambda p: (-p.working, -p.losses, -p.out_of_fix_s, p.east_m, p.north_m))


def _length_s(loss: dict[str, Any]) -> float | None:
    start, end = utc_ns(loss.get("start_utc")), utc_ns(loss.get("end_utc"))
    return None if start is None or end is None else (end - start) / 1e9


@dataclass(frozen=True, slots=True)
class _View:
    """The window of the plan: metres to drawing units, north up."""

    west_m: float
    south_m: float
    scale: float

    def xy(self, east_m: float, north_m: float) -> tuple[float, float]:
        return (east_m - self.west_m) * self.scale, HEIGHT - (north_m - self.south_m) * self.scale


def plan_svg(plan: SitePlan) -> Markup:
    """The plan: where machines were (dots), losses (diamonds at work, rings parked), bases (triangles), a scale."""
    view = _view(plan)
    parts = [_grid(view)]
    if len(plan.track_m):
        dots = "".join(f"M{x:.1f} {y:.1f}h0" for x, y in (view.xy(e, n) for e, n in plan.track_m))
        parts.append(f'<path class="track" d="{dots}"/>')
    parts.extend(_losses(plan, view))
    parts.extend(_base_marks(plan, view))
    parts.append(_scale_bar(view))
    parts.append(
        f'<g class="north"><path d="M{WIDTH - 16} 34v-20m-4 7l4-8 4 8"/><text x="{WIDTH - 16}" y="46">N</text></g>'
    )
    label = f"plan: {len(plan.losses_m)} losses of the fix, {len(plan.bases)} bases"
    return Markup(
        f'<svg class="plan" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(label)}">{"".join(parts)}</svg>'
    )


def _view(plan: SitePlan) -> _View:
    points = [p for p in (plan.track_m, plan.losses_m) if len(p)]
    low = np.min([p.min(axis=0) for p in points], axis=0)
    high = np.max([p.max(axis=0) for p in points], axis=0)
    size = max(float((high - low).max()), 20.0)
    for _, east, north in plan.bases:  # a base that is not too far off widens the window; others get an arrow
        at = np.array([east, north])
        wider_low, wider_high = np.minimum(low, at), np.maximum(high, at)
        if float((wider_high - wider_low).max()) <= 2.5 * size:
            low, high = wider_low, wider_high
    middle = (low + high) / 2
    span = np.maximum(high - low, 20.0)
    scale = min((WIDTH - 2 * MARGIN) / span[0], (HEIGHT - 2 * MARGIN - 26) / span[1])
    return _View(float(middle[0] - WIDTH / 2 / scale), float(middle[1] - (HEIGHT / 2 - 8) / scale), float(scale))


def round_step(length: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is not above ``length``."""
    power = 10.0 ** math.floor(math.log10(length))
    return next(f * power for f in (5.0, 2.0, 1.0) if f * power <= length * 1.000001)


def _grid(view: _View) -> str:
    step = round_step(max(WIDTH / view.scale / 4, 1.0))
    out, words = [], []
    k = math.ceil(view.west_m / step)
    while (x := view.xy(k * step, view.south_m)[0]) < WIDTH:
        out.append(f"M{x:.1f} 0V{HEIGHT}")
        if 18 < x < WIDTH - 90:
            words.append(f'<text x="{x + 2:.1f}" y="10">E {k * step:g}</text>')
        k += 1
    k = math.ceil(view.south_m / step)
    while (y := view.xy(view.west_m, k * step)[1]) > 0:
        out.append(f"M0 {y:.1f}H{WIDTH}")
        if 24 < y < HEIGHT - 34:
            words.append(f'<text x="2" y="{y - 2:.1f}">N {k * step:g}</text>')
        k += 1
    return f'<path class="grid" d="{"".join(out)}"/><g class="gridword">{"".join(words)}</g>'


def _losses(plan: SitePlan, view: _View) -> list[str]:
    """Losses that would lie on one another are one mark, larger with their number."""
    cells: dict[tuple[int, int, bool], int] = Counter()
    for (east, north), at_work in zip(plan.losses_m, plan.working, strict=True):
        x, y = view.xy(float(east), float(north))
        cells[round(x / 6), round(y / 6), bool(at_work)] += 1
    out = []
    for (cx, cy, at_work), n in sorted(cells.items(), key=lambda c: (c[0][2], c[1])):
        r = min(4.0 + 1.6 * math.sqrt(n - 1), 14.0)
        x, y = cx * 6, cy * 6
        title = (
            f"<title>{n} {'loss' if n == 1 else 'losses'} {'at work' if at_work else 'while parked or moved'}</title>"
        )
        if at_work:
            out.append(
                f'<path class="lossmark" d="M{x} {y - r:.1f}l{r:.1f} {r:.1f}-{r:.1f} {r:.1f}-{r:.1f}-{r:.1f}z">{title}</path>'
            )
        else:
            out.append(f'<circle class="idlemark" cx="{x}" cy="{y}" r="{r * 0.8:.1f}">{title}</circle>')
    return out


def _base_marks(plan: SitePlan, view: _View) -> list[str]:
    out = []
    for name, east, north in plan.bases:
        x, y = view.xy(east, north)
        inside = 0 <= x <= WIDTH and 0 <= y <= HEIGHT
        word = f"base {name}"
        if not inside:
            cx, cy = WIDTH / 2, HEIGHT / 2
            t = min((WIDTH / 2 - 16) / max(abs(x - cx), 1e-9), (HEIGHT / 2 - 34) / max(abs(y - cy), 1e-9))
            distance = math.hypot(east - (view.west_m + cx / view.scale), north - (view.south_m + cy / view.scale))
            turn = math.degrees(math.atan2(x - cx, cy - y))
            x, y = cx + t * (x - cx), cy + t * (y - cy)
            word += f", {distance / 1000:.1f} km" if distance >= 1000 else f", {distance:.0f} m"
            out.append(
                f'<path class="basemark" d="M0-9l5 12h-10z" transform="translate({x:.1f} {y:.1f}) rotate({turn:.0f})"/>'
            )
        else:
            out.append(f'<path class="basemark" d="M{x:.1f} {y - 8:.1f}l8 14h-16z"/>')
        side = "end" if x > WIDTH * 0.6 else "start"
        dx = -10 if side == "end" else 10
        out.append(
            f'<text class="baseword" x="{x + dx:.1f}" y="{y + 4:.1f}" text-anchor="{side}">{escape(word)}</text>'
        )
    return out


def _scale_bar(view: _View) -> str:
    length_m = round_step(max(WIDTH / view.scale / 3, 1.0))
    width = length_m * view.scale
    word = f"{length_m / 1000:g} km" if length_m >= 1000 else f"{length_m:g} m"
    y = HEIGHT - 10
    return f'<g class="scalebar"><path d="M12 {y - 5}v5h{width:.1f}v-5"/><text x="{16 + width:.1f}" y="{y}">{word}</text></g>'
