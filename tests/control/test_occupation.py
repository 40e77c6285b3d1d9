"""The occupation: which rows count, the mean, and how far it can be trusted."""

from __future__ import annotations

import numpy as np
import pytest
from tests.control.standing import rows_at

from hubtack.control.mean import correlation_length, inliers, mean_sigma_m, occupation_mean, slow_share
from hubtack.control.occupation import OccupationRows, choose_stretch, standing_stretches


def ar1(rng: np.random.Generator, n: int, tau: float, sigma: float) -> np.ndarray:
    keep = np.exp(-1.0 / tau)
    x = np.empty(n)
    x[0] = rng.standard_normal()
    for i in range(1, n):
        x[i] = keep * x[i - 1] + np.sqrt(1 - keep**2) * rng.standard_normal()
    return sigma * x


def test_the_sigma_of_the_mean_of_correlated_noise_is_what_many_means_scatter_by():
    # Outside check: the truth is the scatter of the means of 300 simulated occupations; textbook for AR(1):
    # n_eff = n (1 - phi) / (1 + phi).
    rng = np.random.default_rng(7)
    n, tau = 600, 10.0
    runs = [ar1(rng, n, tau, 0.008) for _ in range(300)]
    true_sigma = float(np.std([r.mean() for r in runs]))
    said = float(np.sqrt(np.mean([mean_sigma_m(r)[0] ** 2 for r in runs])))
    assert said == pytest.approx(true_sigma, rel=0.2)
    phi = np.exp(-1.0 / tau)
    assert np.median([mean_sigma_m(r)[1] for r in runs]) == pytest.approx(n * (1 - phi) / (1 + phi), rel=0.35)
    assert said > 3 * 0.008 / np.sqrt(n)  # the root of the number of epochs would promise far too much


def test_white_noise_has_a_correlation_length_of_one_and_a_constant_none():
    assert correlation_length(np.random.default_rng(1).standard_normal(2000)) == pytest.approx(1.0, abs=0.2)
    assert correlation_length(np.zeros(50)) == 1.0
    assert correlation_length(np.arange(100.0)) > 20


def test_one_or_no_value_has_no_sigma_of_its_own():
    assert np.isnan(mean_sigma_m(np.array([1.0]))[0])
    assert np.isnan(mean_sigma_m(np.zeros(0))[0])


def test_slow_errors_stay_whole_in_an_instant_and_fade_over_hours():
    assert slow_share(0.0) == 1.0
    assert slow_share(900.0) == pytest.approx(0.858, abs=0.001)  # sqrt(2 e^-1): worked by hand
    assert slow_share(24 * 3600.0) < 0.2


def test_an_epoch_far_from_the_median_is_left_out_and_others_are_not():
    rng = np.random.default_rng(3)
    enu = rng.normal(0, 0.004, (200, 3))
    enu[50] = (0.10, 0.0, 0.0)
    enu[51, 2] = -0.15
    keep = inliers(enu)
    assert np.flatnonzero(~keep).tolist() == [50, 51]
    mean = occupation_mean(enu, np.arange(200) * 1_000_000_000, np.array([0.008, 0.008, 0.015]))
    assert (mean.epochs, mean.used, mean.outliers, mean.duration_s) == (200, 198, 2, 199.0)
    assert np.abs(mean.enu_m).max() < 0.002
    assert (mean.sigma_m > mean.mean_sigma_m).all()  # what an occupation cannot see is added


def test_a_height_that_is_not_known_leaves_the_plan():
    enu = np.random.default_rng(5).normal(0, 0.004, (60, 3))
    enu[:, 2] = np.nan
    mean = occupation_mean(enu, np.arange(60) * 1_000_000_000, np.array([0.008, 0.008, 0.015]))
    assert np.isfinite(mean.enu_m[:2]).all()
    assert np.isnan(mean.enu_m[2]) and np.isnan(mean.sigma_m[2])


def test_no_epoch_is_an_error_of_the_caller():
    with pytest.raises(ValueError, match="no fixed epochs"):
        occupation_mean(np.zeros((0, 3)), np.zeros(0, dtype=np.int64), np.zeros(3))


def test_the_antenna_stands_where_it_stays_within_a_hand_and_walks_where_it_does_not():
    rows = rows_at([0.0] * 30 + [0.5 * i for i in range(1, 21)] + [10.0] * 40)
    found = [(s.start, s.end) for s in standing_stretches(rows, least=10)]
    assert len(found) == 2
    assert found[0] == (0, 30)
    assert found[1][1] == 90


def test_a_slow_creep_does_not_carry_the_stretch_along():
    # The mean settles within 30 rows, at 3 cm; one that went on would lag by half the way, and carry 130 rows along.
    assert len(standing_stretches(rows_at([0.002 * i for i in range(130)]))) > 1


def test_a_pause_begins_another_occupation():
    assert len(standing_stretches(rows_at([0.0] * 20, step_s=61.0))) == 20


def test_of_stretches_near_the_mark_the_longest_is_taken_and_one_far_away_is_not():
    rows = rows_at([0.0] * 20 + [0.6] * 40 + [50.0] * 100)
    near = choose_stretch(standing_stretches(rows, (-45.0, 170.0)))
    assert near is not None
    assert (near.start, near.end) == (20, 60)
    anywhere = choose_stretch(standing_stretches(rows))
    assert anywhere is not None
    assert anywhere.epochs == 100


def test_only_fixed_rows_with_a_position_count():
    assert len(rows_at([0.0] * 5, quality=5.0).fixed()) == 0
    rows = rows_at([0.0] * 5)
    rows.latitude_deg[2] = np.nan
    assert len(rows.fixed()) == 4
    assert len(OccupationRows.concat([]).fixed()) == 0


def test_a_time_of_day_window_may_run_over_midnight():
    rows = rows_at([0.0] * 24, step_s=3600.0)
    assert len(rows.between(7 * 3600.0, 9 * 3600.0)) == 3
    assert len(rows.between(23 * 3600.0, 1 * 3600.0)) == 3
    assert len(rows.between(None, None)) == 24
