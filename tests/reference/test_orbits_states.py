"""Satellite positions, clocks and directions against a general GNSS library (pyrtklib, a binding of a BSD-2 library),
an astronomy library (skyfield, MIT) and the nominal constellation of the GPS SPS Performance Standard."""


import numpy as np
import pytest
from tests.orbits.orbit_helpers import LEAP_S, T0_S, encode, glonass_values, kepler_values

from hubtack.geo import geodetic_to_ecef
from hubtack.orbits.ephemeris import parse_ephemeris
from hubtack.orbits.satellites import OMEGA_EARTH_RAD_S, line_of_sight, satellite_states
from hubtack.orbits.signals import SPEED_OF_LIGHT_M_S

GPS_WEEK = 2305  # 13 March 2024


def _library_kepler(rtk, ephemeris, t_s):
    system = {1: rtk.SYS_GPS, 3: rtk.SYS_GAL, 4: rtk.SYS_CMP, 5: rtk.SYS_QZS}[ephemeris.system]
    eph = rtk.eph_t()
    eph.sat = rtk.satno(system, ephemeris.satellite + (192 if ephemeris.system == 5 else 0))
    eph.A, eph.e, eph.M0, eph.deln = ephemeris.sqrt_a**2, ephemeris.e, ephemeris.m0_rad, ephemeris.delta_n_rad_s
    eph.i0, eph.idot, eph.OMG0, eph.omg = (
        ephemeris.i0_rad, ephemeris.idot_rad_s, ephemeris.omega0_rad, ephemeris.omega_rad)
    eph.OMGd = ephemeris.omega_dot_rad_s
    eph.crs, eph.crc, eph.cus, eph.cuc = ephemeris.crs_m, ephemeris.crc_m, ephemeris.cus_rad, ephemeris.cuc_rad
    eph.cis, eph.cic = ephemeris.cis_rad, ephemeris.cic_rad
    eph.f0, eph.f1, eph.f2 = ephemeris.af0_s, ephemeris.af1, ephemeris.af2
    # The library keeps BeiDou's own seconds of week beside a GPS time.
    eph.toes = ephemeris.toe_s - (14.0 if ephemeris.system == 4 else 0.0)
    eph.toe, eph.toc = rtk.gpst2time(GPS_WEEK, ephemeris.toe_s), rtk.gpst2time(GPS_WEEK, ephemeris.toc_s)
    pos, clock, var = rtk.Arr1Ddouble(3), rtk.Arr1Ddouble(1), rtk.Arr1Ddouble(1)
    rtk.eph2pos(rtk.gpst2time(GPS_WEEK, t_s), eph, pos, clock, var)
    return np.array([pos[i] for i in range(3)]), clock[0]


@pytest.mark.parametrize(("message", "satellite"), [(1019, 7), (1042, 14), (1042, 3), (1042, 60), (1044, 2), (1045, 11),
                                                    (1046, 11)])
def test_positions_and_clocks_agree_with_a_gnss_library_to_a_millimetre(message, satellite):
    rtk = pytest.importorskip("pyrtklib")
    rng = np.random.default_rng(message)
    for dt in (-7200.0, -600.0, 0.0, 33.3, 3600.0, 7100.0):
        over = {"i0_rad": 0.05, "sqrt_a": 42_164_000.0**0.5} if satellite in (3, 60) else {}
        ephemeris = parse_ephemeris(encode(message, kepler_values(message, satellite, rng, **over)))
        expected, clock = _library_kepler(rtk, ephemeris, T0_S + dt)
        got = satellite_states([ephemeris], np.array([T0_S + dt]), LEAP_S)
        assert np.linalg.norm(got.pos_ecef_m[0] - expected) < 1e-3
        assert abs(got.clock_s[0] - clock) * SPEED_OF_LIGHT_M_S < 1e-3


def test_glonass_agrees_with_a_gnss_library_to_a_centimetre():
    rtk = pytest.importorskip("pyrtklib")
    rng = np.random.default_rng(20)
    for dt in (-900.0, -450.0, 0.0, 10.0, 900.0):
        ephemeris = parse_ephemeris(encode(1020, glonass_values(4, rng)))
        eph = rtk.geph_t()
        eph.sat = rtk.satno(rtk.SYS_GLO, 4)
        tb_s = T0_S - (T0_S - LEAP_S - ephemeris.tb_utc_s) % 86_400.0  # tb of the same day, in GPS time
        eph.toe = rtk.gpst2time(GPS_WEEK, tb_s)
        for i in range(3):
            eph.pos[i], eph.vel[i], eph.acc[i] = ephemeris.state_m[i::3]
        eph.taun, eph.gamn = -ephemeris.af0_s, ephemeris.af1
        pos, clock, var = rtk.Arr1Ddouble(3), rtk.Arr1Ddouble(1), rtk.Arr1Ddouble(1)
        rtk.geph2pos(rtk.gpst2time(GPS_WEEK, tb_s + dt), eph, pos, clock, var)
        got = satellite_states([ephemeris], np.array([tb_s + dt]), LEAP_S)
        # The library uses mu = 3.9860044e14 of an older PZ-90: 4 mm at 15 min.
        assert np.linalg.norm(got.pos_ecef_m[0] - [pos[i] for i in range(3)]) < 0.01
        assert abs(got.clock_s[0] - clock[0]) * SPEED_OF_LIGHT_M_S < 1e-3


