"""RTCM 3 frames with published or publicly known content."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.reference.rtcm_frames import frame, packed

from hubtack.decode.decoder import Decoder
from hubtack.decode.observations import lock_ms_4, lock_ms_10
from hubtack.decode.tables import Decoded

# Public test data of pyrtcm (one station's messages), decoded values as that library's tests have them.
STATION_1005 = "d300133ed00003841a8692bfb44b4bf4fab7dc37628a338479"
STATION_1006 = "d300153ee00003841a8692bfb44b4bf4fab7dc37628a01571ba9d6"
ANTENNA_1007 = "d300083ef4d203414243ea706fc7"
SETTINGS_1013 = "d300093f5000ebde74a780486a9a85"
TEXT_1029 = "d30010405000ebde74a78707556e6b6e6f776e958e4c"


def decode(data: str | bytes, **kwargs: set[int]) -> Decoded:
    return Decoder(keep_payloads=kwargs.get("keep", set())).feed(bytes.fromhex(data) if isinstance(data, str) else data)


@pytest.mark.parametrize("data", [STATION_1005, STATION_1006])
def test_a_stations_position(data: str) -> None:
    row = decode(data).stations
    assert [row[c][0] for c in ("x_m", "y_m", "z_m")] == pytest.approx(
        [1762489.6191, -5027633.8438, -3496008.8438], abs=5e-5
    )
    assert [row[c][0] for c in ("station_id", "computed", "gps", "glonass", "galileo")] == [0, 0, 1, 1, 1]


def test_the_antenna_height_of_1006_is_kept_apart_from_the_position() -> None:
    assert decode(STATION_1006).stations["antenna_height_m"][0] == pytest.approx(0.0343, abs=1e-9)
    assert math.isnan(decode(STATION_1005).stations["antenna_height_m"][0])


def test_descriptors_settings_and_text() -> None:
    antenna = decode(ANTENNA_1007).texts[0]
    assert (antenna.type, antenna.station_id, antenna.fields) == (1007, 1234, {"antenna": "ABC", "setup_id": 234})
    told = decode(SETTINGS_1013).texts[0].fields
    assert told == {"mjd": 60382, "seconds_of_day": 59727, "leap_s": 18}
    assert decode(TEXT_1029).texts[0].fields["text"] == "Unknown"


def test_the_position_of_the_physical_base() -> None:
    # 1032: number 12, non-physical ID 12, physical ID 12, ITRF year 6, three coordinates of 38 bits at 0.1 mm
    # (order and widths: pyrtcm's table of 1032).
    xyz = (41_234_567_890, -1_234_567, 99_876_543_210)
    data = packed([(1032, 12), (17, 12), (18, 12), (0, 6), *((v, 38) for v in xyz)])
    row = decode(frame(data)).stations
    assert [row[c][0] for c in ("type", "station_id", "physical_id")] == [1032, 17, 18]
    assert [row[c][0] for c in ("x_m", "y_m", "z_m")] == pytest.approx([v / 1e4 for v in xyz], abs=5e-5)


@settings(max_examples=80, deadline=None)
@given(st.tuples(*[st.integers(-(2**37), 2**37 - 1)] * 3), st.integers(0, 4095), st.integers(0, 65535))
def test_every_position_comes_back(xyz: tuple[int, int, int], station: int, height: int) -> None:
    x, y, z = xyz
    bits = [
        (1006, 12),
        (station, 12),
        (0, 6),
        (1, 1),
        (0, 1),
        (1, 1),
        (1, 1),
        (x, 38),
        (1, 1),
        (0, 1),
        (y, 38),
        (0, 2),
        (z, 38),
        (height, 16),
    ]
    row = decode(frame(packed(bits))).stations
    assert [round(row[c][0] * 1e4) for c in ("x_m", "y_m", "z_m")] == [x, y, z]
    assert (row["station_id"][0], round(row["antenna_height_m"][0] * 1e4), row["computed"][0]) == (station, height, 1)


def test_lock_times_join_without_a_step() -> None:
    """RTCM 10403.3 tables of DF402 and DF407 (from memory; 704 is met in real frames)."""
    assert lock_ms_4(np.arange(16))[[0, 1, 15]].tolist() == [0, 32, 524_288]
    values = lock_ms_10(np.arange(1024))
    assert values[[0, 63, 64, 96, 128, 256, 672, 704]].tolist() == [0, 63, 64, 128, 256, 4096, 33_554_432, 67_108_864]
    assert bool((np.diff(values[:705]) > 0).all())
    assert bool(np.isnan(values[705:]).all())


def test_a_fillers_empty_payload_is_a_frame_without_a_type() -> None:
    frames = decode("d3000047ea4b").frames
    assert (len(frames), frames["type"][0]) == (1, -1)


def test_payloads_are_kept_on_demand() -> None:
    kept = decode(STATION_1005, keep={1005}).payloads
    assert kept == [(0, 25, 1005, bytes.fromhex(STATION_1005)[3:-3])]
    assert decode(STATION_1005, keep={1019}).payloads == []


def test_masks_that_announce_more_than_the_payload_holds_give_no_cells() -> None:
    data = packed([(1074, 12), (1, 12), (0, 30), (0, 19), (2**64 - 1, 64), (1, 32)])
    decoded = decode(frame(data + bytes(20)))
    assert (len(decoded.satellites), decoded.frames["n_cells"][0]) == (0, 0)
