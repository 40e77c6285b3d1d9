"""Single-point position, averaging and its uncertainty."""

import numpy as np
import pytest
from tests.orbits.made_sky import PLACE, SIGNALS, observe
from tests.orbits.orbit_helpers import LEAP_S, T0_S, constellation

from hubtack.geo import ecef_offset_to_enu, ecef_to_geodetic
from hubtack.orbits.ephemeris import EphemerisStore
from hubtack.orbits.ranges import BIAS_M, ranges_of_epoch
from hubtack.orbits.single_point import solve_epoch
from hubtack.orbits.static import StaticAverage

FOUR = constellation(seed=4, gps=24, glonass=12, galileo=18, beidou=18)


def _ranges(cells, payloads=FOUR, t_s=T0_S):
    store = EphemerisStore()
    store.add_payloads(payloads)
    return ranges_of_epoch(t_s, LEAP_S, store.nearest(t_s, LEAP_S), cells["system"].astype(int),
                           cells["satellite"].astype(int), cells["signal"].astype(int), cells["pseudorange_m"],
                           cells["glonass_channel"].astype(int))  # fmt: skip


def _enu(solution, place=PLACE):
    lat, lon, _ = ecef_to_geodetic(place[None])
    return ecef_offset_to_enu((solution.pos_ecef_m - place)[None], lat, lon)[0]


def test_perfect_ranges_give_the_place_to_a_millimetre():
    cells = observe(FOUR, PLACE, T0_S, np.random.default_rng(1), noise_m=0.0)
    solution = solve_epoch(_ranges(cells))
    assert np.abs(_enu(solution)).max() < 1e-3
    assert solution.excluded == ()
    assert set(solution.system.tolist()) == {1, 2, 3, 4}


def test_the_receivers_clock_has_no_influence():
    for clock_s in (-8e-4, 0.0, 8e-4):
        cells = observe(FOUR, PLACE, T0_S, np.random.default_rng(1), noise_m=0.0, clock_s=clock_s)
        assert np.abs(_enu(solve_epoch(_ranges(cells)))).max() < 5e-3


def test_two_frequencies_take_out_any_ionosphere_and_one_does_not():
    rng = np.random.default_rng(1)
    both = solve_epoch(_ranges(observe(FOUR, PLACE, T0_S, rng, noise_m=0.0, iono_scale=5.0)))
    one = {system: pair[:1] for system, pair in SIGNALS.items()}
    single = solve_epoch(_ranges(observe(FOUR, PLACE, T0_S, rng, noise_m=0.0, iono_scale=5.0, signals=one)))
    assert np.abs(_enu(both)).max() < 5e-3
    assert np.abs(_enu(single)).max() > 1.0
    assert (single.iono_sigma_m > 0).all()


def test_a_satellite_30_m_off_is_excluded_by_its_standardised_residual():
    rng = np.random.default_rng(2)
    cells = observe(FOUR, PLACE, T0_S, rng)
    bad = (int(cells["system"][0]), int(cells["satellite"][0]))
    solution = solve_epoch(_ranges(observe(FOUR, PLACE, T0_S, rng, bias_m={bad: 30.0})))
    assert bad in solution.excluded
    assert np.hypot(*_enu(solution)[:2]) < 4.0


def test_a_satellite_300_km_off_spoils_nothing():
    rng = np.random.default_rng(2)
    cells = observe(FOUR, PLACE, T0_S, rng)
    bad = (int(cells["system"][0]), int(cells["satellite"][0]))
    solution = solve_epoch(_ranges(observe(FOUR, PLACE, T0_S, rng, bias_m={bad: 299_792.458})))
    assert bad in solution.excluded
    assert np.hypot(*_enu(solution)[:2]) < 4.0


@pytest.mark.parametrize("keep", [0, 3, 4])
def test_too_few_satellites_give_no_position(keep):
    cells = observe(constellation(gps=24), PLACE, T0_S, np.random.default_rng(1))
    wanted = np.isin(cells["satellite"], np.unique(cells["satellite"])[:keep])
    assert solve_epoch(_ranges({k: v[wanted] for k, v in cells.items()}, constellation(gps=24))) is None


def test_nan_and_absurd_pseudoranges_are_left_out():
    cells = observe(FOUR, PLACE, T0_S, np.random.default_rng(1), noise_m=0.0)
    cells["pseudorange_m"][::7] = np.nan
    cells["pseudorange_m"][1::7] = 0.0
    cells["pseudorange_m"][2::7] = np.inf
    assert np.abs(_enu(solve_epoch(_ranges(cells)))).max() < 3.0


def test_the_stated_uncertainty_holds_over_many_skies():
    # Ranges drawn with the very noise and biases that the model states: the squared error in units of the stated
    # covariance must average 3 (chi squared of 3 degrees of freedom; 1 sigma of the mean of 30 is 0.45).
    rng = np.random.default_rng(11)
    scores, improved = [], []
    for run in range(30):
        payloads = constellation(seed=100 + run, gps=26, galileo=24)
        bias = {(s, n): rng.normal(0, BIAS_M[s]) for s in (1, 3) for n in range(1, 40)}
        zenith = rng.normal(0, 0.15)
        average, first = StaticAverage(), None
        for k in range(6):
            t_s = T0_S + 60.0 * k
            cells = observe(payloads, PLACE, t_s, rng, bias_m=bias, noise_m=0.3, tropo_scale=1.0 + zenith / 2.35,
                            mask_deg=10.5)  # fmt: skip
            solution = solve_epoch(_ranges(cells, payloads, t_s))
            if solution is not None:
                average.add(solution, t_s)
                first = first or average.result()
        result = average.result()
        error = _enu(result)
        scores.append(error @ np.linalg.solve(result.covariance_enu_m2, error))
        improved.append(result.sigma_enu_m[2] / first.sigma_enu_m[2])
    assert 2.0 < np.mean(scores) < 4.2
    # Averaging helps, and not by the square root of six.
    assert 0.41 < np.mean(improved) < 1.0


def test_epochs_a_second_apart_do_not_count_as_independent():
    rng = np.random.default_rng(1)
    average = StaticAverage()
    sigmas = []
    for k in range(30):
        average.add(solve_epoch(_ranges(observe(FOUR, PLACE, T0_S + k, rng), t_s=T0_S + k)), T0_S + k)
        sigmas.append(float(average.result().sigma_enu_m[2]))
    assert sigmas[-1] == pytest.approx(sigmas[0], rel=0.1)
