"""Ephemeris payloads: round trips, and what is refused."""

import numpy as np
import pytest
from tests.orbits.orbit_helpers import encode, glonass_values, kepler_values

from hubtack.orbits.ephemeris import EphemerisStore, age_s, parse_ephemeris, read_fields
from hubtack.orbits.layouts import LAYOUTS

# RTCM 10403.3 by way of pyrtcm's widths, met in real frames.
BITS = {1019: 488, 1020: 360, 1042: 511, 1044: 485, 1045: 496, 1046: 504}


@pytest.mark.parametrize("message", BITS)
def test_layouts_have_the_published_length(message):
    assert sum(field.bits for field in LAYOUTS[message]) == BITS[message]


@pytest.mark.parametrize("message", BITS)
def test_every_field_survives_encoding_and_decoding_at_both_ends_of_its_range(message):
    for pick in ("low", "high"):
        values = {}
        for field in LAYOUTS[message]:
            half = (1 << field.bits - 1) - 1
            low = {"u": 0, "i": -half - 1, "s": -half}[field.kind]
            high = 2 * half + 1 if field.kind == "u" else half
            values[field.name] = (low if pick == "low" else high) * field.scale
        values["type"] = message
        assert read_fields(encode(message, values)) == pytest.approx(values, rel=1e-14)


def test_beidou_times_are_moved_to_gps_time():
    values = kepler_values(1042, 12, np.random.default_rng(1), toe_s=604_792.0, toc_s=604_792.0)
    ephemeris = parse_ephemeris(encode(1042, values))
    assert ephemeris.toe_s == 6.0  # 604792 + 14, over the end of the week
    assert age_s(ephemeris, 10.0, 18.0) == 4.0
    assert age_s(ephemeris, 604_790.0, 18.0) == -16.0


def test_glonass_reference_time_is_utc():
    ephemeris = parse_ephemeris(encode(1020, glonass_values(3, np.random.default_rng(1), tb_s=900.0)))
    assert ephemeris.tb_utc_s == 900.0 - 10_800.0 + 86_400.0


@pytest.mark.parametrize("payload", [b"", b"\x3f", b"\x3f\xb0", b"\x3f\xb0" + bytes(59), bytes(80)])
def test_short_or_empty_payloads_are_no_ephemeris(payload):
    assert parse_ephemeris(payload) is None


def test_random_bytes_never_raise():
    rng = np.random.default_rng(3)
    for message in BITS:
        for _ in range(200):
            noise = bytearray(rng.bytes(70))
            noise[0], noise[1] = message >> 4, (message & 15) << 4 | noise[1] & 15
            parse_ephemeris(bytes(noise))


def test_an_impossible_orbit_is_refused():
    rng = np.random.default_rng(1)
    assert parse_ephemeris(encode(1019, kepler_values(1019, 3, rng, e=0.49999))) is not None
    assert parse_ephemeris(encode(1019, kepler_values(1019, 3, rng, sqrt_a=100.0))) is None
    assert parse_ephemeris(encode(1020, glonass_values(3, rng, x_m=0.0, y_m=0.0, z_m=0.0))) is None


def test_an_unhealthy_satellite_says_so():
    rng = np.random.default_rng(1)
    assert not parse_ephemeris(encode(1019, kepler_values(1019, 3, rng, health=1))).healthy
    assert not parse_ephemeris(encode(1046, kepler_values(1046, 3, rng, invalid_e1=1))).healthy
    assert not parse_ephemeris(encode(1020, glonass_values(3, rng, unhealthy=1))).healthy


def test_the_store_keeps_two_and_hands_out_the_nearest_within_its_validity():
    rng = np.random.default_rng(1)
    store = EphemerisStore()
    for toe, iode in ((302_400.0, 1), (309_600.0, 2), (316_800.0, 3), (316_800.0, 3)):
        store.add_payloads([encode(1019, kepler_values(1019, 5, rng, toe_s=toe, iode=iode))])
    assert len(store) == 1
    assert store.nearest(311_000.0, 18.0)[1, 5].issue == 2
    assert store.nearest(316_000.0, 18.0)[1, 5].issue == 3
    assert store.nearest(330_000.0, 18.0) == {}
    assert store.nearest(330_000.0, 18.0, longest_age_factor=6.0)[1, 5].issue == 3


def test_galileo_inav_wins_over_fnav():
    rng = np.random.default_rng(1)
    store = EphemerisStore()
    store.add_payloads([encode(m, kepler_values(m, 5, rng)) for m in (1046, 1045)])
    assert store.nearest(318_100.0, 18.0)[3, 5].message == 1046
