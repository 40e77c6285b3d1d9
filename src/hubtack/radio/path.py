"""From base to rover by radio: free space, the ground, what stands in the way, and what is left at the receiver.

Pure functions; lengths in metres, losses in dB. The path loss is the larger of free space and plane earth, plus
diffraction: with masts of a few metres the ground always lies in the first Fresnel zone, so free space alone is too kind.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from hubtack.knowledge.radio import (
    BOLTZMANN_J_K,
    CLEARANCE_SHARE,
    EARTH_RADIUS_M,
    K_FACTOR,
    LEAST_RISE_M,
    LIGHT_M_S,
    MAST_MOST_M,
    ONE_HILL_SHARE,
    SHADOWING_K,
)

Obstacle = tuple[float, float]  # distance from the base, height above the base's ground [m]


def wavelength_m(frequency_mhz: float) -> float:
    """Wavelength in free space. [m]"""
    return LIGHT_M_S / (frequency_mhz * 1e6)


def free_space_db(frequency_mhz: float, distance_m: float) -> float:
    """Free-space loss (ITU-R P.525): 20 log10(4 pi d / wavelength); 85.5 dB at 450 MHz and 1 km."""
    return 20.0 * math.log10(4.0 * math.pi * distance_m / wavelength_m(frequency_mhz))


def plane_earth_db(distance_m: float, base_height_m: float, rover_height_m: float) -> float:
    """Loss over flat ground far out: 40 log10 d - 20 log10(h1 h2); 96.5 dB at 1 km from 5 m to 3 m."""
    return 40.0 * math.log10(distance_m) - 20.0 * math.log10(base_height_m * rover_height_m)


def breakpoint_m(frequency_mhz: float, base_height_m: float, rover_height_m: float) -> float:
    """Distance at which ground reflection begins to rule: 4 h1 h2 / wavelength (ITU-R P.1411, from memory). [m]"""
    return 4.0 * base_height_m * rover_height_m / wavelength_m(frequency_mhz)


def horizon_m(base_height_m: float, rover_height_m: float) -> float:
    """Radio horizon over smooth earth with 4/3 of its radius: 4.12 km (sqrt h1 + sqrt h2). [m]"""
    return math.sqrt(2.0 * K_FACTOR * EARTH_RADIUS_M) * (math.sqrt(base_height_m) + math.sqrt(rover_height_m))


def fresnel1_m(frequency_mhz: float, d1_m: float, d2_m: float) -> float:
    """Radius of the first Fresnel zone at d1 and d2 from the ends; 12.9 m mid-way of 1 km at 450 MHz. [m]"""
    return math.sqrt(wavelength_m(frequency_mhz) * d1_m * d2_m / (d1_m + d2_m))


def bulge_m(d1_m: float, d2_m: float) -> float:
    """How far the earth rises above the chord; 0.059 m mid-way of 2 km. [m]"""
    return d1_m * d2_m / (2.0 * K_FACTOR * EARTH_RADIUS_M)


def knife_edge_db(v: float) -> float:
    """Loss of a knife edge (ITU-R P.526, 4.1): 6.0 dB at grazing, 13.9 dB at v = 1, nothing below v = -0.78."""
    if v <= -0.78:
        return 0.0
    return 6.9 + 20.0 * math.log10(math.sqrt((v - 0.1) ** 2 + 1.0) + v - 0.1)


def edge_parameter(frequency_mhz: float, d1_m: float, d2_m: float, above_m: float) -> float:
    """v of an edge that stands ``above_m`` over the direct ray (negative: below it)."""
    return math.sqrt(2.0) * above_m / fresnel1_m(frequency_mhz, d1_m, d2_m)


@dataclass(frozen=True, slots=True)
class Edge:
    """One obstacle on the path: where, how far over the direct ray with the earth's bulge, and its loss alone."""

    distance_m: float
    above_ray_m: float
    fresnel1_m: float
    loss_db: float


def edges(
    frequency_mhz: float, distance_m: float, base_height_m: float, rover_height_m: float, obstacles: Sequence[Obstacle]
) -> list[Edge]:
    """Every obstacle against the ray between the two antennas, in the order of distance."""
    found = []
    for at_m, height_m in sorted(obstacles):
        ray_m = base_height_m + (rover_height_m - base_height_m) * at_m / distance_m
        above_m = height_m + bulge_m(at_m, distance_m - at_m) - ray_m
        v = edge_parameter(frequency_mhz, at_m, distance_m - at_m, above_m)
        found.append(Edge(at_m, above_m, fresnel1_m(frequency_mhz, at_m, distance_m - at_m), knife_edge_db(v)))
    return found