def test_the_nominal_slots_come_out_where_the_standard_puts_them():
    # GPS SPS Performance Standard (2001), table 3-1: slots A3 and D4, node and argument of latitude; ECEF derived with
    # mu 3.986005e14 and the Greenwich angle 279.06 degrees of the table's epoch (A3 and D4 in kilometres).
    for raan_deg, u_deg, expected_km in ((272.847, 11.676, (26191.005, 249.965, 4403.004)),
                                         (92.847, 167.356, (25402.494, -6119.742, 4762.323))):
        rng = np.random.default_rng(1)
        node = np.radians(raan_deg - 279.06) + OMEGA_EARTH_RAD_S * T0_S  # so that the node is right at T0
        zero = dict.fromkeys(("crs_m", "crc_m", "cus_rad", "cuc_rad", "cis_rad", "cic_rad", "delta_n_rad_s", "e",
                              "omega_rad", "omega_dot_rad_s", "idot_rad_s"), 0.0)
        values = kepler_values(1019, 3, rng, **zero, i0_rad=np.radians(55.0), toe_s=T0_S, sqrt_a=26_559_700.0**0.5,
                               m0_rad=np.radians(u_deg), omega0_rad=(node + np.pi) % (2 * np.pi) - np.pi)
        got = satellite_states([parse_ephemeris(encode(1019, values))], np.array([T0_S]), LEAP_S)
        assert got.pos_ecef_m[0] / 1e3 == pytest.approx(expected_km, abs=0.02)


def test_directions_agree_with_an_astronomy_library_to_a_hundredth_of_a_degree():
    api = pytest.importorskip("skyfield.api")
    from skyfield.toposlib import wgs84

    ts = api.load.timescale(builtin=True)
    t = ts.utc(2024, 3, 13, 16, 20, 0)
    place = wgs84.latlon(52.3, 4.9, elevation_m=30.0)
    rotation = place.rotation_at(t)  # GCRS to the place's north, east, up axes
    from skyfield.framelib import itrs

    rng = np.random.default_rng(8)
    ours_at = geodetic_to_ecef(np.array([52.3]), np.array([4.9]), np.array([30.0]))[0]
    for _ in range(30):
        direction = rng.normal(size=3)
        satellite = direction / np.linalg.norm(direction) * 26.56e6
        sight = line_of_sight(satellite[None], ours_at)
        # The library knows no signal travel: hand it the satellite already turned by it.
        turn = OMEGA_EARTH_RAD_S * np.linalg.norm(satellite - ours_at) / SPEED_OF_LIGHT_M_S
        spun = np.array([satellite[0] * np.cos(turn) + satellite[1] * np.sin(turn),
                         satellite[1] * np.cos(turn) - satellite[0] * np.sin(turn), satellite[2]])
        local = rotation @ (itrs.rotation_at(t).T @ (spun - ours_at))
        elevation = np.degrees(np.arcsin(local[2] / np.linalg.norm(local)))
        azimuth = np.degrees(np.arctan2(local[1], local[0])) % 360.0
        assert np.degrees(sight.elevation_rad[0]) == pytest.approx(elevation, abs=0.01)
        assert abs((np.degrees(sight.azimuth_rad[0]) - azimuth + 180) % 360 - 180) * np.cos(
            np.radians(elevation)) < 0.01


def test_range_agrees_with_a_gnss_library():
    rtk = pytest.importorskip("pyrtklib")
    satellite = np.array([15e6, 12e6, 18e6])
    place = geodetic_to_ecef(np.array([45.0]), np.array([20.0]), np.array([0.0]))[0]
    rs, rr, e = rtk.Arr1Ddouble(6), rtk.Arr1Ddouble(3), rtk.Arr1Ddouble(3)
    for i in range(3):
        rs[i], rr[i] = satellite[i], place[i]
    expected = rtk.geodist(rs, rr, e)  # first-order Earth rotation
    assert line_of_sight(satellite[None], place).range_m[0] == pytest.approx(expected, abs=1e-3)
