"""Set-out and slopes against figures from outside the code."""

from __future__ import annotations

import math

import pytest

from hubtack.control import setout as so
from hubtack.knowledge.pipe_slopes import LEAST_VELOCITY_FT_S, MANNING_N, PIPE_SLOPES, least_slope


def test_three_feet_of_touched_points_miss_by_ninety_one_centimetres_at_a_hundred_feet():
    # Derived by hand, no published source: k = 100/3, sqrt(k^2 + (k-1)^2) = 46.44, times 10 mm and 1.96 = 0.910 m;
    # grade 1.96 sqrt(2) 10 mm / 0.9144 m = 3.03 %.
    result = so.set_out(
        separation_m=3 * 0.3048, length_m=100 * 0.3048, sigma_m=0.010, sigma_height_m=0.010, tolerance_95_m=None
    )
    assert result.far_end_error_95_m == pytest.approx(0.910, abs=0.0005)
    assert result.far_end_height_95_m == pytest.approx(0.910, abs=0.0005)
    assert result.grade_error_95 == pytest.approx(0.0303, abs=0.00005)
    assert result.bearing_sigma_deg == pytest.approx(0.886, abs=0.0005)


def test_three_feet_cost_three_metres_over_a_hundred_metres():
    # Derived by hand: k = 109.36, sqrt(k^2 + (k-1)^2) = 153.96, times 10 mm and 1.96 = 3.018 m.
    assert so.Z95 * float(so.far_end_sigma_m(0.9144, 100.0, 0.010)) == pytest.approx(3.018, abs=0.001)


@pytest.mark.parametrize(
    ("run_m", "percent"), [(3, 1.48), (5, 0.89), (10, 0.44), (20, 0.22), (30, 0.15), (50, 0.09), (100, 0.04)]
)
def test_grade_error_of_two_shots_of_sixteen_millimetres(run_m, percent):
    # Derived table, sigma 16 mm a shot, two independent shots, 95 %: 44 mm on the fall (JCGM 100:2008, eq. 10).
    assert 100 * so.Z95 * float(so.grade_sigma(run_m, 0.016)) == pytest.approx(percent, abs=0.006)


def test_a_fall_is_lost_in_two_shots_below_eleven_metres_at_four_per_mille():
    # Derived from the same 44 mm: 11 m at 0.40 %, 2.2 m at 2 %.
    assert so.run_for_slope_m(0.0040, 0.016) == pytest.approx(11.1, abs=0.05)
    assert so.run_for_slope_m(0.02, 0.016) == pytest.approx(2.2, abs=0.05)


@pytest.mark.parametrize("row", PIPE_SLOPES, ids=lambda row: f"{row.diameter_in:g} in")
def test_every_least_slope_carries_two_feet_a_second(row):
    # Manning's formula for a full pipe in US units (textbook): v = 1.486/n (D/4)^(2/3) sqrt(S), D in feet.
    velocity = 1.486 / MANNING_N * (row.diameter_in / 12 / 4) ** (2 / 3) * math.sqrt(row.slope_m_per_m)
    assert LEAST_VELOCITY_FT_S - 0.005 <= velocity < 2.25


# Purcell, Oklahoma, section 12-488 (seen): the rows of its table that were copied without a fault.
@pytest.mark.parametrize(
    ("inches", "percent"),
    [(8, 0.40), (12, 0.22), (14, 0.17), (15, 0.15), (16, 0.14), (18, 0.12), (21, 0.10), (24, 0.08)],
)
def test_least_slopes_are_those_of_an_ordinance(inches, percent):
    row = least_slope(inches * 25.4)
    assert row is not None
    assert row.slope_m_per_m == pytest.approx(percent / 100)


def test_metric_pipes_take_the_row_of_the_size_below_or_beside_them():
    assert [least_slope(mm).diameter_in for mm in (200, 225, 300, 315, 450, 1200)] == [8, 8, 12, 12, 18, 42]
    assert least_slope(110) is None
