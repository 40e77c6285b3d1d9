"""Time marks in bytes, whole, byte by byte and with trailing bytes; and one axis for several logs."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hubtack.readers.pacing import Pace, PacedLog, TimeMarks, rtcm_utc_s

GGA = [b"$GNGGA,2359%02d.00,,,,,0,,,,,,,,*66\r\n" % s for s in (58, 59)] + [b"$GNGGA,000000.00,,,,,0,,,,,,,,*66\r\n"]


def cut(data, bounds):
    found = TimeMarks()
    pieces, last = [], 0
    for bound in [*sorted(bounds), len(data)]:
        pieces += found.feed(data[last:bound])
        last = bound
    return pieces + found.feed(b"", end=True)


def times(pieces):
    return [tod for tod, _ in pieces if tod is not None]


@pytest.mark.parametrize("tail", [b"", b"$GNGGA,0000", b"\xd3\x00", b"\xd3\x00\x13garbage", bytes(3000)])
def test_marks_are_the_same_whole_and_byte_by_byte_and_with_trailing_bytes(tail):
    data = b"boot text\r\n" + b"".join(GGA) + tail
    whole, single = cut(data, []), cut(data, range(1, len(data)))
    assert b"".join(d for _, d in whole) == b"".join(d for _, d in single) == data
    assert times(whole) == [86398.0, 86399.0, 0.0]
    assert [t for i, t in enumerate(times(single)) if i == 0 or t != times(single)[i - 1]] == times(whole)


@given(st.binary(max_size=4000), st.lists(st.integers(0, 4000), max_size=8))
def test_any_bytes_come_out_as_they_went_in(data, bounds):
    assert b"".join(d for _, d in cut(data, [min(b, len(data)) for b in bounds])) == data


@pytest.mark.parametrize(
    ("number", "epoch_ms", "utc_s"),
    [
        (1077, 18_000, 0.0),  # GPS time of week is 18 s ahead of UTC (IERS Bulletin C)
        (1097, 86_400_000 + 18_000, 0.0),
        (1127, 4_000, 0.0),  # BDT is 14 s behind GPS time (BeiDou ICD)
        (1087, (2 << 27) + 10_800_000, 0.0),  # GLONASS: day of week, Moscow time (DF416, DF034)
    ],
)
def test_rtcm_epoch_times_become_utc(number, epoch_ms, utc_s):
    head = (number << 52 | 7 << 40 | epoch_ms << 10).to_bytes(8, "big")
    assert rtcm_utc_s(b"\xd3\x00\x08" + head + b"\0\0\0") == utc_s


def test_a_station_message_has_no_time():
    # The 1005 example of RTCM 10403.3, section 4
    assert rtcm_utc_s(bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")) is None


class Still:
    now_ns = 0

    def mono_ns(self):
        return self.now_ns


def test_logs_that_share_a_pace_keep_their_distance_across_midnight():
    pace = Pace(Still())
    rover, corrections = PacedLog(pace), PacedLog(pace)
    assert rover.due_ns(86399.0) == 0
    assert corrections.due_ns(4.0) == 5_000_000_000
    assert rover.due_ns(2.0) == 3_000_000_000


def test_a_late_sentence_does_not_turn_time_back_and_a_long_gap_is_closed_up():
    way = PacedLog(Pace(Still()))
    way.due_ns(1000.0)
    assert way.due_ns(1001.0) == 1_000_000_000
    assert way.due_ns(1000.5) == 1_000_000_000
    assert way.due_ns(1002.0) == 2_000_000_000
    assert way.due_ns(9000.0) == 3_000_000_000
