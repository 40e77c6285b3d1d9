"""A site's control marks as Earth-centred positions: a base may have been given the coordinates of a wrong one."""

from __future__ import annotations

from hubtack.errors import UsageError
from hubtack.site import Site


def marks_ecef_m(site: Site) -> dict[str, tuple[float, float, float]]:
    """Earth-centred position of each control mark by name; empty where the site names no grid. [m]

    A height above the geoid takes the site's separation; a mark that would need one that is not known is left out.
    """
    import numpy as np

    from hubtack.geo import geodetic_to_ecef
    from hubtack.geo.crs import find_crs, from_grid
    from hubtack.geo.local_grid import from_local

    known = site.site
    out: dict[str, tuple[float, float, float]] = {}
    for mark in known.control:
        height_m = mark.height_m
        if mark.height_datum == "geoid":
            if known.geoid_separation_m is None:
                continue
            height_m += known.geoid_separation_m
        east, north = np.array([mark.easting_m]), np.array([mark.northing_m])
        if known.local is not None:
            lat, lon, height = from_local(known.local, east, north, np.array([height_m]))
        elif known.crs is not None:
            try:
                lat, lon = from_grid(find_crs(known.crs), east, north)
            except UsageError:
                return {}  # the commands that need the grid complain about it
            height = np.array([height_m])
        else:
            return {}
        x, y, z = geodetic_to_ecef(lat, lon, height)[0]
        if np.isfinite(x + y + z):
            out[mark.name] = (float(x), float(y), float(z))
    return out
