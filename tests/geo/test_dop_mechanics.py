"""Mechanics of the DOP: masks, missing data, many epochs."""

import numpy as np
import pytest

from hubtack.geo.dop import dop


def _sky(n, s, seed=1):
    rng = np.random.default_rng(seed)
    return rng.uniform(0, 2 * np.pi, (n, s)), rng.uniform(0.1, 1.5, (n, s))


def test_three_satellites_have_no_dop():
    got = dop([0.0, 2.0, 4.0], [0.5, 0.6, 0.7])
    assert np.isnan(got.pdop[0])
    assert got.n_used[0] == 3


def test_satellites_on_one_cone_have_no_dop():
    got = dop(np.radians([0, 60, 120, 180, 240, 300]), np.radians([40.0] * 6))
    assert np.isnan(got.gdop[0])


def test_a_nan_direction_equals_a_masked_satellite():
    az, el = _sky(3, 8)
    use = np.ones((3, 8), bool)
    use[1, 2] = False
    gone = el.copy()
    gone[1, 2] = np.nan
    assert np.array_equal(dop(az, el, use=use).pdop, dop(az, gone).pdop)


def test_many_epochs_equal_one_epoch_to_the_bit():
    az, el = _sky(200, 12)
    use = np.random.default_rng(2).random((200, 12)) > 0.4
    system = np.array([1] * 6 + [2] * 3 + [4] * 3)
    whole = dop(az, el, system=system, use=use)
    for i in range(0, 200, 7):
        if len(np.unique(system[use[i]])) == 3:  # the same clocks, so the same matrix size
            one = dop(az[i], el[i], system=system, use=use[i])
            assert np.array_equal(one.pdop, whole.pdop[i : i + 1], equal_nan=True)


def test_an_absent_constellation_costs_nothing():
    az, el = _sky(2, 8)
    system = np.array([1] * 5 + [3] * 3)
    use = np.array([[True] * 8, [True] * 5 + [False] * 3])
    assert dop(az, el, system=system, use=use).gdop[1] == pytest.approx(dop(az[1, :5], el[1, :5]).gdop[0])


def test_no_epochs_give_no_rows():
    assert dop(np.zeros((0, 5)), np.zeros((0, 5))).pdop.shape == (0,)
    assert np.isnan(dop(np.zeros((2, 0)), np.zeros((2, 0))).pdop).all()


def test_shapes_that_disagree_are_refused():
    with pytest.raises(ValueError, match="one shape"):
        dop(azimuth_rad=[0.0, 1.0], elevation_rad=[0.5])
