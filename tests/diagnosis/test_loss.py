"""The classifier of losses: what it calls periodic, bursts or neither, and how seldom it is wrong."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from hubtack.diagnosis.loss import _binomial_tail, _dispersion_p, _gap_chance, _normal_tail, _runs_p, loss_pattern


def independent(share: float, slots: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).random(slots) < share


@pytest.mark.parametrize("share", [0.01, 0.05, 0.3])
def test_independent_losses_are_called_independent(share: float) -> None:
    kinds = [loss_pattern(independent(share, 3600, seed)).kind for seed in range(60)]
    assert set(kinds) <= {"independent"}


@pytest.mark.parametrize("period", [3, 7, 12.5, 60])
def test_a_period_is_found_under_independent_losses(period: float) -> None:
    slots = np.arange(3600)
    lost = (slots % period < 1) | independent(0.005, 3600, 4)
    pattern = loss_pattern(lost)
    assert pattern.kind == "periodic"
    assert pattern.period_slots == pytest.approx(period, rel=0.02)
    assert pattern.p_value < 1e-6


def test_a_few_losses_at_a_long_period_are_found() -> None:
    lost = (
        np.arange(358) % 20 == 3
    )  # 18 losses: Rayleigh's power is the number of losses at most, e^-18 times 480 tries
    pattern = loss_pattern(lost)
    assert (pattern.kind, pattern.test[:10]) == ("periodic", "equal gaps")
    assert pattern.period_slots == pytest.approx(20.0)


@pytest.mark.parametrize(("share", "slots"), [(0.05, 360), (0.2, 360), (0.5, 720)])
def test_a_short_record_of_independent_losses_is_called_periodic_by_no_test(share: float, slots: int) -> None:
    kinds = [loss_pattern(independent(share, slots, seed)).kind for seed in range(300)]
    assert "periodic" not in kinds


@pytest.mark.parametrize("share", [0.05, 0.3, 0.6])
def test_the_chance_of_a_gap_is_that_of_counted_gaps(share: float) -> None:
    starts = np.flatnonzero(np.diff(independent(share, 400_000, 7).astype(int)) == 1)
    gaps = np.diff(starts)
    for gap in (2, 3, 6, 11):
        counted = float((gaps == gap).mean())
        assert _gap_chance(gap, share) == pytest.approx(counted, abs=4 * np.sqrt(counted / len(gaps)) + 1e-5)


@pytest.mark.parametrize(("hits", "n", "chance"), [(6, 16, 0.1), (16, 16, 0.06), (40, 60, 0.3)])
def test_the_bound_of_the_tail_lies_above_scipys_tail(hits: int, n: int, chance: float) -> None:
    assert stats.binom.sf(hits - 1, n, chance) <= _binomial_tail(hits, n, chance) < 1.0
    usual = int(n * chance)  # no more than chance gives: nothing to wonder at
    assert _binomial_tail(usual, n, chance) == 1.0 > stats.binom.sf(usual, n, chance)


@pytest.mark.parametrize("seed", range(10))
def test_bursts_are_found(seed: int) -> None:
    rng = np.random.default_rng(seed)
    lost = np.zeros(3600, dtype=bool)
    for at in rng.integers(0, 3590, 25):
        lost[at : at + rng.integers(3, 9)] = True
    assert loss_pattern(lost).kind == "burst"


def test_too_few_losses_have_no_pattern() -> None:
    lost = np.zeros(3600, dtype=bool)
    lost[[5, 15, 25, 35]] = True
    assert loss_pattern(lost).kind == "none"
    assert loss_pattern(np.zeros(0, dtype=bool)).lost == 0
    assert loss_pattern(np.ones(40, dtype=bool)).kind == "independent"


def test_all_lost_or_none_does_not_trip_the_tests() -> None:
    assert loss_pattern(np.ones(200, dtype=bool)).lost == 200
    assert loss_pattern(np.zeros(200, dtype=bool)).kind == "none"


@pytest.mark.parametrize("z", [-2.0, 0.0, 1.64, 5.0])
def test_the_normal_tail_is_that_of_scipy(z: float) -> None:
    assert _normal_tail(z) == pytest.approx(stats.norm.sf(z), rel=1e-12)


def test_the_dispersion_test_is_the_chi_square_it_says_it_is() -> None:
    start = np.sort(np.random.default_rng(1).integers(0, 5000, 300))
    windows = 150
    counts = np.bincount(start * windows // 5000, minlength=windows)
    chi2 = ((counts - counts.mean()) ** 2).sum() / counts.mean()
    # Wilson and Hilferty's form is good to a few percent in the tail.
    assert _dispersion_p(start, 5000) == pytest.approx(stats.chi2.sf(chi2, windows - 1), rel=0.05)


def test_the_runs_test_has_the_mean_and_spread_of_shuffled_losses() -> None:
    rng = np.random.default_rng(2)
    base = np.zeros(1000, dtype=bool)
    base[:120] = True
    runs = []
    for _ in range(400):
        lost = rng.permutation(base)
        runs.append(int(np.count_nonzero(np.diff(np.concatenate(([0], lost.astype(int)))) == 1)))
    # At the median of shuffles the one-sided p-value is a half.
    assert _runs_p(120, 1000, round(float(np.median(runs)))) == pytest.approx(0.5, abs=0.1)
    assert _runs_p(120, 1000, round(float(np.mean(runs) - 3 * np.std(runs)))) < 0.01
