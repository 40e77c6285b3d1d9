"""Sentences and frames as tables: equal to the reference decoders, and to themselves however the bytes come."""

from __future__ import annotations

import datetime as dt
import itertools
import math

import numpy as np
import pynmeagps
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.framing.test_splitter import EXAMPLE_1005, frame
from tests.rover_text import gga, gst, sentence

from hubtack.decode.decoder import Decoder
from hubtack.decode.nmea import number, time_ms
from hubtack.decode.tables import TABLE_COLUMNS, Decoded, Rows, pack_text, unpack_text


def decode(*chunks: bytes, **kwargs: object) -> Decoded:
    """All of it in one; tables are joined."""
    decoder = Decoder(**kwargs)  # type: ignore[arg-type]
    parts = [decoder.feed(c) for c in chunks] + [decoder.flush()]
    out = Decoded()
    kinds = sorted({k for p in parts for k in p.sentences})
    out.sentences = {k: Rows.concat([p.sentences[k] for p in parts if k in p.sentences]) for k in kinds}
    for name in ("frames", "stations"):
        setattr(out, name, Rows.concat([getattr(p, name) for p in parts]))
    out.texts = [t for p in parts for t in p.texts]
    for p in parts:
        for name in ("bytes", "frames", "bad_crc", "sentences", "bad_checksums", "no_checksum", "other_bytes"):
            setattr(out.counts, name, getattr(out.counts, name) + getattr(p.counts, name))
    return out


# Sentences of receiver manuals, a public ship log and pynmeagps' test data; all checksums recomputed.
CHECK_SENTENCES = [
    b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    b"$GPGGA,195959.00,1541.31258893,N,05130.51204125,W,2,06,1.5,9.2,M,-37.6,M,4.0,0138*7E",
    b"$GPVTG,147.44,T,164.31,M,0.26,N,0.49,K,D*2C",
    b"$GPZDA,195959.00,14,01,2020,00,00*6A",
    b"$GPGST,195959.00,0.30,0.36,0.26,283.74,0.26,0.36,0.68*68",
    b"$GPGSA,M,3,14,16,26,27,29,31,,,,,,,2.7,1.5,2.3*34",
    b"$GPGSV,3,1,12,03,09,280,,04,11,322,,08,11,209,35,14,68,160,42*70",
    b"$GPHDT,74.20,T*34",
    b"$GPGGA,170244.00,5201.7048514,N,00441.4288544,E,4,16,0.7,6.634,M,43.40,M,01,0013*55",
    b"$GNGNS,103607.00,5327.03942,N,00214.42462,W,AANN,06,5.88,56.0,48.5,,,V*34",
    b"$GNGBS,103607.00,15.1,24.2,31.0,,,,,,*6F",
    b"$GPTHS,23.34,A*31",
    b"$GNGSA,A,3,23,24,20,12,,,,,,,,,9.62,5.88,7.62,1*0C",
    b"$GLGSV,2,1,07,66,10,179,,67,52,218,22,68,46,309,30,69,05,340,17,1*71",
    b"$GNGGA,,,,,,0,00,99.99,,,,,,*56",
    b"$GPGSV,1,1,00,1*64",
]
# Our column, pynmeagps' attribute, and what to do to its value.
SAME_AS = {
    "GGA": {"latitude_deg": "lat", "longitude_deg": "lon", "quality": "quality", "satellites": "numSV", "hdop": "HDOP",
            "h_geoid_m": "alt", "geoid_separation_m": "sep", "age_s": "diffAge"},
    "GNS": {"latitude_deg": "lat", "longitude_deg": "lon", "satellites": "numSV", "hdop": "HDOP", "h_geoid_m": "alt"},
    "GST": {"rms_m": "rangeRms", "sigma_major_m": "stdMajor", "sigma_minor_m": "stdMinor", "orientation_deg": "orient",
            "sigma_north_m": "stdLat", "sigma_east_m": "stdLong", "sigma_up_m": "stdAlt"},
    "GSA": {"pdop": "PDOP", "hdop": "HDOP", "vdop": "VDOP", "sat_1": "svid_01", "sat_4": "svid_04"},
    "RMC": {"latitude_deg": "lat", "longitude_deg": "lon", "course_deg": "cog"},
    "VTG": {"course_deg": "cogt"},
    "HDT": {"heading_deg": "headingT"},
    "GSV": {"in_view": "numSV", "cn0_2_dbhz": "cno_02", "elevation_3_deg": "elv_03"},
}  # fmt: skip


