"""Geometry of the Earth: ellipsoid, topocentric frames, geodesics. Arrays in, arrays out, no I/O."""

from hubtack.geo.ellipsoid import (
    ecef_offset_to_enu,
    ecef_to_geodetic,
    enu_rotation,
    enu_to_ecef_offset,
    geodetic_to_ecef,
)

__all__ = [
    "ecef_offset_to_enu",
    "ecef_to_geodetic",
    "enu_rotation",
    "enu_to_ecef_offset",
    "geodetic_to_ecef",
]
