"""Each figure of a row by itself: baseline, age, and every share of the error at the edge, from plain numbers.

Rows are worked out together and one by one, and both must be the same to the bit. Outside: independent parts add by
their squares and a step of q has the sigma q / sqrt(12) (JCGM 100:2008, eq. 10 and 4.3.7); a minute of arc is 1852 m, the
sea mile (ISO 80000-3); the rest is plain geometry.
"""

from __future__ import annotations

import math
from dataclasses import fields
from typing import Any

import numpy as np
import pytest

from hubtack.engine.quantities import Quantities, best_possible, best_possible_vertical_95_m, quantities, r95_factor
from hubtack.engine.setup import Setup
from hubtack.epochs.columns import Epochs
from hubtack.geo import geodetic_to_ecef
from hubtack.knowledge import fix_types as ft

NAN = float("nan")
Z95 = 1.959963985  # 97.5 % point of the normal distribution
R95_CIRCLE = 2.4477468  # sqrt(-2 ln 0.05): the circle that holds 95 % of two equal normal errors
# Nothing of the machine and the receiver: each share is then seen alone.
BARE: dict[str, Any] = {
    "horizontal_m": 0.0, "horizontal_ppm": 0.0, "vertical_m": 0.0, "vertical_ppm": 0.0, "linkage_sigma_m": 0.0,
    "tilt_sigma_deg": 0.0, "reach_m": 9.0,
}  # fmt: skip
PLACE_DEG = (-45.0, 170.0)


def rows(n: int = 1, **columns: Any) -> Epochs:
    """Rows of a fixed rover that says where it is and nothing of how well."""
    e = Epochs.blank(n)
    e.latitude_deg[:], e.longitude_deg[:] = PLACE_DEG
    e.h_geoid_m[:], e.geoid_separation_m[:], e.quality[:] = 8.0, 4.0, 4.0
    for name, value in columns.items():
        getattr(e, name)[:] = value
    return e


def place(h_m: float = 12.0, north_deg: float = 0.0, east_deg: float = 0.0) -> list[float]:
    """Earth-centred place beside the rover's. [m]"""
    lat, lon = PLACE_DEG
    return geodetic_to_ecef(np.array([lat + north_deg]), np.array([lon + east_deg]), np.array([h_m]))[0].tolist()  # type: ignore[no-any-return]


def figures(
    e: Epochs,
    setup: Setup | None = None,
    *,
    arp: Any = NAN,
    computed: Any = False,
    obs_ms: Any = NAN,
    heading: Any = NAN,
) -> Quantities:
    """All rows at once; one by one must give the same."""
    n, setup = len(e), setup or Setup(**BARE)
    link = {
        "arp_ecef_m": np.broadcast_to(np.asarray(arp, dtype=float), (n, 3)).copy(),
        "base_computed": np.broadcast_to(np.asarray(computed), n).copy(),
        "obs_utc_ms": np.broadcast_to(np.asarray(obs_ms, dtype=float), n).copy(),
        "heading_deg": np.broadcast_to(np.asarray(heading, dtype=float), n).copy(),
    }
    whole = quantities(e, setup, **link)
    for i in range(n):
        own = slice(i, i + 1)
        alone = quantities(e.take(own), setup, **{name: column[own] for name, column in link.items()})
        for field in fields(Quantities):
            together = getattr(whole, field.name)
            assert len(together) == n, field.name
            np.testing.assert_array_equal(getattr(alone, field.name), together[own], err_msg=field.name)
    return whole


def vertical(q: Quantities) -> list[float]:
    """Vertical error at the edge as 1 sigma. [m]"""
    return (q.edge_vertical_95_m / Z95).tolist()


def along_across(q: Quantities) -> list[list[float]]:
    """The two horizontal sigmas at the edge, of each row. [m]"""
    return q.share_horizontal_m.tolist()  # type: ignore[no-any-return]


# What a row says ------------------------------------------------------------------------------------------------------


