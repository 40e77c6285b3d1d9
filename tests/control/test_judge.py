"""Pass, fail or cannot tell."""

from __future__ import annotations

import numpy as np
import pytest

from hubtack.control.judge import judge, limits_for

LIMITS = limits_for("trench")
GOOD = np.array([0.004, 0.004, 0.008])


def answer(east: float = 0.0, north: float = 0.0, up: float = 0.0, sigma: np.ndarray = GOOD, mark: float = 0.010):
    return judge(np.array([east, north, up]), sigma, mark, LIMITS)


def test_what_noise_explains_passes_what_is_beyond_the_limit_fails_and_between_it_cannot_be_told():
    # 1.96 sqrt(8^2 + 10^2) = 25.1 mm: the rule of the check, worked by hand (JCGM 100:2008, eq. 10).
    assert answer(up=0.025).passed is True
    assert answer(up=0.028).passed is None
    assert answer(up=0.031).passed is False
    assert answer(up=-0.031).passed is False


def test_the_limit_in_plan_is_the_circle_of_95_percent():
    # 2.4477 sqrt(4^2 + 10^2) = 26.4 mm (FGDC-STD-007.3: 2.4477 for equal axes).
    assert answer(east=0.0185, north=0.0185).passed is True
    assert answer(east=0.020, north=0.020).passed is None
    assert answer(east=0.022, north=0.022).passed is False
    assert answer().noise_horizontal_m == pytest.approx(2.4477 * np.hypot(0.004, 0.010), abs=1e-5)


def test_a_noisy_occupation_raises_the_limit_and_cannot_pass_what_a_good_one_would_fail():
    noisy = np.array([0.004, 0.004, 0.030])
    got = answer(up=0.045, sigma=noisy)
    assert got.passed is None
    assert got.limit_vertical_m == pytest.approx(1.96 * np.hypot(0.030, 0.010), abs=1e-4)
    assert answer(up=0.070, sigma=noisy).passed is False


def test_fine_work_has_the_finer_limit_in_height():
    assert (limits_for("finish_grade").vertical_m, limits_for("trench").vertical_m) == (0.020, 0.030)


def test_what_is_not_known_is_never_a_pass():
    assert answer(up=float("nan")).passed is None
    assert answer(up=float("nan")).why == "no height to compare"
    assert answer(east=float("nan")).passed is None
    assert answer(east=0.5, up=float("nan")).passed is False
    assert judge(np.zeros(3), np.full(3, np.nan), 0.010, LIMITS).passed is None
