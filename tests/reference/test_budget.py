"""The closed form of the error at the edge against errors that are drawn and carried through the geometry one by one.

Outside: numpy's generator and plain geometry; the 95 % of the draws is a count, not a formula. Sources of the sigmas are
in docs/theory/budget.md; this tests that they are put together rightly.
"""

from __future__ import annotations

import numpy as np
import pytest

from hubtack.engine.quantities import AGE_GROWTH_M_PER_SQRT_S, AGE_GROWTH_VERTICAL, PAIR_SIGMA_ACROSS_M, quantities
from hubtack.engine.setup import Setup
from hubtack.epochs.columns import Epochs

DRAWS = 400_000
CASES = [
    # major, minor, orientation, up, age, heading, reach, separation, slope
    (0.010, 0.008, 0.0, 0.016, 1.0, 0.0, 9.0, 1.8, 0.0),
    (0.030, 0.009, 35.0, 0.040, 4.0, 120.0, 9.0, 1.8, 0.02),
    (0.014, 0.012, 80.0, 0.022, 9.0, 300.0, 6.0, 1.2, 0.0),
    (0.020, 0.010, 10.0, 0.030, 2.0, 10.0, 12.0, 2.4, 0.25),
]


@pytest.mark.parametrize("case", CASES)
def test_95_percent_of_drawn_errors_lie_within_the_stated_error(case: tuple[float, ...]) -> None:
    major, minor, orientation, up, age, heading, reach, separation, slope = case
    setup = Setup(reach_m=reach, pair_separation_m=separation, slope=slope, assumed_baseline_m=1500.0)
    e = Epochs.blank(1)
    e.latitude_deg[:], e.longitude_deg[:], e.h_geoid_m[:], e.geoid_separation_m[:] = -45.0, 170.0, 8.0, 4.0
    e.quality[:], e.age_s[:], e.heading_deg[:] = 4.0, age, heading
    e.sigma_major_m[:], e.sigma_minor_m[:], e.orientation_deg[:], e.sigma_up_m[:] = major, minor, orientation, up
    e.sigma_north_m[:], e.sigma_east_m[:] = major, minor
    q = quantities(e, setup, arp_ecef_m=np.full((1, 3), np.nan), base_computed=np.zeros(1, dtype=bool),
                   obs_utc_ms=np.full(1, np.nan), heading_deg=np.array([heading]))  # fmt: skip

    rng = np.random.default_rng(17)
    floor_h = setup.horizontal_m + setup.horizontal_ppm * 1.5e-3
    floor_v = setup.vertical_m + setup.vertical_ppm * 1.5e-3
    # The position's error is drawn along the axes of its ellipse and turned to north and east, then to the reach.
    a, b = rng.normal(size=(2, DRAWS)) * np.array([[major], [minor]])
    theta, psi = np.radians(orientation), np.radians(heading)
    north, east = a * np.cos(theta) - b * np.sin(theta), a * np.sin(theta) + b * np.cos(theta)
    along, across = north * np.cos(psi) + east * np.sin(psi), -north * np.sin(psi) + east * np.cos(psi)
    # What lies below the receiver's own floor is widened to it, as the budget does.
    along *= max(1.0, floor_h / along.std())
    across *= max(1.0, floor_h / across.std())
    growth = AGE_GROWTH_M_PER_SQRT_S * np.sqrt(age)
    along += rng.normal(size=DRAWS) * growth + rng.normal(size=DRAWS) * setup.linkage_sigma_m
    across += rng.normal(size=DRAWS) * growth + rng.normal(size=DRAWS) * setup.linkage_sigma_m
    # A heading error swings the edge about the antenna: reach times its sine.
    across += reach * np.sin(rng.normal(size=DRAWS) * PAIR_SIGMA_ACROSS_M / separation)
    height = rng.normal(size=DRAWS) * max(up, floor_v) + rng.normal(size=DRAWS) * growth * AGE_GROWTH_VERTICAL
    height += reach * np.sin(rng.normal(size=DRAWS) * np.radians(setup.tilt_sigma_deg))
    height += rng.normal(size=DRAWS) * setup.linkage_sigma_m + slope * across
    assert np.quantile(np.abs(height), 0.95) == pytest.approx(q.edge_vertical_95_m[0], rel=0.01)
    # The axes of along and across are the budget's; a slant ellipse keeps a correlation that they leave out, on the safe side.
    drawn = np.quantile(np.hypot(along, across), 0.95)
    assert drawn <= q.edge_horizontal_95_m[0] * 1.01
    assert drawn >= q.edge_horizontal_95_m[0] * 0.90