def diffraction_db(
    frequency_mhz: float, distance_m: float, base_height_m: float, rover_height_m: float, obstacles: Sequence[Obstacle]
) -> float:
    """Loss of all obstacles by Deygout's method: the main edge, then the worst on either side of it.

    The side edges count by 1 - exp(-J/6), as ITU-R P.526 weighs them; its empirical constant for rolling terrain is left
    out, since the obstacles here are single banks and heaps (from memory of P.526, multiple knife edges).
    """
    all_edges = edges(frequency_mhz, distance_m, base_height_m, rover_height_m, obstacles)
    if not all_edges:
        return 0.0
    main = max(all_edges, key=lambda e: e.above_ray_m / e.fresnel1_m)
    if main.loss_db == 0.0:
        return 0.0
    top_m = next(h for d, h in sorted(obstacles) if d == main.distance_m)
    before = [(d, h) for d, h in obstacles if d < main.distance_m]
    after = [(d - main.distance_m, h) for d, h in obstacles if d > main.distance_m]
    side = max(
        (e.loss_db for e in edges(frequency_mhz, main.distance_m, base_height_m, top_m, before)), default=0.0
    ) + max(
        (e.loss_db for e in edges(frequency_mhz, distance_m - main.distance_m, top_m, rover_height_m, after)),
        default=0.0,
    )
    return main.loss_db + (1.0 - math.exp(-main.loss_db / 6.0)) * side


@dataclass(frozen=True, slots=True)
class PathResult:
    """A worked path. ``clearance_m`` is the least height of the ray over ground and obstacles, negative where blocked;
    ``fresnel1_m`` the first zone there. Received power, margin and availability are NaN where not enough was given."""

    free_space_db: float
    plane_earth_db: float
    breakpoint_m: float
    horizon_m: float
    fresnel1_m: float
    clearance_m: float
    critical_m: float
    diffraction_db: float
    path_loss_db: float
    received_dbm: float
    margin_db: float
    availability: float
    shadowing_db: float


@dataclass(frozen=True, slots=True)
class Link:
    """The two ends of a path. Gains in dBi, the sum of all cable and connector losses in dB.

    Both antenna heights are above the ground at their own end. ``obstacles`` and ``ground`` are heights above the
    base's ground: what stands on the way, and the terrain from end to end in order of distance (empty: flat).
    """

    frequency_mhz: float
    distance_m: float
    base_height_m: float
    rover_height_m: float
    obstacles: tuple[Obstacle, ...] = ()
    power_w: float | None = None
    base_gain_dbi: float = 0.0
    rover_gain_dbi: float = 0.0
    cable_loss_db: float = 0.0
    sensitivity_dbm: float | None = None
    surroundings: str = "rural"
    ground: tuple[Obstacle, ...] = ()

    @property
    def rover_ground_m(self) -> float:
        """Ground under the machine, above that under the base. [m]"""
        return ground_m(self.ground, self.distance_m)

    @property
    def rover_top_m(self) -> float:
        """The machine's antenna above the base's ground. [m]"""
        return self.rover_ground_m + self.rover_height_m

    @property
    def in_the_way(self) -> tuple[Obstacle, ...]:
        """The obstacles given and the tops of the terrain. [m, m]"""
        return (*self.obstacles, *hill_tops(self))


def heights_over_plain_m(link: Link) -> tuple[float, float]:
    """Antenna heights that count against the reflecting ground: above the mean terrain where a foot stands higher. [m]

    Height above average terrain, as ITU-R P.1546 takes it for its transmitting antenna (from memory); never less than
    the height over the antenna's own foot.
    """
    if not link.ground:
        return link.base_height_m, link.rover_height_m
    at = [link.distance_m * i / 50 for i in range(51)]
    mean_m = sum(ground_m(link.ground, x) for x in at) / len(at)
    return link.base_height_m + max(0.0, -mean_m), link.rover_height_m + max(0.0, link.rover_ground_m - mean_m)


def ground_m(ground: Sequence[Obstacle], at_m: float) -> float:
    """Terrain at a distance, between two points in a straight line and beyond the ends level; 0 without terrain. [m]"""
    if not ground:
        return 0.0
    if at_m <= ground[0][0]:
        return ground[0][1]
    for (d0, h0), (d1, h1) in itertools.pairwise(ground):
        if at_m <= d1:
            return h0 + (h1 - h0) * ((at_m - d0) / (d1 - d0) if d1 > d0 else 1.0)
    return ground[-1][1]