@pytest.mark.parametrize("text", CHECK_SENTENCES)
def test_check_sentences_decode_as_pynmeagps_does(text: bytes) -> None:
    decoded = decode(text + b"\r\n")
    assert decoded.counts.sentences == 1
    formatter = text[3:6].decode()
    reference = pynmeagps.NMEAReader.parse(text + b"\r\n")
    for column, attribute in SAME_AS.get(formatter, {}).items():
        theirs = getattr(reference, attribute, "")
        ours = decoded.sentences[formatter][column][0]
        if theirs == "":
            assert math.isnan(ours), column
        else:
            # pynmeagps rounds degrees to ten decimals.
            assert ours == pytest.approx(float(theirs), abs=1e-9), column


@settings(max_examples=200, deadline=None)
@given(st.integers(-(10**9), 10**9), st.integers(0, 9))
def test_a_number_equals_float_of_its_text_to_the_bit(mantissa: int, digits: int) -> None:
    text = f"{mantissa / 10**digits:.{digits}f}"
    assert number(text.encode()) == float(text)


@pytest.mark.parametrize("text", [b"", b"nan", b"inf", b"1e5", b"1_0", b"0x10", b"--1", b"1.2.3", b".", b"-", b"12a"])
def test_what_is_no_plain_number_is_no_value(text: bytes) -> None:
    assert math.isnan(number(text))


@pytest.mark.parametrize(("text", "ms"), [
    (b"000000", 0), (b"235959.999", 86_399_999), (b"123519.9996", 45_319_000 + 1000), (b"235960.00", 86_400_000),
    (b"240000", None), (b"126000", None), (b"12351", None), (b"", None), (b"12:35:19", None),
])  # fmt: skip
def test_times_of_day(text: bytes, ms: int | None) -> None:
    # 23:59:60 is the inserted leap second (ITU-R TF.460; date libraries refuse it).
    value = time_ms(text)
    assert (math.isnan(value) and ms is None) or value == ms


def test_positions_out_of_range_or_without_hemisphere_are_no_value() -> None:
    for place in ("9100.000,N,01131.000,E", "4860.000,N,18131.000,E", "4807.038,,01131.000,", "4807.038,X,01131.000,E"):
        rows = decode(sentence(f"GPGGA,123519,{place},4,08,0.9,545.4,M,46.9,M,,")).sentences["GGA"]
        assert math.isnan(rows["latitude_deg"][0]) or math.isnan(rows["longitude_deg"][0])


def test_south_and_west_are_negative() -> None:
    rows = decode(sentence("GPGGA,123519,4530.000,S,17030.000,W,4,08,0.9,1.0,M,4.0,M,,")).sentences["GGA"]
    assert (rows["latitude_deg"][0], rows["longitude_deg"][0]) == (-45.5, -170.5)


def test_a_bad_checksum_is_counted_and_not_used_and_a_missing_one_is_used_and_counted() -> None:
    good = gga(1000)
    decoded = decode(good[:-4] + b"00\r\n" + good[: good.index(b"*")] + b"\r\n" + good)
    assert decoded.counts.bad_checksums == 1
    assert decoded.counts.no_checksum == 1
    assert len(decoded.sentences["GGA"]) == 2


def test_a_sentence_that_has_lost_its_checksum_on_the_way_is_not_used() -> None:
    """A sender that gives a sentence its checksum always does; a line without one has been cut."""
    good = gga(1000)
    decoded = decode(good + good[: good.index(b",M,")] + b"\r\n" + good)
    assert (decoded.counts.bad_checksums, len(decoded.sentences["GGA"])) == (1, 2)


def test_a_quiet_link_does_not_turn_half_a_sentence_into_data() -> None:
    decoder = Decoder()
    half = gga(1000)[:70]
    assert not decoder.feed(half).sentences
    assert not decoder.release().sentences
    assert len(decoder.feed(gga(1000)[70:]).sentences["GGA"]) == 1


def test_lower_case_checksums_are_taken() -> None:
    good = gst(1000).decode()
    star = good.index("*")
    assert decode((good[:star] + good[star:].lower()).encode()).counts.bad_checksums == 0


