"""Radio figures beside those of others: what is computed, what they say, and how far apart the two may be.

The values of pycraf 2.1.0 and itur 0.4.0 were worked with those libraries on Python 3.11 (their calls are named in each
source). ``docs/theory/radio.md`` holds the same rows; test_radio_table.py keeps the two alike.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from hubtack.radio.path import (
    breakpoint_m,
    bulge_m,
    diffraction_db,
    edge_parameter,
    edges,
    free_space_db,
    fresnel1_m,
    horizon_m,
    knife_edge_db,
    noise_floor_dbm,
    plane_earth_db,
)


@dataclass(frozen=True)
class Case:
    """One figure."""

    quantity: str
    of: str
    computed: Callable[[], float]
    reference: float
    tolerance: float
    source: str


FSPL = "pycraf 2.1.0, conversions.free_space_loss"
ITUR = "itur 0.4.0, itu530.fresnel_ellipse_radius (17.3 form, 0.1 % less)"
DEYGOUT = "pycraf 2.1.0, pathprof.loss_diffraction, P.452-14, less its constant 10 + 0.04 d"
NU = "pycraf 2.1.0, pathprof.PathProp.nu_m50 (its earth radius is 8477 km)"


def _v(f: float, d: float, h1: float, h2: float, at: float, high: float) -> float:
    edge = edges(f, d, h1, h2, [(at, high)])[0]
    return edge_parameter(f, edge.distance_m, d - edge.distance_m, edge.above_ray_m)


CASES: tuple[Case, ...] = (
    *(
        Case("free space [dB]", f"{f} MHz, {d:g} m", lambda f=f, d=d: free_space_db(f, d), ref, 1e-3, FSPL)
        for f, d, ref in (
            (410, 50, 58.6829), (410, 7500, 102.2047), (450, 250, 73.4708), (450, 1000, 85.512), (450, 20000, 111.5326),
            (470, 3000, 95.4322), (915, 50, 65.6556), (915, 1000, 91.6762), (915, 7500, 109.1774),
        )
    ),
    *(
        Case("first Fresnel zone [m]", f"{f} MHz, {a:g} and {b:g} m", lambda f=f, a=a, b=b: fresnel1_m(f, a, b), ref, 0.002 * ref, ITUR)
        for f, a, b, ref in (
            (450, 100, 900, 7.7368), (450, 1000, 1000, 18.2358), (915, 500, 2500, 11.6743), (470, 200, 1800, 10.7062),
            (450, 5000, 5000, 40.7765),
        )
    ),
    *(
        Case("edge parameter", f"{f} MHz, {d} m, {h1} and {h2} m, edge {at},{high}",
             lambda f=f, d=d, h1=h1, h2=h2, at=at, high=high: _v(f, d, h1, h2, at, high), ref, 1e-3, NU)
        for f, d, h1, h2, at, high, ref in (
            (450, 2000, 5, 3, 900, 8, 0.3083), (450, 3000, 5, 3, 1500, 14, 0.6411), (915, 4000, 8, 3, 2000, 16, 0.8388),
            (450, 5000, 20, 3, 2500, 8, -0.1535), (470, 10000, 10, 4, 6000, 22, 0.6150),
        )
    ),
    *(
        Case("several edges [dB]", f"{f} MHz, {d} m, {h1} and {h2} m, " + " ".join(f"{a},{h}" for a, h in over),
             lambda f=f, d=d, h1=h1, h2=h2, over=over: diffraction_db(f, d, h1, h2, over), ref, 0.03, DEYGOUT)
        for f, d, h1, h2, over, ref in (
            (450, 2000, 5, 3, [(900, 8)], 8.6962), (450, 3000, 5, 3, [(1000, 12), (2000, 11)], 17.3955),
            (450, 3000, 5, 3, [(600, 7), (1500, 14), (2400, 9)], 21.7137),
            (915, 4000, 8, 3, [(800, 10), (2000, 16), (3600, 7)], 24.0341), (450, 5000, 20, 3, [(2500, 8)], 4.7214),
            (470, 10000, 10, 4, [(2000, 16), (6000, 22), (9000, 12)], 24.0148),
        )
    ),
    *(
        Case("knife edge [dB]", f"v = {v:g}", lambda v=v: knife_edge_db(v), ref, 0.14, "exact Fresnel integrals (scipy.special.fresnel)")
        for v, ref in ((-0.5, 1.859), (0.0, 6.021), (0.5, 10.234), (1.0, 13.864), (2.4, 20.618), (5.0, 26.936))
    ),
    Case("bulge of the earth [m]", "mid-way of 10 km", lambda: bulge_m(5000, 5000), 1.472, 1e-3, "d1 d2 / (2 k a), k = 4/3"),
    Case("radio horizon [m]", "10 and 3 m", lambda: horizon_m(10, 3), 4120 * (10**0.5 + 3**0.5), 20.0,
         "4.12 (sqrt h1 + sqrt h2) km, handbook form"),
    Case("plane earth [dB]", "1000 m, 5 and 3 m", lambda: plane_earth_db(1000, 5, 3), 96.478, 1e-3, "40 log d - 20 log h1 h2"),
    Case("crossover [m]", "800 MHz, 30 and 1.5 m", lambda: math.pi * breakpoint_m(800, 30, 1.5), 1509.0, 1.0,
         "published example, about 1.5 km (4 pi h1 h2 / wavelength)"),
    Case("thermal noise [dBm]", "12.5 kHz", lambda: noise_floor_dbm(12_500, 0.0), -133.006, 1e-2, "-173.975 dBm/Hz at 290 K"),
    Case("thermal noise [dBm]", "25 kHz, noise figure 7 dB", lambda: noise_floor_dbm(25_000, 7.0), -122.996, 1e-2, "the same"),
)  # fmt: skip


def row(case: Case) -> str:
    """The case as a row of the table in the documentation."""
    value = case.computed()
    return f"| {case.quantity} | {case.of} | {value:.3f} | {case.reference:.3f} | {case.source} |"