def hill_tops(link: Link) -> list[Obstacle]:
    """The terrain's own obstacles: the points that a string pulled tight from antenna to antenna would rest on.

    Where it would rest on none, the one that takes most of its Fresnel zone. Ground that rises less than half a metre
    over the line from foot to foot is the plain, which plane earth counts already; tops nearer to each other than a
    tenth of the path are one hill, or its width would count as many edges (ITU-R P.526 takes the string's points for
    its cascade of edges, from memory; the two limits are common practice, no source).
    """
    d = link.distance_m
    rise_m = link.rover_ground_m
    points = [(x, h) for x, h in link.ground if 0 < x < d and h - rise_m * x / d > LEAST_RISE_M]
    if not points:
        return []

    def over_ray(point: Obstacle) -> float:
        x, h = point
        ray_m = link.base_height_m + (link.rover_top_m - link.base_height_m) * x / d
        return (h + bulge_m(x, d - x) - ray_m) / fresnel1_m(link.frequency_mhz, x, d - x)

    string: list[tuple[float, float]] = []
    for x, z in [(0.0, link.base_height_m), *((x, h + bulge_m(x, d - x)) for x, h in points), (d, link.rover_top_m)]:
        while len(string) > 1 and _is_below(string[-1], string[-2], (x, z)):
            string.pop()
        string.append((x, z))
    height_of = dict(points)
    tops = sorted(((x, height_of[x]) for x, _ in string[1:-1]), key=over_ray, reverse=True)
    kept: list[Obstacle] = []
    for top in tops or [max(points, key=over_ray)]:
        if all(abs(top[0] - other[0]) >= ONE_HILL_SHARE * d for other in kept):
            kept.append(top)
    return sorted(kept)


def _is_below(point: Obstacle, before: Obstacle, after: Obstacle) -> bool:
    """Whether a point lies on or under the straight line between its neighbours."""
    (x0, z0), (x1, z1), (x2, z2) = before, point, after
    return (z1 - z0) * (x2 - x0) <= (z2 - z0) * (x1 - x0)


def work_out(link: Link) -> PathResult:
    """All figures of a path."""
    f, d = link.frequency_mhz, link.distance_m
    h1, h2 = heights_over_plain_m(link)
    free, plane = free_space_db(f, d), plane_earth_db(d, h1, h2)
    blocking = link.in_the_way
    bent = diffraction_db(f, d, link.base_height_m, link.rover_top_m, blocking)
    beyond = d > horizon_m(h1, h2)
    loss = max(free, plane) + bent
    clearance, critical = _clearance(link, blocking)
    received = math.nan
    if link.power_w is not None:
        sent_dbm = 10.0 * math.log10(link.power_w * 1000.0)
        received = sent_dbm + link.base_gain_dbi + link.rover_gain_dbi - link.cable_loss_db - loss
    margin = math.nan if link.sensitivity_dbm is None else received - link.sensitivity_dbm
    sigma_db = SHADOWING_K[link.surroundings] + 1.3 * math.log10(f)
    available = math.nan
    if not math.isnan(margin):
        available = 0.0 if beyond and margin < 0 else 0.5 * math.erfc(-margin / sigma_db / math.sqrt(2.0))
    return PathResult(
        free, plane, breakpoint_m(f, h1, h2), horizon_m(h1, h2), fresnel1_m(f, critical, d - critical), clearance,
        critical, bent, loss, received, margin, available, sigma_db,
    )  # fmt: skip


def _clearance(link: Link, blocking: Sequence[Obstacle]) -> tuple[float, float]:
    """Least clearance and where: of the obstacle that takes most of its Fresnel zone, else of flat ground mid-way. [m]"""
    d = link.distance_m
    found = edges(link.frequency_mhz, d, link.base_height_m, link.rover_top_m, blocking)
    if found:
        worst = max(found, key=lambda e: e.above_ray_m / e.fresnel1_m)
        return -worst.above_ray_m, worst.distance_m
    middle_m = (link.base_height_m + link.rover_height_m) / 2.0 - bulge_m(d / 2.0, d / 2.0)
    return middle_m, d / 2.0


def mast_needed_m(link: Link, wanted_db: float, most_m: float = MAST_MOST_M) -> float | None:
    """Least height of the base's antenna with ``wanted_db`` of margin and 60 % of the first zone clear of obstacles. [m]

    None where even ``most_m`` is not enough, or where no margin can be worked out and nothing stands in the way.
    """
    height = link.base_height_m
    while height <= most_m:
        if good_enough(work_out(replace(link, base_height_m=height)), link, wanted_db):
            return height
        height += 0.5
    return None


def good_enough(result: PathResult, link: Link, wanted_db: float) -> bool:
    """Whether a worked path has the margin and 60 % of the first Fresnel zone clear of what stands in the way."""
    blocked = bool(link.obstacles or link.ground)
    clear = not blocked or result.clearance_m >= CLEARANCE_SHARE * result.fresnel1_m
    return clear and (blocked if math.isnan(result.margin_db) else result.margin_db >= wanted_db)


def noise_floor_dbm(bandwidth_hz: float, noise_figure_db: float) -> float:
    """Thermal noise at 290 K in a bandwidth, with the receiver's own: -133.0 dBm + noise figure in 12.5 kHz."""
    return 10.0 * math.log10(BOLTZMANN_J_K * 290.0 * bandwidth_hz * 1000.0) + noise_figure_db
