"""A path seen from the side: ground with the earth's bulge, the ray, and the first Fresnel zone about it."""

from __future__ import annotations

from dataclasses import dataclass

from hubtack.radio.path import Link, bulge_m, fresnel1_m, ground_m

STEPS = 60


@dataclass(frozen=True, slots=True)
class Profile:
    """Points from base to rover, all (N,) in metres above the base's ground; ``zone_m`` is the zone's radius."""

    distance_m: tuple[float, ...]
    ground_m: tuple[float, ...]
    ray_m: tuple[float, ...]
    zone_m: tuple[float, ...]


def profile(link: Link) -> Profile:
    """The path in 60 equal steps, with every obstacle and every point of the terrain among them."""
    d = link.distance_m
    at = {d * i / STEPS for i in range(STEPS + 1)}
    at |= {x for x, _ in (*link.ground, *link.obstacles) if 0 <= x <= d}
    points = sorted(at)
    slope = (link.rover_top_m - link.base_height_m) / d
    return Profile(
        tuple(points),
        tuple(ground_m(link.ground, x) + bulge_m(x, d - x) for x in points),
        tuple(link.base_height_m + slope * x for x in points),
        tuple(fresnel1_m(link.frequency_mhz, x, d - x) for x in points),
    )
