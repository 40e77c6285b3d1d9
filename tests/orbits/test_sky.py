"""The sky of an antenna, its obstructions, what is common, and the forecast."""

import itertools

import numpy as np
from tests.orbits.made_sky import PLACE
from tests.orbits.orbit_helpers import LEAP_S, T0_S, constellation

from hubtack.orbits.ephemeris import EphemerisStore
from hubtack.orbits.forecast import forecast, windows
from hubtack.orbits.sky import N_BANDS, N_SECTORS, SkyTally, common_sky, satellite_name, view_of
from hubtack.views.sky_text import clock_text, forecast_strip, sky_chart

STORE = EphemerisStore()
STORE.add_payloads(constellation(seed=9, gps=28, galileo=22))
NEAR = STORE.nearest(T0_S, LEAP_S)


def _tally(hours=6.0, *, wall=None, loss_db=0.0, dead=None):
    """Six hours of looks every 30 s; ``wall`` (from, to, up to) in degrees hides satellites."""
    tally = SkyTally()
    for t_s in np.arange(T0_S, T0_S + hours * 3600.0, 30.0):
        view = view_of(NEAR, t_s, LEAP_S, PLACE)
        el, az = np.degrees(view.elevation_rad), np.degrees(view.azimuth_rad)
        heard = el > 5.0
        if wall:
            heard &= ~((az >= wall[0]) & (az < wall[1]) & (el < wall[2]))
        if dead:
            heard &= ~((view.system == dead[0]) & (view.satellite == dead[1]))
        cn0 = 36.0 + 13.0 * np.sin(view.elevation_rad[heard]) - loss_db
        tally.add(view, view.system[heard], view.satellite[heard], cn0)
    return tally


def test_an_open_sky_has_no_obstruction_and_strong_signals():
    report = _tally().report()
    assert report.obstructions == ()
    assert not report.is_weak
    assert report.sentences() == []
    assert report.high_cn0_dbhz > report.low_cn0_dbhz


def test_a_wall_to_the_east_up_to_40_degrees_is_learnt_where_it_stands():
    tally = _tally(12.0, wall=(60.0, 120.0, 40.0))
    found = tally.report().obstructions
    assert found
    assert all(o.azimuth_from_deg >= 45.0 and o.azimuth_to_deg <= 135.0 for o in found)
    assert max(o.elevation_to_deg for o in found) == 40.0
    assert "blocked" in tally.report().sentences()[0]
    blocked = tally.blocked()
    assert blocked.shape == (N_SECTORS, N_BANDS)
    assert blocked[:3].sum() == 0


def test_a_bad_cable_shows_as_weak_signals_high_up():
    report = _tally(2.0, loss_db=12.0).report()
    assert report.is_weak
    assert "cable" in report.sentences()[0]


def test_a_satellite_that_is_never_heard_is_no_obstruction():
    one = next(iter(NEAR))
    assert _tally(dead=one).report().obstructions == ()


def test_an_empty_tally_says_nothing():
    report = SkyTally().report()
    assert report.obstructions == ()
    assert np.isnan(report.high_cn0_dbhz)
    assert not report.is_weak


def test_common_satellites_and_what_the_rover_misses():
    view = view_of(NEAR, T0_S, LEAP_S, PLACE)
    up = {
        (int(s), int(n))
        for s, n, e in zip(view.system, view.satellite, view.elevation_rad, strict=True)
        if e > np.radians(12)
    }
    hidden = next(k for k in sorted(up) if k[0] == 1)
    sky = common_sky(view, up, up - {hidden})
    assert sky.rover_misses == (satellite_name(*hidden),)
    assert len(sky.common) == len(up) - 1
    assert satellite_name(*hidden) in sky.sentence()
    # A rover that does not use Galileo at all misses none of it.
    gps_only = {k for k in up if k[0] == 1}
    assert common_sky(view, up, gps_only).rover_misses == ()


