"""The factors of the error budget against published values and against scipy's distributions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from hubtack.engine.quantities import AGE_GROWTH_M_PER_SQRT_S, Z95, best_possible_vertical_95_m, r95_factor
from hubtack.engine.setup import Setup


def exact_r95(ratio: float) -> float:
    """Radius of the circle that holds 95 % of a normal error with sigmas 1 and ``ratio``, by integration in angle."""

    def outside(radius: float) -> float:
        def integrand(theta: float) -> float:
            k = np.cos(theta) ** 2 + np.sin(theta) ** 2 / ratio**2
            return float(np.exp(-radius * radius * k / 2) / k)

        value, _ = integrate.quad(integrand, 0, np.pi / 2, limit=300)
        return 4 * value / (2 * np.pi * ratio) - 0.05

    return float(optimize.brentq(outside, 1.5, 3.0))


@pytest.mark.parametrize("ratio", [0.05, 0.1, 0.25, 0.46, 0.6, 0.8, 0.95, 1.0])
def test_the_ellipse_factor_is_the_exact_integral(ratio: float) -> None:
    assert r95_factor(np.array([ratio]))[0] == pytest.approx(exact_r95(ratio), abs=5e-5)


@pytest.mark.parametrize(("ratio", "published"), [
    (1.0, 2.4477), (0.8, 2.2303), (0.6, 2.0813), (0.4, 2.0051), (0.2, 1.9704), (0.0, 1.9600),
])  # fmt: skip
def test_the_ellipse_factor_at_tabulated_ratios(ratio: float, published: float) -> None:
    # 2.4477 (circle) and 1.9600 (line): FGDC-STD-007.3-1998 (from memory), reproduced; between them derived by integration.
    assert r95_factor(np.array([ratio]))[0] == pytest.approx(published, abs=1e-4)


def test_the_vertical_factor_is_that_of_the_normal_distribution() -> None:
    # FGDC-STD-007.3-1998: Accuracy_z = 1.9600 x RMSE_z (from memory).
    assert pytest.approx(stats.norm.ppf(0.975), abs=1e-12) == Z95


def test_a_receiver_of_15_mm_on_a_machine_gives_about_40_to_48_mm() -> None:
    # Worked budget: 15 mm + 1 ppm, tilt 0.05 deg over 9 m, linkage 13 mm (Hubtack's own limits page).
    assert 0.040 < best_possible_vertical_95_m(Setup(), 1_000.0) < best_possible_vertical_95_m(Setup(), 5_000.0) < 0.050


@pytest.mark.parametrize(("age_s", "range_mm"), [(1, 3), (5, 7), (10, 9), (30, 18), (60, 23)])
def test_growth_with_age_runs_through_the_clock_table(age_s: float, range_mm: float) -> None:
    # c x Allan deviation x age of a satellite clock: 3, 7, 9, 18, 23 mm (textbook deviations, from memory).
    assert 1000 * AGE_GROWTH_M_PER_SQRT_S * np.sqrt(age_s) == pytest.approx(range_mm, abs=2.7)
