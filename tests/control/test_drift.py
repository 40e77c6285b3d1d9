"""A mark over time: two visits, many visits, and the base between days."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from scipy import stats

from hubtack.control.base_days import BaseDay, base_steps
from hubtack.control.drift import Visit, compare, trend

START = dt.datetime(2026, 3, 4, 7, tzinfo=dt.UTC)
SIGMA = np.array([0.008, 0.008, 0.015])


def visit(hours: float, residual: tuple[float, float, float], sigma: np.ndarray = SIGMA) -> Visit:
    return Visit(START + dt.timedelta(hours=hours), np.array(residual), sigma)


def test_two_visits_a_minute_apart_that_agree_say_little_and_four_hours_apart_they_agree():
    close = compare(visit(0, (0, 0, 0)), visit(1 / 60, (0.001, 0, 0)))
    assert (close.differs, close.independent) == (None, False)
    later = compare(visit(0, (0, 0, 0)), visit(5, (0.001, 0, 0)))
    assert (later.differs, later.independent, later.apart_s) == (False, True, 18_000.0)


def test_a_change_beyond_what_two_visits_explain_differs_however_close():
    # 1.96 sqrt(15^2 + 15^2) = 41.6 mm (JCGM 100:2008, eq. 10).
    got = compare(visit(0, (0, 0, 0)), visit(0.1, (0, 0, 0.045)))
    assert got.differs is True
    assert got.noise_95_m[2] == pytest.approx(0.0416, abs=0.0001)
    assert got.words.startswith("up differs")


def test_visits_without_a_date_or_a_height_are_compared_as_far_as_they_go():
    no_date = Visit(None, np.array([0.0, 0.0, np.nan]), SIGMA)
    got = compare(no_date, visit(1, (0.001, 0, 0)))
    assert (got.differs, got.independent) == (None, False)
    assert np.isnan(got.apart_s)


def test_a_drift_larger_than_its_sigma_allows_is_named_by_axis():
    visits = [visit(24 * d, (0.0, 0.0, 0.010 * d)) for d in range(8)]
    got = trend(visits)
    assert got is not None
    assert got.significant == ("up",)
    assert got.rate_m_per_day[2] == pytest.approx(0.010)


def test_many_visits_that_scatter_little_show_a_drift_that_cautious_sigmas_would_hide():
    rng = np.random.default_rng(2)
    up = [0.0054 * d + 0.004 * float(rng.standard_normal()) for d in range(9)]
    got = trend([visit(24 * d, (0.0, 0.0, u)) for d, u in enumerate(up)])
    assert got is not None
    assert got.significant == ("up",)
    # scipy: the slope and its standard error by ordinary least squares, since all sigmas are equal.
    line = stats.linregress(np.arange(9), up)
    assert (got.rate_m_per_day[2], got.sigma_m_per_day[2]) == pytest.approx((line.slope, line.stderr), rel=1e-9)


def test_noise_is_hardly_ever_a_drift():
    rng = np.random.default_rng(6)
    cries = 0
    for _ in range(300):
        got = trend([visit(24 * d, tuple(rng.normal(0, 1, 3) * SIGMA)) for d in range(8)])
        assert got is not None
        cries += len(got.significant)
    assert cries <= 8  # 900 axes at 1 in 370, twice looked at


def test_few_visits_or_one_day_are_no_trend():
    assert trend([visit(0, (0, 0, 0)), visit(24, (0, 0, 0))]) is None
    assert trend([visit(h, (0, 0, 0.01 * h)) for h in range(5)]) is None
    assert trend([Visit(None, np.zeros(3), SIGMA)] * 5) is None


ARP = (-4449212.0, 783521.0, -4489730.0)


def day(label: str, up_m: float = 0.0, *, computed: bool = False, station: int = 412) -> BaseDay:
    length = float(np.linalg.norm(ARP))
    x, y, z = (v * (1 + up_m / length) for v in ARP)
    return BaseDay(label, None, station, (x, y, z), computed)


def test_a_base_set_up_a_decimetre_higher_has_moved_against_the_site_and_the_day_before():
    steps = base_steps([day("Mon"), day("Tue", 0.10)], ARP, 0.05)
    assert [(s.day.label, s.against, s.moved) for s in steps] == [
        ("Mon", "the site file", False), ("Tue", "the site file", True), ("Tue", "Mon", True),
    ]  # fmt: skip
    assert steps[-1].enu_m[2] == pytest.approx(0.10, abs=0.001)
    assert "moved" in steps[-1].words


def test_a_base_within_the_tolerance_is_asked_about_and_the_very_same_is_not():
    words = [s.words for s in base_steps([day("Mon"), day("Tue", 0.01), day("Wed", 0.01)], None, 0.05)]
    assert "set up again" in words[0]
    assert words[1] == "the same"


def test_a_base_that_a_network_computes_and_another_station_are_not_compared():
    assert base_steps([day("Mon", computed=True), day("Tue", 500.0, computed=True)], ARP, 0.05) == []
    assert base_steps([day("Mon"), day("Tue", 0.1, station=9)], None, 0.05) == []