def test_fix_types_are_those_of_the_quality_and_any_other_number_is_no_fix() -> None:
    said = {
        0.0: ft.NONE, 1.0: ft.AUTONOMOUS, 2.0: ft.DIFFERENTIAL, 3.0: ft.OTHER, 4.0: ft.FIXED, 5.0: ft.FLOAT,
        6.0: ft.OTHER, 7.0: ft.OTHER, 8.0: ft.OTHER, 9.0: ft.OTHER, 10.0: ft.NONE, -1.0: ft.NONE, NAN: ft.NONE,
    }  # fmt: skip
    e = rows(len(said), quality=list(said))
    assert figures(e).fix.tolist() == list(said.values()) and figures(e).fix.dtype == np.int64
    assert figures(rows(2, quality=[0.0, 9.0])).fix.tolist() == [ft.NONE, ft.OTHER]


def test_the_height_is_above_the_ellipsoid_only_where_the_separation_is_said() -> None:
    q = figures(rows(2, geoid_separation_m=[4.0, NAN]), arp=place(12.0))
    assert q.h_ellipsoid_m[0] == 12.0 and np.isnan(q.h_ellipsoid_m[1])
    # Without it the height above the geoid serves for the place: 4 m of height are 4 m here, and little on a baseline.
    assert q.baseline_m.tolist() == pytest.approx([0.0, 4.0], abs=1e-6)
    assert q.pos_ecef_m[0].tolist() == pytest.approx(place(12.0)) and q.pos_ecef_m[1].tolist() == pytest.approx(
        place(8.0)
    )
    assert np.isnan(figures(rows(latitude_deg=NAN), arp=place()).baseline_m[0])


def test_the_baseline_is_to_the_base_that_is_heard_else_to_the_sites_else_the_stated_one() -> None:
    # A degree of latitude at 45 degrees is 111 131.7 m on WGS 84; on a ten-thousandth of it arc and chord are one.
    north_m = 11.1132
    heard, nothing = place(north_deg=3e-4), [NAN] * 3
    for site, assumed, expected, used in (
        (None, None, [3 * north_m, NAN], [3 * north_m, NAN]),
        (None, 700.0, [3 * north_m, NAN], [3 * north_m, 700.0]),
        (place(north_deg=-2e-4), 700.0, [3 * north_m, 2 * north_m], [3 * north_m, 2 * north_m]),
    ):
        setup = Setup(base_ecef_m=None if site is None else (site[0], site[1], site[2]), assumed_baseline_m=assumed)
        q = figures(rows(2), setup, arp=[heard, nothing])
        assert q.baseline_m.tolist() == pytest.approx(expected, abs=1e-3, nan_ok=True)
        assert q.baseline_used_m.tolist() == pytest.approx(used, abs=1e-3, nan_ok=True)
        assert q.arp_ecef_m[0].tolist() == heard
        assert q.arp_ecef_m[1].tolist() == pytest.approx(site or nothing, nan_ok=True)
    q = figures(rows(2))  # nobody has said anything
    assert np.isnan(q.baseline_m).all() and np.isnan(q.baseline_used_m).all()


def test_a_baseline_counts_in_all_three_directions() -> None:
    x, y, z = place()
    assert figures(rows(), arp=[x + 2.0, y - 3.0, z + 6.0]).baseline_m[0] == pytest.approx(7.0, abs=1e-6)


