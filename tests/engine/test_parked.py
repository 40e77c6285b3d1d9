"""Parked overnight: what counts as a shift, and what says nothing."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy import stats

from hubtack.engine.parked import DEFAULT_LIMITS, Stand, compare
from hubtack.geo import enu_to_ecef_offset, geodetic_to_ecef

PLACE = geodetic_to_ecef(np.array([-45.0]), np.array([170.0]), np.array([12.0]))[0]
NIGHT_S = 12 * 3600.0
SIGMA_H, SIGMA_V = 0.010, 0.017


def stand(east_m: float = 0.0, north_m: float = 0.0, up_m: float = 0.0, heading_deg: float = 40.0) -> Stand:
    offset = enu_to_ecef_offset(np.array([[east_m, north_m, up_m]]), np.array([-45.0]), np.array([170.0]))[0]
    x, y, z = PLACE + offset
    return Stand((float(x), float(y), float(z)), 0, heading_deg, 30)


def test_a_shift_is_told_as_a_vector() -> None:
    shift = compare(stand(), stand(0.12, -0.05, 0.21), NIGHT_S, SIGMA_H, SIGMA_V)
    assert shift is not None
    assert shift.enu_m == pytest.approx((0.12, -0.05, 0.21), abs=1e-6)


def test_noise_of_two_mornings_is_no_shift() -> None:
    """3.3 sigma of a difference, by the normal distribution of scipy: one comparison in a thousand and an axis."""
    assert 2 * stats.norm.sf(DEFAULT_LIMITS.sigmas) < 1.0e-3
    rng = np.random.default_rng(5)
    false = 0
    for _ in range(2000):
        e, n, u = rng.normal(size=3) * np.array([SIGMA_H, SIGMA_H, SIGMA_V]) * np.sqrt(2.0)
        false += compare(stand(), stand(e, n, u), NIGHT_S, SIGMA_H, SIGMA_V) is not None
    # In plan two axes share one limit: exp(-3.3**2 / 2) = 0.4 %, and 0.1 % in height.
    assert false / 2000 < 3 * (np.exp(-(DEFAULT_LIMITS.sigmas**2) / 2) + 1e-3)


@pytest.mark.parametrize("apart_s", [3600.0, 5 * 86_400.0])
def test_a_lunch_break_and_a_week_say_nothing(apart_s: float) -> None:
    assert compare(stand(), stand(0.5), apart_s, SIGMA_H, SIGMA_V) is None


def test_a_house_that_was_turned_says_nothing() -> None:
    assert compare(stand(), stand(0.5, heading_deg=60.0), NIGHT_S, SIGMA_H, SIGMA_V) is None
    assert compare(stand(heading_deg=359.0), stand(0.5, heading_deg=1.0), NIGHT_S, SIGMA_H, SIGMA_V) is not None


def test_without_a_heading_the_position_alone_speaks() -> None:
    nan = float("nan")
    assert compare(stand(heading_deg=nan), stand(0.5, heading_deg=nan), NIGHT_S, SIGMA_H, SIGMA_V) is not None


def test_a_machine_that_was_driven_says_nothing() -> None:
    assert compare(stand(), stand(8.0), NIGHT_S, SIGMA_H, SIGMA_V) is None


def test_a_handful_of_seconds_is_no_stand() -> None:
    few = dataclasses.replace(stand(0.5), n=5)
    assert compare(stand(), few, NIGHT_S, SIGMA_H, SIGMA_V) is None
