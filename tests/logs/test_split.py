"""Times and gaps of a log, found by looking at it here and there."""

from __future__ import annotations

import gzip
import hashlib
import random
from pathlib import Path

import pytest
from tests.link_stream import Base, frame, pack, sent, stream
from tests.rover_text import clock, gga, good_rows, gst, sentence

from hubtack.errors import SourceError
from hubtack.logs import split
from hubtack.logs.split import ABSOLUTE, DAY_MS, WEEK_MS, Mark, elapsed_ms, iter_range, look_through, marks_in

HALF_HOUR_S = 1800.0


def rmc(tod_ms: int, day: str = "041126", status: str = "A") -> bytes:
    return sentence(f"GNRMC,{clock(tod_ms)},{status},4501.86,S,17000.72,E,0.01,0.0,{day},,,R")


def dated(start_ms: int, seconds: int, day: str = "041126") -> bytes:
    return b"".join(gga(t) + rmc(t, day) + gst(t) for t in range(start_ms, start_ms + seconds * 1000, 1000))


def stretches(tmp_path: Path, data: bytes, gap_s: float = HALF_HOUR_S) -> list[tuple[int, int]]:
    path = tmp_path / "rover.nmea"
    path.write_bytes(data)
    found = look_through(path, gap_s)
    assert found.stretches[0].start == 0 and found.stretches[-1].end == len(data)
    assert all(a.end == b.start for a, b in zip(found.stretches, found.stretches[1:], strict=False))
    return [(s.start, s.end) for s in found.stretches]


def test_a_log_without_a_gap_is_one_stretch(tmp_path: Path) -> None:
    data = dated(36_000_000, 300)
    assert stretches(tmp_path, data) == [(0, len(data))]


def test_a_gap_is_cut_at_the_first_byte_of_the_new_epoch(tmp_path: Path) -> None:
    first, second = dated(36_000_000, 400), dated(36_000_000 + 400_000 + 1_900_000, 300)
    assert stretches(tmp_path, first + second) == [(0, len(first)), (len(first), len(first + second))]


def test_a_gap_that_is_just_not_longer_is_no_new_session(tmp_path: Path) -> None:
    first, second = dated(36_000_000, 400), dated(36_000_000 + 399_000 + 1_800_000, 300)
    assert len(stretches(tmp_path, first + second)) == 1
    later = dated(36_000_000 + 399_000 + 1_801_000, 300)
    assert len(stretches(tmp_path, first + later)) == 2


def test_the_gap_between_two_days_is_seen_with_dates_and_without(tmp_path: Path) -> None:
    evening, morning = 17 * 3_600_000, 7 * 3_600_000
    for first, second in (
        (dated(evening, 100), dated(morning, 100, "051126")),
        (good_rows(evening, 100), good_rows(morning, 100)),
    ):
        assert stretches(tmp_path, first + second) == [(0, len(first)), (len(first), len(first + second))]


def test_the_same_time_on_the_next_day_is_a_gap_where_the_date_is_known(tmp_path: Path) -> None:
    first, second = dated(36_000_000, 100), dated(36_099_000, 100, "051126")
    assert len(stretches(tmp_path, first + second)) == 2


def test_running_over_midnight_is_no_gap(tmp_path: Path) -> None:
    data = good_rows(86_300_000, 200)
    assert len(stretches(tmp_path, data)) == 1
    assert len(stretches(tmp_path, dated(86_300_000, 100) + dated(0, 100, "051126"))) == 1


def test_a_receiver_that_first_says_an_old_date_without_valid_data_starts_no_session(tmp_path: Path) -> None:
    cold = b"".join(gga(t, quality=0) + rmc(t, "060180", "V") for t in range(36_000_000, 36_010_000, 1000))
    assert len(stretches(tmp_path, cold + dated(36_010_000, 300))) == 1


def test_every_gap_of_a_long_log_is_found_whatever_lies_between(tmp_path: Path) -> None:
    rng = random.Random(5)
    data, at_ms, cuts = b"", 3_600_000, []
    for _ in range(6):
        n = rng.randrange(200, 2600)
        data += dated(at_ms, n) + bytes(rng.randrange(256) for _ in range(rng.randrange(300)))
        at_ms += n * 1000 + 2_000_000
        cuts.append(len(data))
    found = stretches(tmp_path, data)
    # Bytes between two epochs belong to the one before them.
    assert [end for _, end in found] == cuts


def test_a_slow_log_is_searched_inside_its_blocks(tmp_path: Path) -> None:
    rows = [gga(t) for t in range(0, 12 * 3_600_000, 30_000)]
    data = b"".join(rows[:500] + rows[600:])
    assert stretches(tmp_path, data) == [(0, sum(map(len, rows[:500]))), (sum(map(len, rows[:500])), len(data))]


def test_the_blocks_do_not_matter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = dated(36_000_000, 700) + dated(40_000_000, 500) + dated(50_000_000, 30)
    expected = stretches(tmp_path, data)
    assert len(expected) == 3
    for block in (1000, 7777, 50_000):
        monkeypatch.setattr(split, "_BLOCK", block)
        assert stretches(tmp_path, data) == expected


def test_a_clock_that_is_wrong_for_a_moment_starts_no_session(tmp_path: Path) -> None:
    wrong = gga(80_000_000) + gga(80_001_000)
    assert len(stretches(tmp_path, good_rows(36_000_000, 100) + wrong + good_rows(36_102_000, 100))) == 1
    flapping = b"".join(gga(36_000_000 + i * 1000 if i % 2 else 60_000_000 + i) for i in range(300))
    assert len(stretches(tmp_path, flapping)) <= 2


