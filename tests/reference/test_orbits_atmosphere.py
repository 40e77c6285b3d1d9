"""Atmosphere models against a general GNSS library (pyrtklib, a binding of a BSD-2 library)."""

import numpy as np
import pytest

from hubtack.orbits.atmosphere import (
    ionosphere_factor,
    klobuchar_m,
    troposphere_mapping,
    troposphere_zenith_m,
)


def _array(rtk, values):
    out = rtk.Arr1Ddouble(len(values))
    for i, v in enumerate(values):
        out[i] = v
    return out


@pytest.mark.parametrize(("lat", "h"), [(0.0, 0.0), (52.0, 100.0), (-44.87, 214.0), (70.0, 2500.0)])
def test_zenith_delay_agrees_with_a_gnss_library(lat, h):
    rtk = pytest.importorskip("pyrtklib")
    pos = _array(rtk, [np.radians(lat), 0.3, h])
    expected = rtk.tropmodel(rtk.gpst2time(2305, 318_000.0), pos, _array(rtk, [0.0, np.pi / 2]), 0.5)
    assert troposphere_zenith_m(lat, h) == pytest.approx(expected, abs=0.005)


def test_zenith_delay_at_the_sea_is_about_2_4_m_and_falls_with_height():
    assert 2.35 < troposphere_zenith_m(45.0, 0.0) < 2.50  # textbook magnitude: 2.3 m dry and 0.1 to 0.3 m wet
    assert troposphere_zenith_m(45.0, 3000.0) < 0.72 * troposphere_zenith_m(45.0, 0.0)
    assert troposphere_zenith_m(45.0, float("nan")) == 0.0
    assert troposphere_zenith_m(45.0, -6e6) == 0.0


def test_mapping_of_the_published_form():
    # RTCA DO-229 A.4.2.4 (from memory): 1.001 / sqrt(0.002001 + sin^2 el); 1 at the zenith, 5.6 at 10 degrees.
    got = troposphere_mapping(np.radians([90.0, 30.0, 10.0, 0.0, -5.0]))
    assert got[:3] == pytest.approx([1.0, 1.994, 5.58], abs=0.01)
    assert np.isnan(got[3:]).all()


def test_klobuchar_agrees_with_a_gnss_library_to_a_millimetre():
    rtk = pytest.importorskip("pyrtklib")
    alpha = (0.1118e-07, -0.7451e-08, -0.5961e-07, 0.1192e-06)  # the library's own default coefficients of 2004
    beta = (0.1167e06, -0.2294e06, -0.1311e06, 0.1049e07)
    rng = np.random.default_rng(5)
    for _ in range(40):
        lat, lon = rng.uniform(-75, 75), rng.uniform(-180, 180)
        az, el, t = rng.uniform(0, 2 * np.pi), rng.uniform(0.1, 1.5), rng.uniform(0, 604_800)
        expected = rtk.ionmodel(rtk.gpst2time(2305, t), _array(rtk, [*alpha, *beta]),
                                _array(rtk, [np.radians(lat), np.radians(lon), 0.0]), _array(rtk, [az, el]))
        got = klobuchar_m(lat, lon, np.array([az]), np.array([el]), t, alpha, beta)
        assert got[0] == pytest.approx(expected, abs=1e-3)


def test_other_carriers_are_delayed_by_the_inverse_square():
    assert ionosphere_factor(1227.60e6) == pytest.approx((77 / 60) ** 2)  # IS-GPS-200: gamma