@pytest.mark.parametrize("stamp", [b"2018-12-06T00:00:00.5000Z ", b"2018-12-06 00:00:00.5,", b"1544054400.5 "])
def test_a_loggers_stamp_is_read_and_is_no_junk(stamp: bytes) -> None:
    decoded = decode(stamp + gga(1000) + stamp + gst(1000))
    expected = dt.datetime(2018, 12, 6, tzinfo=dt.UTC).timestamp() + 0.5
    assert decoded.sentences["GGA"]["stamp_utc_s"][0] == expected
    assert decoded.counts.other_bytes == 0


def test_a_signal_id_is_not_taken_for_a_satellite() -> None:
    rows = decode(sentence("GPGSV,1,1,01,12,45,120,40,1")).sentences["GSV"]
    assert rows["signal_id"][0] == 1
    assert math.isnan(rows["sat_2"][0])


def test_text_of_up_to_six_bytes_survives_packing() -> None:
    for text in (b"0013", b"AB12CD", b"R"):
        assert unpack_text(pack_text(text)).encode() == text
    assert unpack_text(float("nan")) == ""


def test_the_published_1005_gives_its_position() -> None:
    # RTCM 10403.3, section 4: station 2003, X 1114104.5999, Y -4850729.7108, Z 3975521.4643 m.
    stations = decode(EXAMPLE_1005).stations
    assert stations["station_id"][0] == 2003
    position = [stations[c][0] for c in ("x_m", "y_m", "z_m")]
    assert position == pytest.approx([1114104.5999, -4850729.7108, 3975521.4643], abs=5e-5)


def test_the_published_1029_gives_its_text() -> None:
    # RTCM 10403.x, 1029 example (from memory; its CRC passes): 21 characters in 30 bytes.
    raw = bytes.fromhex(
        "d300274050170084736e151e5554462d3820d0bfd180d0bed0b2d0b5d180d0bad0b02077c3b6727465 72eda33b".replace(" ", "")
    )
    text = decode(raw).texts[0]
    assert (text.station_id, text.fields["mjd"], text.fields["seconds_of_day"]) == (23, 132, 59100)
    assert text.fields["text"] == "UTF-8 проверка wörter"


def test_a_failed_crc_counts_only_for_types_that_a_base_sends() -> None:
    broken = bytearray(EXAMPLE_1005)
    broken[-2] ^= 1
    assert decode(bytes(broken)).counts.bad_crc == 1
    noise = bytearray(frame(b"\x00\x10" + bytes(20)))
    noise[-2] ^= 1
    assert decode(bytes(noise)).counts.bad_crc == 0


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 4000), max_size=25), st.binary(max_size=30))
def test_any_cut_gives_the_same_tables(places: list[int], junk: bytes) -> None:
    data = b"".join(gga(i * 1000) + EXAMPLE_1005 + junk + gst(i * 1000) for i in range(20))
    bounds = [0, *sorted(p for p in places if p < len(data)), len(data)]
    a = decode(data)
    b = decode(*(data[x:y] for x, y in itertools.pairwise(bounds)))
    assert a.counts == b.counts or (a.counts.sentences, a.counts.frames, a.counts.other_bytes, a.counts.bad_crc) == (
        b.counts.sentences,
        b.counts.frames,
        b.counts.other_bytes,
        b.counts.bad_crc,
    )
    for kind in a.sentences:
        np.testing.assert_array_equal(a.sentences[kind].values, b.sentences[kind].values)
        np.testing.assert_array_equal(a.sentences[kind].end, b.sentences[kind].end)
    np.testing.assert_array_equal(a.frames.values, b.frames.values)


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=2000))
def test_arbitrary_bytes_raise_nothing(data: bytes) -> None:
    decode(data)
    decode(b"$" + data + b"\r\n")


@settings(max_examples=200, deadline=None)
@given(st.integers(1001, 1140), st.binary(max_size=400))
def test_arbitrary_payloads_with_a_good_crc_raise_nothing(kind: int, tail: bytes) -> None:
    payload = (kind << 4).to_bytes(2, "big") + tail
    decoded = decode(frame(payload), observables=True)
    assert decoded.counts.frames == 1
    assert decoded.frames["type"][0] == kind


def test_every_table_has_distinct_columns() -> None:
    for columns in TABLE_COLUMNS.values():
        assert len(set(columns)) == len(columns)