def test_a_clock_that_jumps_all_the_time_gives_a_bounded_number_of_sessions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(split, "MOST_CUTS", 20)
    data = b"".join(good_rows(i * 7_000_000 % 86_400_000, 70) for i in range(60))
    path = tmp_path / "rover.nmea"
    path.write_bytes(data)
    found = look_through(path, HALF_HOUR_S)
    assert found.cut_short and len(found.stretches) <= split.MOST_CUTS + 1
    assert sum(s.end - s.start for s in found.stretches) == len(data)


def test_a_packed_log_is_cut_in_its_unpacked_bytes_and_hashed_as_it_lies_on_disk(tmp_path: Path) -> None:
    first, second = dated(36_000_000, 60), dated(50_000_000, 60)
    path = tmp_path / "rover.nmea.gz"
    path.write_bytes(gzip.compress(first + second))
    found = look_through(path, HALF_HOUR_S)
    assert [s.end for s in found.stretches] == [len(first), len(first + second)]
    assert found.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert b"".join(iter_range(path, len(first), None, 1000)) == second
    assert b"".join(iter_range(path, 0, len(first), 1000)) == first


def test_a_range_of_a_plain_log_is_just_its_bytes(tmp_path: Path) -> None:
    path = tmp_path / "x.log"
    path.write_bytes(bytes(range(200)) * 50)
    for start, end in ((0, None), (0, 10), (7, 7), (3000, 4001), (9000, None), (9000, 99_999)):
        assert b"".join(iter_range(path, start, end, 512)) == path.read_bytes()[start:end]


def test_a_damaged_archive_gives_what_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "rover.nmea.gz"
    path.write_bytes(gzip.compress(dated(36_000_000, 2000))[:-4000])
    found = look_through(path, HALF_HOUR_S)
    assert found.damage is not None and "damaged" in found.damage and found.marks


def test_a_file_that_has_gone_is_a_source_error(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="cannot be read"):
        look_through(tmp_path / "gone.nmea", HALF_HOUR_S)


def test_a_correction_log_is_cut_at_its_gaps_too(tmp_path: Path) -> None:
    base = Base()
    first, second = stream(sent(base, 60.0)), stream(sent(base, 60.0, start_s=3 * 86_400 + 50_000.0))
    path = tmp_path / "corrections.rtcm3"
    path.write_bytes(first + second)
    found = look_through(path, HALF_HOUR_S)
    assert len(found.stretches) == 2
    # Messages without a time stand in front of the epoch: the cut lies within one epoch of the join.
    assert abs(found.stretches[0].end - len(first)) < 3000


def test_a_sentence_without_a_position_does_not_start_a_session_by_itself(tmp_path: Path) -> None:
    data = good_rows(36_000_000, 30) + gst(80_000_000) + good_rows(36_030_000, 30) + gst(80_000_000)
    assert len(stretches(tmp_path, data)) == 1
    # Where it comes first in its epoch, the session begins with it.
    first = good_rows(36_000_000, 30)
    second = b"".join(gst(t) + gga(t) for t in range(50_000_000, 50_030_000, 1000))
    assert stretches(tmp_path, first + second)[1][0] == len(first)


def test_what_is_known_of_two_times_decides_how_they_are_compared() -> None:
    day = 20_761 * DAY_MS  # 2026-11-04, a Wednesday
    absolute, of_day = Mark(0, day + 3_600_000, ABSOLUTE), Mark(0, 3_661_000, DAY_MS)
    # 1970-01-01 was a Thursday (ISO 8601 calendar); RTCM counts its week from Sunday.
    of_week = Mark(0, 3 * DAY_MS + 3_600_500, WEEK_MS)
    assert elapsed_ms(absolute, of_day) == 61_000
    assert elapsed_ms(absolute, of_week) == 500
    assert elapsed_ms(of_day, of_week) == -60_500
    assert elapsed_ms(Mark(0, 86_399_000, DAY_MS), Mark(0, 1000, DAY_MS)) == 2000


def test_a_sentence_with_a_wrong_checksum_tells_no_time() -> None:
    good, bad = gga(36_000_000), gga(1_000_000).replace(b"W", b"E")
    bad = bad[:20] + b"9" + bad[21:]
    assert [m.time_ms for m in marks_in(good + bad + good, 0)] == [36_000_000, 36_000_000]


def legacy(start_s: float, seconds: int, kinds: tuple[int, ...] = (1004, 1012)) -> bytes:
    """Epochs of the messages before MSM, without satellites, from a second of the UTC week on (RTCM 10403.3, DF004, DF034)."""
    frames = []
    for i in range(seconds):
        ms = round(1000 * (start_s + i))
        gps, moscow = (ms + 18_000) % WEEK_MS, (ms + 10_800_000) % DAY_MS
        for kind in kinds:
            field = (gps, 30) if kind == 1004 else (moscow, 27)
            frames.append(frame(pack((kind, 12), (412, 12), field, (int(kind == 1004), 1), (0, 5), (0, 1), (0, 3))))
    return b"".join(frames)


def test_a_time_of_day_beside_the_time_of_the_week_is_no_jump(tmp_path: Path) -> None:
    thursday_s = 4 * 86_400 + 61_000.0
    whole, next_day = legacy(thursday_s, 120), legacy(thursday_s + 39_000.0, 120)
    assert len(stretches(tmp_path, whole)) == 1
    assert [a for a, _ in stretches(tmp_path, whole + next_day)] == [0, len(whole)]
    assert {m.period_ms for m in marks_in(whole, 0)} == {WEEK_MS}
    alone = legacy(thursday_s, 120, (1012,))
    assert {m.period_ms for m in marks_in(alone, 0)} == {DAY_MS} and len(stretches(tmp_path, alone)) == 1