def test_a_forecast_covers_its_hours_and_an_obstruction_makes_it_worse():
    free = forecast(NEAR, T0_S, LEAP_S, PLACE, base_ecef_m=PLACE + 3000.0, hours=12.0, step_s=600.0)
    assert len(free.t_gpst_s) == 73
    assert np.isfinite(free.pdop).all()
    blocked = np.zeros((N_SECTORS, N_BANDS), bool)
    blocked[:14, :8] = True
    worse = forecast(NEAR, T0_S, LEAP_S, PLACE, base_ecef_m=PLACE + 3000.0, hours=12.0, step_s=600.0,
                     rover_blocked=blocked)  # fmt: skip
    assert (worse.common < free.common).mean() > 0.9
    ok = np.isfinite(worse.pdop)
    assert (worse.pdop[ok] >= free.pdop[ok] - 1e-9).all()
    assert worse.is_poor().any()
    higher = forecast(NEAR, T0_S, LEAP_S, PLACE, hours=1.0, mask_deg=30.0)
    lower = forecast(NEAR, T0_S, LEAP_S, PLACE, hours=1.0, mask_deg=5.0)
    assert (higher.common <= lower.common).all()


def test_windows_cover_the_forecast_without_gaps():
    blocked = np.zeros((N_SECTORS, N_BANDS), bool)
    blocked[:16, :8] = True
    sky = forecast(NEAR, T0_S, LEAP_S, PLACE, rover_blocked=blocked)
    cut = windows(sky)
    assert len(cut) > 1
    assert cut[0].t_from_s == T0_S
    assert all(a.t_to_s == b.t_from_s and a.kind != b.kind for a, b in itertools.pairwise(cut))
    assert cut[-1].t_to_s == sky.t_gpst_s[-1]


def test_no_ephemerides_forecast_nothing():
    sky = forecast({}, T0_S, LEAP_S, PLACE, hours=1.0)
    assert np.isnan(sky.pdop).all()
    assert not sky.is_good().any() and sky.is_poor()[0]  # later ones are not known
    assert [w.kind for w in windows(sky)] == ["poor", "unknown"]


def test_text_views_fit_and_name_what_they_show():
    sky = forecast(NEAR, T0_S, LEAP_S, PLACE, hours=6.0)
    strip = forecast_strip(sky, 40)
    assert len(strip) == 40
    assert set(strip) <= set("#+.")
    assert forecast_strip(sky, 0) == ""
    view = view_of(NEAR, T0_S, LEAP_S, PLACE)
    names = view.names()
    top = int(np.argmax(view.elevation_rad))
    chart = sky_chart(view, set(NEAR))
    assert names[top] in chart
    assert names[top].lower() in sky_chart(view, set())
    assert max(map(len, chart.splitlines())) <= 43


def test_clock_text_turns_gps_time_into_local_time():
    # 2024-03-13 16:35:27 UTC is 318 945 s of the GPS week (a station capture, reference table of time).
    assert clock_text(318_945.0, 18.0) == "Wed 16:35"
    assert clock_text(318_945.0, 18.0, utc_offset_s=43_200.0) == "Thu 04:35"
    assert clock_text(5.0, 18.0) == "Sat 23:59"


def test_a_rough_integration_of_glonass_is_good_for_directions_after_twelve_hours():
    from hubtack.orbits.ephemeris import parse_ephemeris
    from hubtack.orbits.glonass import ROUGH_STEP_S
    from hubtack.orbits.satellites import line_of_sight, satellite_states

    chosen = [parse_ephemeris(p) for p in constellation(seed=6, gps=0, glonass=12)]
    t = np.full(12, T0_S + 43_200.0)
    fine, rough = (
        line_of_sight(satellite_states(chosen, t, LEAP_S, glonass_step_s=step).pos_ecef_m, PLACE)
        for step in (120.0, ROUGH_STEP_S)
    )
    apart = np.degrees(np.arccos(np.clip(np.sum(fine.unit_ecef * rough.unit_ecef, axis=1), -1.0, 1.0)))
    assert apart.max() < 0.01
