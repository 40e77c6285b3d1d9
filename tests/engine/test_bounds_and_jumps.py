"""What keeps the engine's memory bounded, and what a clock that jumps, an empty stretch or a lone value does to it."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from tests.engine.judge_rows_made import Rows
from tests.link_session import read
from tests.link_stream import ARP_M, Base, arp_1005, frame, pack, sent, stream

from hubtack.engine import link_content, link_flow, link_ledger, link_tally
from hubtack.engine.axis import DAY_NS, SessionAxis, Unwrapped
from hubtack.engine.course import Course
from hubtack.engine.link_compare import Recording, compare
from hubtack.engine.link_content import SKY_BIN_NS, SkySets
from hubtack.engine.link_flow import Flow
from hubtack.engine.link_ledger import Ledger
from hubtack.engine.parked import Parked
from hubtack.engine.places import PlaceTrack, timed_slots
from hubtack.engine.quantities import Quantities, best_possible, best_possible_vertical_95_m
from hubtack.engine.setup import Setup
from hubtack.engine.tally import Histogram, LogHistogram, Tally

S = 1_000_000_000
START_S = 3 * 86_400 + 36_000.0


def ints(*values: int) -> np.ndarray:
    return np.array(values, dtype=np.int64)


# The axis -------------------------------------------------------------------------------------------------------------


def test_a_date_beyond_the_calendar_is_no_date() -> None:
    axis = SessionAxis()
    axis.learn_date((dt.date(9999, 12, 31) - dt.date(1970, 1, 1)).days, 0, "given")
    assert axis.utc_iso(0) == "9999-12-31T00:00:00Z"
    assert axis.utc_iso(2 * DAY_NS) is None and axis.utc_iso(None) is None and SessionAxis().utc_iso(0) is None


def test_frames_without_a_time_take_the_axis_s_before_the_first() -> None:
    axis = SessionAxis()
    nothing = np.full(2, np.nan)
    assert Unwrapped().place(nothing, axis).tolist() == [0, 0]
    axis.advance(7 * S)
    assert Unwrapped().place(nothing, axis).tolist() == [7 * S, 7 * S]
    later = Unwrapped()
    later.place(np.array([9000.0]), axis)
    assert later.place(nothing, axis).tolist() == [9 * S, 9 * S]


# Satellites and flow --------------------------------------------------------------------------------------------------


def test_a_jump_of_the_clock_inside_a_stretch_takes_no_memory_and_loses_nothing() -> None:
    far = SKY_BIN_NS * (link_content._WIDE_SPAN + 5)
    wide, parts = SkySets(), SkySets()
    times, systems, satellites = ints(0, 5, far, far), ints(1, 2, 1, 1), ints(3, 4, 5, 6)
    wide.add(times, systems, satellites)
    for i in range(4):
        parts.add(times[i : i + 1], systems[i : i + 1], satellites[i : i + 1])
    assert wide.bins == parts.bins and len(wide.bins) == 2
    assert wide.bins[0] == {1: 1 << 3, 2: 1 << 4} and wide.bins[far // SKY_BIN_NS] == {1: 1 << 5 | 1 << 6}


def test_satellite_numbers_that_no_system_has_are_left_out() -> None:
    sky = SkySets()
    sky.add(ints(0, 0, 0, 0), ints(1, 1, 1, 1), ints(0, 1, 64, 65))
    assert sky.bins == {0: {1: 1 << 1 | 1 << 64}}
    sky.add(ints(), ints(), ints())
    assert len(sky.bins) == 1


def test_half_minutes_are_bounded_and_those_that_are_there_still_fill(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link_content, "MOST_SKY_BINS", 2)
    sky = SkySets()
    sky.add(ints(0, SKY_BIN_NS, 2 * SKY_BIN_NS, 0), ints(1, 1, 1, 1), ints(3, 4, 5, 6))
    assert sky.bins == {0: {1: 1 << 3 | 1 << 6}, 1: {1: 1 << 4}}


def test_a_flow_without_frames_has_an_empty_table_and_no_strip() -> None:
    flow = Flow()
    at, counts = flow.table()
    assert at.shape == (0,) and counts.shape == (0, link_flow._FIELDS)
    assert flow.strip(10, 0, S) == []
    flow.add_frames(ints(0), ints(10))
    assert flow.strip(10, 5, 5) == [] == flow.strip(0, 0, S) and len(flow.strip(10, 0, 10 * S)) == 10


def test_satellites_of_frames_out_of_order_are_those_of_their_epochs() -> None:
    forth = [f for _, f in sent(Base(arp_every_s=None, bias_every_s=None, descriptor_every_s=None), 6)]
    per_epoch = len(forth) // 6
    swapped = forth[: 2 * per_epoch] + forth[3 * per_epoch : 4 * per_epoch] + forth[2 * per_epoch : 3 * per_epoch]
    swapped += forth[4 * per_epoch :]
    straight, crossed = read(b"".join(forth)).link.tally, read(b"".join(swapped)).link.tally
    for system in straight.systems:
        assert crossed.satellites_of(system) == straight.satellites_of(system) > 0
    assert np.isnan(straight.satellites_of(7))


# The ledger -----------------------------------------------------------------------------------------------------------


def ledger_of(times_s: list[float], kind: int = 1074) -> Ledger:
    ledger = Ledger()
    for at in times_s:
        ledger.add(ints(round(at * S)), ints(kind), ints(0))
    return ledger


def test_a_ledger_that_is_full_counts_on_and_keeps_what_it_has(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link_ledger, "MOST_EPOCHS", 12)
    one_by_one = ledger_of([float(t) for t in range(40)])
    at_once = Ledger()
    at_once.add(np.arange(40, dtype=np.int64) * S, np.full(40, 1074), np.zeros(40, dtype=np.int64))
    for ledger in (one_by_one, at_once):
        assert ledger.epochs == 40 and len(ledger.steps_ms) == 12 == len(ledger._set_no)
        assert ledger.last_ns == 39 * S and ledger.interval_s() == 1.0


def test_epochs_that_cannot_be_told_apart_in_a_block_are_walked_one_by_one() -> None:
    half = link_ledger.SAME_EPOCH_NS
    # Frames that drift on, each less than an epoch apart from the one before: not one epoch for all that.
    drifting = np.cumsum(np.full(200, half // 2, dtype=np.int64))
    block, single = Ledger(), Ledger()
    block.add(drifting, np.full(200, 1074), np.zeros(200, dtype=np.int64))
    for at in drifting.tolist():
        single.add(ints(at), ints(1074), ints(0))
    assert (block.epochs, block.steps_ms.tolist(), block.closed) == (
        single.epochs, single.steps_ms.tolist(), single.closed,
    )  # fmt: skip
    assert block.epochs > 1


def test_more_sets_of_messages_than_can_be_numbered_share_the_last(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link_ledger, "_MOST_SETS", 3)
    ledger = Ledger()
    for t in range(20):
        ledger.add(ints(t * S), ints(1071 + t % 7), ints(0))
    assert len(ledger.sets) == 3 and max(ledger._set_no) == 3 and ledger.epochs == 20
    assert ledger.complete().dtype == bool and len(ledger.slots(10_000)) == 19


def test_a_lone_epoch_has_no_slots() -> None:
    assert len(ledger_of([1.0]).slots(10_000)) == 0 and len(Ledger().slots(10_000)) == 0
    for ledger in (Ledger(), ledger_of([1.0])):
        times, state = timed_slots(ledger, 600.0)
        assert len(times) == len(state) == 0
    assert ledger_of([5.0]).gaps() == []


# The tally of a stream ------------------------------------------------------------------------------------------------


def test_marks_of_frames_are_forgotten_when_they_are_old_and_when_they_are_too_many(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    frames = [f for _, f in sent(Base(), 30)]
    once = read(b"".join(frames)).link.tally
    monkeypatch.setattr(link_tally, "_MOST_RECENT", 6)
    doubled = b"".join(f + f for f in frames)
    assert once.duplicates == 0
    tally = read(doubled, cuts=list(range(0, len(doubled), 300))).link.tally
    assert tally.duplicates > 0 and len(tally._recent) <= 7 and tally.epochs == once.epochs


def test_texts_are_kept_once_and_bounded() -> None:
    def text(words: str) -> bytes:
        body = words.encode()
        letters = [(b, 8) for b in body]
        return frame(pack((1029, 12), (412, 12), (60_000, 16), (36_000, 17), (len(words), 7), (len(body), 8), *letters))

    words = [f"note {i}" for i in range(30)]
    tally = read(stream(sent(Base(), 2)) + b"".join(text(w) + text(w) for w in words)).link.tally
    assert [said for _, said in tally.texts] == words[: link_tally.MOST_TEXTS]


def test_stations_and_their_changes_are_bounded() -> None:
    session = read(stream(sent(Base(), 2)) + b"".join(arp_1005(i, ARP_M) for i in range(500, 800)))
    tally = session.link.tally
    assert len(tally.stations) == link_tally.MOST_STATIONS and len(tally.id_changes) == link_tally.MOST_CHANGES
    assert tally.n_id_changes == 301


def test_the_load_of_a_stream_without_a_duration_is_not_known() -> None:
    tally = read(b"\x00" * 50).link.tally
    assert np.isnan(tally.bits_per_s()) and tally.duration_s() == 0.0 and np.isnan(tally.bytes_per_epoch())


# Two recordings, places, sums -----------------------------------------------------------------------------------------


def recording(epoch_ms: list[float]) -> Recording:
    made = Recording()
    made.marks = [(i, 100, 1074) for i in range(len(epoch_ms))]
    made.epoch_ms, made.arrival_ns = epoch_ms, [-1] * len(epoch_ms)
    return made


def test_recordings_without_epochs_or_with_one_have_no_interval() -> None:
    timeless = compare(recording([float("nan")] * 4), recording([float("nan")] * 4))
    assert timeless is not None and np.isnan(timeless.base_interval_ms) and len(timeless.epoch_lost) == 0
    alone = compare(recording([1000.0]), recording([1000.0]))
    assert alone is not None and np.isnan(alone.base_interval_ms) and (alone.base_gaps, alone.base_lost) == (0, 0)
    assert alone.delay_s is None and len(alone.epoch_lost) == 1


def test_places_that_no_earth_has_and_those_past_the_bound_are_not_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    track = PlaceTrack()
    track.add(ints(0), np.array([[2e9, 0.0, 0.0]]))
    assert len(track.second) == 0 and np.isnan(track.at(ints(0))).all() and track.at(ints()).shape == (0, 3)
    track.add(ints(S), np.array([[1.0, 2.0, 3.0]]))
    monkeypatch.setattr("hubtack.engine.places.MOST_PLACES", 1)
    track.add(ints(2 * S), np.array([[9.0, 9.0, 9.0]]))
    assert track.second.tolist() == [1] and track.at(ints(S)).tolist() == [[1.0, 2.0, 3.0]]


def test_an_empty_histogram_has_neither_ends_nor_middle() -> None:
    empty, some = Histogram(0.5, 10), Histogram(0.5, 10)
    for value in (empty.quantile(0.5), empty.largest(), empty.smallest(), LogHistogram().quantile(0.5)):
        assert np.isnan(value)
    some.add(np.array([1.1, 2.0, np.nan, 99.0, -4.0]))
    assert (some.smallest(), some.largest(), some.total, some.quantile(0.5)) == (0.0, 4.5, 4, 1.0)
    lengths = LogHistogram()
    lengths.add(np.array([1500.0, 20.0]))
    assert lengths.largest() == pytest.approx(1500.0, rel=2e-3)


def test_a_session_without_rows_adds_up_to_nothing() -> None:
    tally = Tally()
    assert tally.duration_s() == 0.0 and np.isnan(tally.interval_s()) and set(tally.fix_seconds().values()) == {0.0}
    assert set(tally.verdict_seconds().values()) == {0.0}
    assert all(np.isnan(row["share"]) for row in tally.workable())  # type: ignore[call-overload]


def test_a_course_is_looked_at_once_a_second() -> None:
    course, rows = Course(), Rows(40, step_s=0.5)
    rows.epochs.speed_m_s[:], rows.epochs.course_deg[:], rows.epochs.heading_deg[:] = 2.0, 90.0, 80.0
    for i in range(40):
        part = slice(i, i + 1)
        q = Quantities(**{name: getattr(rows.q, name)[part] for name in Quantities.__dataclass_fields__})
        course.add(rows.epochs.take(part), q)
    assert course.counts.sum() == 20 and course.counts[10] == 20 and course.first_ns == 100 * S


def test_what_the_equipment_reaches_at_best() -> None:
    # 15 mm + 1 ppm, tilt 0.05 degrees at 9 m, linkage 13 mm: root of the sum of squares, 1.96 sigma (JCGM 100:2008).
    setup = Setup()
    tilt_m = np.radians(0.05) * 9.0
    expected_m = 1.959963984540054 * np.sqrt(0.017**2 + tilt_m**2 + 0.013**2)
    assert best_possible_vertical_95_m(setup, 2000.0) == pytest.approx(expected_m, rel=1e-12)
    near_m = best_possible_vertical_95_m(setup, float("nan"))
    assert near_m == best_possible_vertical_95_m(setup, 0.0) < expected_m
    assert best_possible(Setup(tolerance_vertical_95_m=expected_m / 0.95 + 1e-9), 2000.0) == (
        "GRADE",
        pytest.approx(expected_m),
    )
    assert best_possible(Setup(tolerance_vertical_95_m=expected_m / 0.95 - 1e-9), 2000.0)[0] == "ROUGH"


def test_a_machine_of_which_nothing_is_known_stands_nowhere() -> None:
    assert Parked(0.010, 0.017).last() is None