def test_the_age_of_the_stream_is_the_rovers_time_less_the_epochs_on_the_nearest_day() -> None:
    day = 86_400_000
    tod = [36_000_000, 1_000, day - 500, 0, day // 2, 36_000_000]
    obs = [35_998_500.0, day - 1_000.0, 500.0, 3.0 * day - 7_000.0, 1.0, NAN]
    q = figures(rows(6, tod_ms=tod), obs_ms=obs)
    assert q.age_stream_s.tolist() == pytest.approx([1.5, 2.0, -1.0, 7.0, 43_199.999, NAN], nan_ok=True)
    assert figures(rows(tod_ms=day // 2), obs_ms=0.0).age_stream_s[0] == -43_200.0
    assert np.isnan(figures(rows(3)).age_stream_s).all()


def test_the_age_that_counts_is_the_receivers_own_else_the_streams() -> None:
    e = rows(3, tod_ms=10_000, age_s=[1.25, NAN, NAN])
    q = figures(e, obs_ms=[8_000.0, 8_000.0, NAN])
    assert q.age_used_s.tolist() == pytest.approx([1.25, 2.0, NAN], nan_ok=True)
    assert q.age_s.tolist() == pytest.approx([1.25, NAN, NAN], nan_ok=True)


# The shares, each alone -----------------------------------------------------------------------------------------------


def test_nothing_known_to_be_wrong_is_no_error() -> None:
    q = figures(rows(), heading=NAN)
    assert q.edge_vertical_95_m[0] == q.edge_horizontal_95_m[0] == 0.0
    assert q.share_vertical_m.shape == (1, 7) and q.share_horizontal_m.shape == (1, 2)


def test_the_receivers_constant_and_ppm_are_the_least_of_the_position() -> None:
    setup = Setup(**{**BARE, "horizontal_m": 0.008, "horizontal_ppm": 2.0, "vertical_m": 0.015, "vertical_ppm": 3.0},
                  assumed_baseline_m=5_000.0)  # fmt: skip
    q = figures(rows(), setup)
    assert vertical(q) == pytest.approx([0.015 + 0.015]) and along_across(q) == [pytest.approx([0.018, 0.018])]
    assert q.edge_horizontal_95_m[0] == pytest.approx(R95_CIRCLE * 0.018, rel=1e-4)
    assert q.share_vertical_m[0].tolist() == [pytest.approx(0.030), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]
    # What a network computes grows by a ppm of its own; without a baseline nothing grows.
    q = figures(rows(3), setup, computed=[False, True, True])
    assert vertical(q) == pytest.approx([0.030, 0.0175, 0.0175])
    assert [one[0] for one in along_across(q)] == pytest.approx([0.018, 0.0105, 0.0105])
    assert vertical(figures(rows(), Setup(**{**BARE, "vertical_m": 0.015, "vertical_ppm": 3.0}))) == pytest.approx(
        [0.015]
    )


def test_gst_is_believed_above_the_receivers_own_figure_and_not_below() -> None:
    setup = Setup(**{**BARE, "horizontal_m": 0.010, "vertical_m": 0.020})
    q = figures(rows(3, sigma_up_m=[0.030, 0.005, NAN], sigma_major_m=[0.040, 0.002, NAN], sigma_minor_m=[0.015, 0.001, NAN],
                     orientation_deg=0.0), setup, heading=0.0)  # fmt: skip
    assert vertical(q) == pytest.approx([0.030, 0.020, 0.020])
    heading_m = 0.0035 * 9.0
    assert along_across(q) == [
        pytest.approx([0.040, math.hypot(0.015, heading_m)]), pytest.approx([0.010, math.hypot(0.010, heading_m)]),
        pytest.approx([0.010, math.hypot(0.010, heading_m)]),
    ]  # fmt: skip


def test_each_fix_type_is_never_better_than_its_own_floor() -> None:
    q = figures(rows(5, quality=[1.0, 2.0, 5.0, 6.0, 0.0]))
    assert vertical(q)[:4] == pytest.approx([2.0, 0.5, 0.20, 2.0]) and np.isnan(vertical(q)[4])
    assert [one[0] for one in along_across(q)][:4] == pytest.approx([2.0, 0.5, 0.20, 2.0])
    floats = Setup(**BARE, overrides={"float_floor_m": 0.35})
    assert vertical(figures(rows(2, quality=[5.0, 1.0]), floats)) == pytest.approx([0.35, 2.0])


def test_the_ellipse_is_turned_into_the_direction_of_the_reach() -> None:
    heading_m = 0.0035 * 9.0
    for orientation, heading, along, across in (
        (30.0, 30.0, 0.05, 0.02), (30.0, 120.0, 0.02, 0.05), (30.0, 210.0, 0.05, 0.02),
        (10.0, 55.0, math.sqrt((0.05**2 + 0.02**2) / 2), math.sqrt((0.05**2 + 0.02**2) / 2)),
        (0.0, 60.0, math.sqrt(0.05**2 / 4 + 0.02**2 * 3 / 4), math.sqrt(0.05**2 * 3 / 4 + 0.02**2 / 4)),
    ):  # fmt: skip
        e = rows(sigma_major_m=0.05, sigma_minor_m=0.02, orientation_deg=orientation)
        assert along_across(figures(e, heading=heading)) == [pytest.approx([along, math.hypot(across, heading_m)])]


def test_without_a_direction_the_worse_axis_serves_for_both() -> None:
    e = rows(3, sigma_major_m=0.05, sigma_minor_m=0.02, orientation_deg=[0.0, NAN, 0.0])
    q = figures(e, heading=[0.0, 0.0, NAN])
    across = math.hypot(0.05, 0.0035 * 9.0)
    assert along_across(q) == [
        pytest.approx([0.05, math.hypot(0.02, 0.0035 * 9.0)]), pytest.approx([0.05, across]), pytest.approx([0.05, 0.05]),
    ]  # fmt: skip
    # Without a minor axis the major one serves; without either, north and east together.
    e = rows(3, sigma_major_m=[0.05, NAN, NAN], sigma_north_m=[NAN, 0.03, 0.03], sigma_east_m=[NAN, 0.04, NAN])
    assert [one[0] for one in along_across(figures(e))] == pytest.approx([0.05, 0.05, 0.0])


def test_corrections_grow_older_with_the_root_of_their_age_and_more_in_height() -> None:
    # 3.3 mm times the root of the age, 1.5 times as much in height (see the constants' sources in the module).
    q = figures(rows(5, age_s=[4.0, 0.0, -1.0, NAN, 100.0]))
    assert vertical(q) == pytest.approx([0.0099, 0.0, 0.0, 0.0, 0.0495])
    assert along_across(q) == [pytest.approx([v, v]) for v in (0.0066, 0.0, 0.0, 0.0, 0.033)]
    assert q.share_vertical_m[0].tolist() == [0.0, pytest.approx(0.0099), 0.0, 0.0, 0.0, 0.0, 0.0]


def test_the_heading_swings_the_edge_across_the_reach_alone() -> None:
    for separation_m, reach_m, sigma_m in ((1.8, 9.0, 0.0175), (None, 9.0, 0.0315), (0.7, 6.0, 0.030)):
        setup = Setup(**{**BARE, "reach_m": reach_m}, pair_separation_m=separation_m)
        q = figures(rows(2), setup, heading=[80.0, NAN])
        assert along_across(q) == [pytest.approx([0.0, sigma_m]), [0.0, 0.0]]
        assert q.edge_horizontal_95_m[0] == pytest.approx(Z95 * sigma_m, rel=1e-4) and q.edge_vertical_95_m[0] == 0.0
        assert q.heading_sigma_deg.tolist() == pytest.approx([math.degrees(sigma_m / reach_m), NAN], nan_ok=True)
        assert q.heading_deg.tolist() == pytest.approx([80.0, NAN], nan_ok=True)


def test_tilt_lifts_the_edge_by_its_sine_over_the_reach() -> None:
    q = figures(rows(), Setup(**{**BARE, "tilt_sigma_deg": 0.05}))
    assert vertical(q) == pytest.approx([9.0 * math.sin(math.radians(0.05))], rel=1e-6) and along_across(q) == [
        [0.0, 0.0]
    ]
    assert q.share_vertical_m[0, 3] > 0 and np.count_nonzero(q.share_vertical_m) == 1


def test_linkage_and_wear_count_in_every_direction() -> None:
    q = figures(rows(), Setup(**{**BARE, "linkage_sigma_m": 0.013}))
    assert vertical(q) == pytest.approx([0.013]) and along_across(q) == [pytest.approx([0.013, 0.013])]
    assert q.share_vertical_m[0, 4] == 0.013


def test_what_the_output_cannot_resolve_is_a_share_of_its_own() -> None:
    step = 1.0 / math.sqrt(12.0)
    q = figures(rows(4, height_decimals=[1.0, 3.0, 0.0, NAN], minute_decimals=[8.0, 4.0, 5.0, NAN]))
    assert vertical(q) == pytest.approx([0.1 * step, 0.001 * step, step, 0.0])
    assert [one[0] for one in along_across(q)] == pytest.approx([1852e-8 * step, 0.1852 * step, 0.01852 * step, 0.0])
    assert q.share_vertical_m[0, 5] == pytest.approx(0.1 * step)
    # One decimal of height costs 57 mm at 95 %.
    assert figures(rows(3, height_decimals=1.0)).edge_vertical_95_m.tolist() == pytest.approx([0.0566] * 3, abs=1e-4)
    assert vertical(figures(rows(2, height_decimals=[40.0, 3.0])))[0] < 1e-30
    assert vertical(figures(rows(2, height_decimals=40.0)))[1] < 1e-30


def test_on_a_slope_an_error_across_is_an_error_of_height() -> None:
    for slope in (0.02, -0.02):
        q = figures(rows(), Setup(**BARE, slope=slope, pair_separation_m=1.8), heading=0.0)
        assert vertical(q) == pytest.approx([0.02 * 0.0175]) and q.share_vertical_m[0, 6] == pytest.approx(0.00035)


def test_shares_add_by_their_squares() -> None:
    setup = Setup(horizontal_m=0.0, horizontal_ppm=0.0, vertical_m=0.015, vertical_ppm=0.0, tilt_sigma_deg=0.05, slope=0.1,
                  linkage_sigma_m=0.013, reach_m=9.0, pair_separation_m=1.8)  # fmt: skip
    q = figures(rows(age_s=9.0, height_decimals=2.0, minute_decimals=7.0, sigma_major_m=0.012, sigma_minor_m=0.009,
                     orientation_deg=0.0), setup, heading=0.0)  # fmt: skip
    age, step_v, step_h = 0.0099, 0.01 / math.sqrt(12.0), 1852e-7 / math.sqrt(12.0)
    along = math.sqrt(0.012**2 + age**2 + 0.013**2 + step_h**2)
    across = math.sqrt(0.009**2 + age**2 + 0.013**2 + step_h**2 + 0.0175**2)
    assert along_across(q) == [pytest.approx([along, across])]
    tilt = 9.0 * math.radians(0.05)
    parts = [0.015, 1.5 * age, 0.0, tilt, 0.013, step_v, 0.1 * across]
    assert q.share_vertical_m[0].tolist() == pytest.approx(parts)
    assert vertical(q) == pytest.approx([math.sqrt(sum(p * p for p in parts))])
    ratio = np.array([min(along, across) / max(along, across)])
    assert q.edge_horizontal_95_m[0] == pytest.approx(r95_factor(ratio)[0] * max(along, across))


def test_the_dilution_is_handed_on() -> None:
    assert figures(rows(2, pdop=[1.5, NAN])).pdop.tolist() == pytest.approx([1.5, NAN], nan_ok=True)


# Seen from the base, and at best --------------------------------------------------------------------------------------


def test_bearing_and_height_as_seen_from_the_base() -> None:
    # The rover stands north, east, south and west of the base; 90 degrees apart, and 5 m above it.
    for north, east, bearing in ((-1e-4, 0.0, 0.0), (0.0, -1e-4, 90.0), (1e-4, 0.0, 180.0), (0.0, 1e-4, 270.0)):
        q = figures(rows(2), arp=[[NAN] * 3, place(7.0, north, east)])
        bearing_deg, up_m = q.from_base(1)
        assert (bearing_deg - bearing + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-3)
        assert 0.0 <= bearing_deg < 360.0 and up_m == pytest.approx(5.0, abs=1e-6)
        assert all(math.isnan(v) for v in q.from_base(0))
    q = figures(rows(geoid_separation_m=NAN), arp=place(7.0, -1e-4))
    assert q.from_base(0)[0] % 360.0 == pytest.approx(0.0, abs=1e-3) and math.isnan(q.from_base(0)[1])


def test_at_best_the_error_is_that_of_position_tilt_and_linkage() -> None:
    setup = Setup(vertical_m=0.010, vertical_ppm=2.0, tilt_sigma_deg=0.1, reach_m=6.0, linkage_sigma_m=0.004)
    tilt = 6.0 * math.radians(0.1)
    assert best_possible_vertical_95_m(setup, 3_000.0) == pytest.approx(Z95 * math.sqrt(0.016**2 + tilt**2 + 0.004**2))
    assert best_possible_vertical_95_m(setup, NAN) == pytest.approx(Z95 * math.sqrt(0.010**2 + tilt**2 + 0.004**2))
    best_m = best_possible_vertical_95_m(setup, 0.0)
    for share, word in ((0.9501, "ROUGH"), (0.9499, "GRADE")):
        tight = Setup(vertical_m=0.010, vertical_ppm=2.0, tilt_sigma_deg=0.1, reach_m=6.0, linkage_sigma_m=0.004,
                      tolerance_vertical_95_m=best_m / share)  # fmt: skip
        assert best_possible(tight, 0.0) == (word, best_m)
    exact = Setup(**BARE, tolerance_vertical_95_m=0.0)
    assert best_possible(exact, 0.0) == ("GRADE", 0.0)


def test_the_factor_of_the_ellipse_at_its_ends() -> None:
    found = r95_factor(np.array([0.0, 1.0, NAN])).tolist()
    assert found == pytest.approx([Z95, R95_CIRCLE, NAN], abs=5e-5, nan_ok=True)
