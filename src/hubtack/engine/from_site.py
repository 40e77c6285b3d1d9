"""The engine's setup from a site file: the one place where the two meet."""

from __future__ import annotations

import numpy as np

from hubtack.engine.setup import Setup
from hubtack.geo import geodetic_to_ecef
from hubtack.site import Site


def setup_of(site: Site, *, has_arrival: bool = False, has_corrections: bool = False) -> Setup:
    """Setup for a site; ``has_arrival`` and ``has_corrections`` say what the sources are."""
    vertical_m, horizontal_m = site.job.tolerance_95_m()
    return Setup(
        overrides=dict(site.limits),
        tolerance_vertical_95_m=vertical_m,
        tolerance_horizontal_95_m=horizontal_m,
        job_class=site.job.class_,
        slope=site.job.slope,
        require_check=site.job.require_check,
        machine_kind=site.machine.kind,
        pair_separation_m=site.machine.antenna_separation_m,
        heading_offset_deg=site.machine.heading_offset_deg,
        antenna_right_m=site.machine.antenna_right_m,
        antenna_forward_m=site.machine.antenna_forward_m,
        reach_m=site.machine.reach_m,
        linkage_sigma_m=site.machine.linkage_sigma_m,
        tilt_sigma_deg=site.machine.tilt_sigma_deg,
        horizontal_m=site.receiver.horizontal_m,
        horizontal_ppm=site.receiver.horizontal_ppm,
        vertical_m=site.receiver.vertical_m,
        vertical_ppm=site.receiver.vertical_ppm,
        assumed_baseline_m=site.receiver.assumed_baseline_m,
        base_ecef_m=base_ecef_m(site),
        heard_elsewhere=site.corrections.heard_at == "elsewhere",
        has_arrival=has_arrival,
        has_corrections=has_corrections,
    )


def base_ecef_m(site: Site) -> tuple[float, float, float] | None:
    """ARP of the site's base, Earth-centred; a base given as a mark is raised by its antenna height. [m]"""
    base = site.site.base
    if base is None:
        return None
    height_m = base.height_m + (base.antenna_height_m if base.point == "mark" else 0.0)
    xyz = geodetic_to_ecef(np.array([base.latitude_deg]), np.array([base.longitude_deg]), np.array([height_m]))[0]
    return float(xyz[0]), float(xyz[1]), float(xyz[2])
