"""Claims about a misplaced base, and the mistakes that explain them."""

import numpy as np
import pytest

from hubtack.geo import ecef_to_geodetic, enu_to_ecef_offset, geodetic_to_ecef
from hubtack.orbits.misplacement import compare
from hubtack.orbits.static import StaticPosition

LAT, LON, H = -44.870123456, 169.123456789, 214.316
TRUE = geodetic_to_ecef(np.array([LAT]), np.array([LON]), np.array([H]))[0]


def _measured(true=TRUE, error=(0.4, -0.6, 1.1), sigma=(0.8, 0.8, 1.6)):
    lat, lon, _ = ecef_to_geodetic(true[None])
    at = true + enu_to_ecef_offset(np.array([error]), lat, lon)[0]
    return StaticPosition(at, np.diag(np.square(sigma)), 60, 300.0, 20, (1, 3), (), True, 0.9)


def _at(lat=LAT, lon=LON, h=H):
    return geodetic_to_ecef(np.array([lat]), np.array([lon]), np.array([h]))[0]


def test_a_right_position_is_not_claimed_wrong_and_the_limit_is_stated():
    result = compare(TRUE, _measured())
    assert not result.misplaced
    assert result.next_steps() == []
    assert "agrees" in result.summary()
    assert "would not be seen" in result.summary()
    assert result.plan_limit_m == pytest.approx(5.543 * 0.8)
    assert result.up_limit_m == pytest.approx(5.259 * 1.6)


def test_nothing_is_claimed_below_the_floor_however_good_the_ranges():
    lat, lon, _ = ecef_to_geodetic(TRUE[None])
    off = TRUE + enu_to_ecef_offset(np.array([[2.0, 2.0, 3.0]]), lat, lon)[0]
    assert not compare(off, _measured(error=(0, 0, 0), sigma=(0.05, 0.05, 0.1))).misplaced


def test_distance_and_direction_are_those_of_the_broadcast_position_from_the_true_one():
    lat, lon, _ = ecef_to_geodetic(TRUE[None])
    off = TRUE + enu_to_ecef_offset(np.array([[40.0, 0.0, -20.0]]), lat, lon)[0]
    result = compare(off, _measured(error=(0, 0, 0)))
    assert result.misplaced_plan
    assert result.misplaced_up
    assert result.plan_m == pytest.approx(40.0, abs=0.01)
    assert result.bearing_deg == pytest.approx(90.0, abs=0.1)
    assert "40.0 m east of" in result.summary()
    assert "20.0 m below" in result.summary()
    assert result.evidence()["offset_up_m"] == pytest.approx(-20.0, abs=0.01)


_SWAPPED = TRUE.copy()
_SWAPPED[1], _SWAPPED[2] = TRUE[2], TRUE[1]


@pytest.mark.parametrize(
    ("typed", "key"),
    [
        (_at(lon=-LON), "longitude_sign"),
        (_at(lat=-LAT), "latitude_sign"),
        (_at(lat=-44.807123456), "digits_swapped"),
        (_at(lon=169.132456789), "digits_swapped"),
        (_at(h=241.316), "digits_swapped"),
        (_at(lon=LON - 6.0), "zone"),
        (_at(h=H / 0.3048), "height_feet"),
        (_SWAPPED, "axes_swapped"),
        (TRUE * [-1, 1, 1], "axis_sign"),
        (_at(lat=-44.5212444), "minutes_as_decimals"),  # 44 deg 52.12444 min typed as decimal degrees
        (_at(lat=-54.870123456), "digit_wrong"),
    ],
)
def test_each_typing_mistake_is_named_first(typed, key):
    true = TRUE
    if key == "minutes_as_decimals":
        true = _at(lat=-(44 + 52.12444 / 60.0))
    result = compare(typed, _measured(true))
    assert result.misplaced
    assert result.mistakes[0].key == key, [c.text for c in result.mistakes]
    assert result.mistakes[0].text in result.summary()
    assert len(result.next_steps()) >= 2


def test_latitude_and_longitude_swapped_where_that_is_possible():
    true = _at(lat=52.25, lon=6.75, h=40.0)
    assert compare(_at(lat=6.75, lon=52.25, h=40.0), _measured(true)).mistakes[0].key == "latitude_longitude_swapped"


def test_the_geoid_height_is_named_with_and_without_a_known_separation():
    typed = _at(h=H - 8.42 * 2)  # separation 16.84 m
    known = compare(typed, _measured(), geoid_separation_m=16.84)
    assert known.mistakes[0].key == "geoid_height"
    assert any(c.key == "geoid_height" for c in compare(typed, _measured()).mistakes)
    other = compare(typed, _measured(), geoid_separation_m=-30.0)
    assert all(c.key != "geoid_height" for c in other.mistakes)


def test_another_mark_of_the_site_is_named():
    lat, lon, _ = ecef_to_geodetic(TRUE[None])
    cp4 = TRUE + enu_to_ecef_offset(np.array([[123.4, -56.7, 2.0]]), lat, lon)[0]
    result = compare(cp4, _measured(), marks_ecef_m={"CP3": TRUE, "CP4": cp4})
    assert result.mistakes[0].key == "other_mark"
    assert "CP3" in result.mistakes[0].text


def test_a_base_on_its_own_autonomous_position_is_the_likely_cause_of_a_few_metres():
    lat, lon, _ = ecef_to_geodetic(TRUE[None])
    off = TRUE + enu_to_ecef_offset(np.array([[6.0, 3.0, 9.0]]), lat, lon)[0]
    assert compare(off, _measured(error=(0, 0, 0))).mistakes[0].key == "own_position"


def test_an_offset_that_fits_no_mistake_gets_no_cause():
    lat, lon, _ = ecef_to_geodetic(TRUE[None])
    off = TRUE + enu_to_ecef_offset(np.array([[517.3, -283.9, 12.1]]), lat, lon)[0]
    result = compare(off, _measured())
    assert result.misplaced
    assert result.mistakes == ()


def test_chance_fits_are_rare_among_random_offsets():
    # 400 random offsets of 30 m to 3 km: no mistake that needs an exact value may fit more than one in fifty.
    rng = np.random.default_rng(7)
    lat, lon, _ = ecef_to_geodetic(TRUE[None])
    named = 0
    for _ in range(400):
        plan, bearing = 10 ** rng.uniform(1.5, 3.5), rng.uniform(0, 2 * np.pi)
        enu = np.array([[plan * np.sin(bearing), plan * np.cos(bearing), rng.uniform(-20, 20)]])
        named += bool(compare(TRUE + enu_to_ecef_offset(enu, lat, lon)[0], _measured()).mistakes)
    assert named <= 8


def test_critical_values_are_those_of_the_distributions():
    stats = pytest.importorskip("scipy.stats")
    from hubtack.orbits import misplacement as m

    assert stats.chi2.sf(m.PLAN_CRITICAL, 2) == pytest.approx(1e-5, rel=1e-2)
    assert 2 * stats.norm.sf(m.UP_CRITICAL) == pytest.approx(1e-5, rel=1e-2)
    assert stats.ncx2.sf(m.PLAN_CRITICAL, 2, m.PLAN_LIMIT_SIGMAS**2) == pytest.approx(0.8, abs=2e-3)
    assert stats.norm.sf(m.UP_CRITICAL - m.UP_LIMIT_SIGMAS) == pytest.approx(0.8, abs=2e-3)
