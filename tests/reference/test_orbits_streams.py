"""Recorded streams: where the base comes out against its own broadcast position. The streams stay outside."""


import numpy as np
import pytest
from tests.orbits.orbit_helpers import real_stream

from hubtack.decode.decoder import Decoder
from hubtack.geo import ecef_to_geodetic
from hubtack.orbits.api import EPHEMERIS_MESSAGES, BasePositionResult, BaseWatcher, CannotTell
from hubtack.orbits.atmosphere import ionosphere_factor, klobuchar_m, troposphere_mapping, troposphere_zenith_m
from hubtack.orbits.satellites import line_of_sight, satellite_states, sent_at_s
from hubtack.orbits.signals import SPEED_OF_LIGHT_M_S, band, frequency_hz, group_delay_s


def _watched(name: str) -> tuple[BaseWatcher, bytes]:
    path = real_stream(name)
    if path is None:
        pytest.skip("no folder of recorded streams in HUBTACK_STREAMS")
    data = path.read_bytes()
    decoder = Decoder(observables=True, keep_payloads=EPHEMERIS_MESSAGES)
    watcher = BaseWatcher()
    for i in range(0, len(data), 1000):
        watcher.feed(decoder.feed(data[i : i + 1000]))
    watcher.feed(decoder.flush())
    watcher.close()
    return watcher, data


def test_a_network_stream_of_87_s_agrees_with_its_broadcast_position_within_4_m():
    watcher, _ = _watched("rtcm_network_msm4_02.rtcm3")
    result = watcher.result()
    assert isinstance(result, BasePositionResult)
    assert result.computed_base
    assert not result.misplaced
    assert result.plan_m < 3.0
    assert abs(result.offset_enu_m[2]) < 4.0
    score = result.offset_enu_m @ np.linalg.solve(result.measured.covariance_enu_m2, result.offset_enu_m)
    assert score < 11.3  # 99 % of chi squared with 3 degrees of freedom: the stated uncertainty holds
    assert watcher.disturbances == []


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("station_all_messages.rtcm3", "too_few_satellites"),  # one ephemeris of each constellation
        ("station_short_msm7.rtcm3", "no_ephemerides"),
        ("rtcm_base_msm4_split_epoch_01.rtcm3", "no_ephemerides"),
        ("mixed_nmea_rtcm.bin", "no_ephemerides"),
    ],
)
def test_streams_that_cannot_tell_say_why(name, code):
    watcher, _ = _watched(name)
    answer = watcher.result()
    assert isinstance(answer, CannotTell)
    assert answer.code == code


def test_one_satellite_of_each_constellation_gives_one_receiver_clock():
    # At a known place a pseudorange less geometry, satellite clock, atmosphere and group delay is the receiver's clock
    # plus the offset of the system's time. Four constellations, five messages: within 30 m (100 ns) of each other, or
    # an orbit, a clock or a scale of one of them would be wrong. GLONASS and BeiDou differ by their receiver biases;
    # here all lie within 15 m.
    watcher, data = _watched("station_all_messages.rtcm3")
    decoder = Decoder(observables=True, keep_payloads=EPHEMERIS_MESSAGES)
    parts = [decoder.feed(data), decoder.flush()]
    rows = [(part, i) for part in parts for i in range(len(part.satellites))]
    place = watcher.place_ecef_m
    lat, lon, h = (float(v[0]) for v in ecef_to_geodetic(place[None]))
    t_s, clocks = 318_945.0, {}
    for (system, satellite), ephemeris in watcher.ephemerides.nearest(t_s, 18.0).items():
        for part, i in rows:
            cell = part.satellites
            # 1076 and 1077 of this stream do not share a receiver clock: of one message only.
            if part.frames["type"][int(cell["frame"][i])] % 10 != 7 or part.frames["type"][int(cell["frame"][i])] < 1071:
                continue
            if (cell["system"][i], cell["satellite"][i]) != (system, satellite):
                continue
            signal = int(cell["signal"][i])
            delay = group_delay_s(ephemeris, band(system, signal))
            code_m = np.array([cell["pseudorange_m"][i]])
            if not np.isfinite(delay) or not np.isfinite(code_m[0]):
                continue
            sent = sent_at_s([ephemeris], np.array([t_s]), code_m)
            state = satellite_states([ephemeris], sent, 18.0)
            sight = line_of_sight(state.pos_ecef_m, place)
            delays = troposphere_zenith_m(lat, h) * troposphere_mapping(sight.elevation_rad)
            delays += klobuchar_m(lat, lon, sight.azimuth_rad, sight.elevation_rad, t_s) * ionosphere_factor(
                frequency_hz(system, signal, ephemeris.channel))
            clock = code_m - sight.range_m + state.clock_s * SPEED_OF_LIGHT_M_S - delay * SPEED_OF_LIGHT_M_S - delays
            clocks.setdefault((system, ephemeris.message), []).append(float(clock[0]))
            assert sight.elevation_rad[0] > 0.05
    assert {system for system, _ in clocks} == {1, 2, 3, 4}
    medians = [float(np.median(v)) for v in clocks.values()]
    assert max(medians) - min(medians) < 30.0, clocks
    for values in clocks.values():
        assert max(values) - min(values) < 15.0, clocks
