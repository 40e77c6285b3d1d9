"""The link's engine on frames made from figures, without bytes: epochs, times, keys, dates and whose base it is.

Each stream is fed whole and frame by frame, and both must come to the same: what a rule says of a log it says live.
Figures of 1013: RTCM 10403.3, DF051 (modified Julian day) and DF052; day 40587 is 1970-01-01 (IERS Conventions 2010).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from hubtack.decode.tables import FRAME_COLUMNS, STATION_COLUMNS, Counts, Decoded, Rows, Span, TextRecord
from hubtack.engine.axis import SessionAxis
from hubtack.engine.link import COMPUTED, LATCH_FLAGS, PHYSICAL, LinkEngine, LinkSetup, distance_m, horizontal_m
from hubtack.engine.link_flow import BAD_CRC, OTHER

S = 1_000_000_000
DAY_S = 86_400
SIZE = 100  # bytes of each frame
PLACE_M = (-4_449_212.0, 783_521.0, -4_489_730.0)
GPS, TEXT = 1077, 1029


def frame(number: int = GPS, at_s: float | None = None, station: int | None = 412, *, more: bool = False,
          crc: int | None = None) -> dict[str, float]:  # fmt: skip
    """One frame: its message, its epoch as a UTC time of the week, its station, and whether more of the epoch follows."""
    nan = float("nan")
    return {
        "type": number, "station_id": nan if station is None else station, "length": SIZE,
        "utc_ms_of_week": nan if at_s is None else at_s * 1000.0, "more": float(more),
        "crc24": float(hash((number, at_s, station)) % 16_000_000 if crc is None else crc),
    }  # fmt: skip


def arp(station: int = 412, off_m: float = 0.0, *, number: int = 1005, computed: bool = False) -> dict[str, float]:
    """A base position; ``off_m`` moves it along one axis."""
    x, y, z = PLACE_M
    place = {"x_m": x, "y_m": y + off_m, "z_m": z, "computed": float(computed), "physical_id": 7.0}
    return frame(number, None, station) | place


def stretch(
    frames: Sequence[dict[str, float]], first: int = 0, spans: Sequence[Span] = (), texts: Sequence[TextRecord] = ()
) -> Decoded:
    """Frames as the decoder gives them; the first begins at byte ``first`` frames."""

    def row(columns: tuple[str, ...], i: int) -> tuple[int, int, list[float]]:
        return (first + i) * SIZE, (first + i + 1) * SIZE, [frames[i].get(c, float("nan")) for c in columns]

    n = range(len(frames))
    return Decoded(
        frames=Rows.of("frames", [row(FRAME_COLUMNS, i) for i in n]),
        stations=Rows.of("stations", [row(STATION_COLUMNS, i) for i in n if "x_m" in frames[i]]),
        spans=list(spans), texts=list(texts), counts=Counts(bytes=SIZE * len(frames), frames=len(frames)),
    )  # fmt: skip


def engine(**kwargs: Any) -> LinkEngine:
    return LinkEngine(LinkSetup(**kwargs), SessionAxis())


def fed(frames: Sequence[dict[str, float]], *, keys: bool = True, size: int | None = None, link: LinkEngine | None = None,
        spans: Sequence[Span] = ()) -> LinkEngine:  # fmt: skip
    """A link after frames in stretches of ``size``, keyed by their number or, without keys, by their times."""
    link = link or engine()
    size = size or max(len(frames), 1)
    for a in range(0, len(frames), size):
        part = frames[a : a + size]
        key = np.arange(a, a + len(part), dtype=np.int64) if keys else None
        own = [span for span in spans if a * SIZE <= span.pos < (a + len(part)) * SIZE]
        link.feed(stretch(part, a, own), key, np.full(len(part), -1, dtype=np.int64))
    link.release()
    return link


def both(frames: Sequence[dict[str, float]], **kwargs: Any) -> LinkEngine:
    """The link after the frames as one stretch, which must answer every key as frame by frame, in twos and threes."""
    whole = fed(frames, link=engine(**kwargs))
    asked = np.arange(-1, len(frames) + 1, dtype=np.int64)
    for size in (1, 2, 3):
        other = fed(frames, size=size, link=engine(**kwargs))
        for name in ("obs_utc_ms", "arp_ecef_m", "station_id", "base_kind", "latches"):
            np.testing.assert_array_equal(getattr(other.join(asked), name), getattr(whole.join(asked), name), name)
        assert (other.reached_ns(), other.latches, other.station_id) == (
            whole.reached_ns(),
            whole.latches,
            whole.station_id,
        )
        assert repr(other.tally.flow) == repr(whole.tally.flow) and repr(other.tally.id_changes) == repr(
            whole.tally.id_changes
        )
    return whole


def epochs_at(link: LinkEngine, n: int) -> list[float | None]:
    """The newest whole epoch at each of the first ``n`` frames, in seconds; None before the first."""
    ms = link.join(np.arange(n, dtype=np.int64)).obs_utc_ms
    return [None if np.isnan(v) else v / 1000.0 for v in ms.tolist()]


def latched(link: LinkEngine) -> set[str]:
    flags = int(link.join(np.array([1 << 60])).latches[0])
    return {code for code, flag in LATCH_FLAGS.items() if flags & flag}


# Epochs ---------------------------------------------------------------------------------------------------------------


def test_an_epoch_is_known_from_its_last_message_on() -> None:
    frames = [
        frame(1077, 10, more=True),
        frame(1087, 10, more=True),
        frame(1097, 10),
        frame(1077, 11, more=True),
        frame(1097, 11),
    ]
    assert epochs_at(both(frames), 5) == [None, None, 10.0, 10.0, 11.0]


def test_an_epoch_whose_last_message_is_lost_is_known_when_the_next_begins() -> None:
    frames = [frame(1077, 10, more=True), frame(1077, 11, more=True), frame(1077, 12, more=True), frame(1097, 12)]
    assert epochs_at(both(frames), 4) == [None, 10.0, 11.0, 12.0]


def test_an_older_epoch_that_comes_late_is_no_news() -> None:
    frames = [frame(1077, 12), frame(1077, 10), frame(1077, 11, more=True), frame(1077, 11), frame(1077, 13)]
    link = both(frames)
    assert epochs_at(link, 5) == [12.0, 12.0, 12.0, 12.0, 13.0]
    assert link._newest_ns == 13 * S
    # But it shows that the newer one before it is whole.
    assert epochs_at(both([frame(1077, 12, more=True), frame(1077, 11)]), 2) == [None, 12.0]
    # The same again is none either: an event is kept for each that is, and for no other.
    assert len(both([frame(1077, 12)] * 5)._obs.key) == 1


def test_times_within_ten_milliseconds_are_one_epoch() -> None:
    # Constellations count from seconds of their own: one epoch may come out a hair apart.
    assert epochs_at(both([frame(1077, 10, more=True), frame(1087, 10.01, more=True)]), 2) == [None, None]
    assert epochs_at(both([frame(1077, 10, more=True), frame(1087, 9.99, more=True)]), 2) == [None, None]
    assert epochs_at(both([frame(1077, 10, more=True), frame(1087, 10.011, more=True)]), 2) == [None, 10.0]
    assert epochs_at(both([frame(1077, 10, more=True), frame(1087, 9.989, more=True)]), 2) == [None, 10.0]


def test_only_observations_make_epochs() -> None:
    frames = [
        frame(1077, 10),
        frame(1230, 11),
        frame(TEXT, 12),
        arp(),
        frame(1077, None),
        frame(1077, 13, more=True),
        frame(1077, 14, more=True),
    ]
    assert epochs_at(both(frames), 7) == [10.0, 10.0, 10.0, 10.0, 10.0, 10.0, 13.0]


def test_a_frame_of_no_kind_is_no_observation_and_no_base() -> None:
    link = both([frame(-1, None, None), frame(1077, 10), frame(-1, None, 77)])
    assert epochs_at(link, 3) == [None, 10.0, 10.0] and link.station_id == 412 and latched(link) == set()


def test_the_epochs_of_a_stream_run_on_over_midnight() -> None:
    frames = [frame(1077, DAY_S - 1.0), frame(1077, DAY_S + 0.0), frame(1077, DAY_S + 1.0)]
    link = both(frames)
    assert epochs_at(link, 3) == [DAY_S - 1.0, DAY_S + 0.0, DAY_S + 1.0] and link.reached_ns() == (DAY_S + 1) * S


# Times and keys -------------------------------------------------------------------------------------------------------


def test_without_keys_a_frame_counts_from_the_newest_time_up_to_it() -> None:
    frames = [arp(), frame(1077, 10), frame(1077, 12), arp(412, 3.0), frame(1077, 11), frame(1077, 13), arp(77, 9.0)]
    for size in (None, 1, 2, 3):
        link = fed(frames, keys=False, size=size)
        # Rows of the same time come after the frames, those a quarter of a nanosecond before it do not.
        asked = np.array([(10 * S) * 4 - 1, 10 * S * 4, 12 * S * 4 - 1, 12 * S * 4, 13 * S * 4 - 1, 13 * S * 4])
        columns = link.join(asked)
        assert columns.obs_utc_ms.tolist()[1:] == [10_000.0, 10_000.0, 12_000.0, 12_000.0, 13_000.0], size
        assert np.isnan(columns.obs_utc_ms[0]) and np.isnan(columns.station_id[0])
        assert (columns.arp_ecef_m[1:, 1] - PLACE_M[1]).tolist() == [0.0, 0.0, 3.0, 3.0, 9.0], size
        assert columns.latches.tolist() == [
            0,
            0,
            0,
            *[LATCH_FLAGS["base_moved"]] * 2,
            LATCH_FLAGS["base_moved"] | LATCH_FLAGS["two_bases"],
        ]


def test_without_keys_no_frame_counts_from_before_the_newest_time_of_an_earlier_stretch() -> None:
    frames = [frame(1077, 10), frame(1077, 12), frame(1077, 11), arp(), frame(1077, 13)]
    for size in (None, 1, 2, 3):
        heard = fed(frames, keys=False, size=size).join(np.array([11 * S * 4, 12 * S * 4 - 1, 12 * S * 4])).station_id
        assert np.isnan(heard[:2]).all() and heard[2] == 412, size


def test_what_comes_before_the_first_time_takes_that_time() -> None:
    for size in (1, 3):
        link = fed([arp(), arp(77), frame(1077, 50.0), frame(1077, 51.0)], size=size, keys=False)
        assert link.tally.id_changes[:2] == [(50 * S, 412), (50 * S, 77)] and link.tally.first_ns == 50 * S
        assert link.tally.flow.table()[0].tolist() == [50 * S, 51 * S]
        assert link.tally.stations[412].arps[0][0] == 50 * S and link.reached_ns() == 51 * S


def test_the_first_time_is_the_first_that_is_said_of_the_stretch() -> None:
    link = fed([arp(), frame(1077, 50.5), frame(1077, 52.0)])
    assert link.tally.first_ns == round(50.5 * S)
    later = LinkEngine(LinkSetup(), SessionAxis(now_ns=3 * DAY_S * S))  # a rover has run for three days already
    fed([arp(), frame(1077, 50.0)], link=later)
    assert later.tally.first_ns == (3 * DAY_S + 50) * S == later.reached_ns()


def test_frames_without_a_time_wait_for_one_but_not_for_ever() -> None:
    link = engine()
    none = np.full(1, -1, dtype=np.int64)
    for i in range(500):
        link.feed(stretch([arp()], i), np.array([i]), none)
    assert link.tally.stations == {} and link.tally.frames == 500 and link.arp_ecef_m is None
    link.feed(stretch([arp()], 500), np.array([500]), none)
    assert link.tally.stations[412].arp_count == 501 and link.reached_ns() is None and not link._held
    # The axis's own time is theirs where it has one.
    link = LinkEngine(LinkSetup(), SessionAxis(now_ns=7 * S))
    fed([arp()], link=link)
    assert link.tally.first_ns == 7 * S


def test_waiting_frames_keep_their_order_and_their_keys() -> None:
    link = engine()
    for i, one in enumerate([arp(412, 0.0), arp(412, 3.0)]):
        link.feed(stretch([one], i), np.array([10 * i]), np.array([5 * S]))
    link.release()
    assert latched(link) == {"base_moved"}
    assert link.join(np.array([9, 10])).arp_ecef_m[:, 1].tolist() == [PLACE_M[1], PLACE_M[1] + 3.0]
    assert link.tally.arrivals == 2
    link.release()
    assert link.tally.stations[412].arp_count == 2


# Damage ---------------------------------------------------------------------------------------------------------------


def damage(link: LinkEngine) -> list[tuple[float, int, int]]:
    """Damaged frames and other bytes by the second they fall into."""
    at, counts = link.tally.flow.table()
    return [
        (t / S, row[BAD_CRC], row[OTHER])
        for t, row in zip(at.tolist(), counts.tolist(), strict=True)
        if row[BAD_CRC] or row[OTHER]
    ]


def test_damage_falls_at_the_time_of_the_frame_before_it() -> None:
    frames = [frame(1077, t) for t in (10, 11, 12)]
    spans = [Span(0, 7, "other"), Span(100, 130, "other"), Span(200, 203, "bad_crc"), Span(250, 260, "other")]
    for size in (None, 1, 2):
        link = fed(frames, size=size, spans=spans)
        assert damage(link) == [(10.0, 0, 37), (11.0, 1, 10)] and link.tally.bad_crc_ns == [11 * S], size


def test_damage_that_is_told_after_later_frames_is_placed_among_those_that_are_kept() -> None:
    link = fed([frame(1077, 10 + i) for i in range(300)], size=100)
    n = np.zeros(0, dtype=np.int64)
    link.feed(
        Decoded(spans=[Span(150 * SIZE, 150 * SIZE + 5, "other"), Span(299 * SIZE, 299 * SIZE + 3, "other")]), n, n
    )
    assert damage(link) == [(159.0, 0, 5), (308.0, 0, 3)]
    # Of what lies farther back than the frames that are kept nothing better is known than how far the stream is.
    link.feed(Decoded(spans=[Span(44 * SIZE - 1, 44 * SIZE + 5, "other")]), n, n)
    link.feed(Decoded(spans=[Span(45 * SIZE, 45 * SIZE + 2, "other")]), n, n)
    assert damage(link) == [(54.0, 0, 2), (159.0, 0, 5), (308.0, 0, 3), (309.0, 0, 6)]
    assert len(link._ends) == len(link._times_ns) == 256
    # That is its own time, whatever the rover's is.
    link = fed([frame(1077, 10 + i) for i in range(300)], link=LinkEngine(LinkSetup(), SessionAxis(now_ns=400 * S)))
    link.axis.now_ns = 400 * S
    link.feed(Decoded(spans=[Span(0, 5, "other")]), n, n)
    assert damage(link) == [(309.0, 0, 5)]


def test_junk_before_the_first_frame_is_placed_when_the_stream_has_a_time() -> None:
    n = np.zeros(0, dtype=np.int64)
    link = engine()
    link.feed(Decoded(spans=[Span(0, 60, "other")] * 300, counts=Counts(bytes=60)), n, n)
    link.feed(Decoded(spans=[Span(60, 70, "other")] * 300, counts=Counts(bytes=10)), n, n)
    assert link.tally.bytes == 70 and damage(link) == []
    link.feed(stretch([frame(1077, 10)], 1), np.array([0]), np.array([-1]))
    assert damage(link) == [(10.0, 0, 300 * 60 + 200 * 10)]  # no more than 500 wait
    link.feed(stretch([frame(1077, 11)], 2), np.array([1]), np.array([-1]))
    assert damage(link) == [(10.0, 0, 300 * 60 + 200 * 10)]


def test_junk_from_before_stands_in_front_of_the_stretch_s_own() -> None:
    link = engine()
    link.feed(Decoded(spans=[Span(0, 60, "other")]), np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    own = [Span(2 * SIZE, 2 * SIZE + 3, "other")]
    link.feed(stretch([frame(1077, 10)], 1, own), np.array([0]), np.array([-1]))
    assert damage(link) == [(10.0, 0, 63)]


def test_damage_in_front_of_a_stream_that_never_says_a_time_falls_at_the_session_s_own() -> None:
    for axis, at_ns in ((SessionAxis(), 0), (SessionAxis(now_ns=7 * S), 7 * S)):
        link = LinkEngine(LinkSetup(), axis)
        link.feed(stretch([arp()], 1, [Span(0, 3, "bad_crc")]), np.array([0]), np.array([-1]))
        link.release()
        assert link.tally.bad_crc_ns == [at_ns]


def test_a_stretch_without_anything_changes_nothing_but_its_bytes() -> None:
    link = engine()
    n = np.zeros(0, dtype=np.int64)
    link.feed(Decoded(counts=Counts(bytes=9)), n, n)
    assert link.tally.bytes == 9 and link._held == [] and link.reached_ns() is None


# The date and the base's two clocks -----------------------------------------------------------------------------------


def said_1013(mjd: int, seconds: int, at: int) -> TextRecord:
    return TextRecord(at * SIZE, (at + 1) * SIZE, 1013, 412, {"mjd": mjd, "seconds_of_day": seconds, "leap_s": 18})


def test_1013_dates_the_stream_and_its_seconds_are_held_against_the_observations() -> None:
    link = engine()
    frames = [frame(1077, 36_000.0), frame(1013, None), frame(1077, 36_001.0)]
    link.feed(stretch(frames, 0, texts=[said_1013(61_000, 35_998, 1)]), np.arange(3), np.full(3, -1))
    assert link.axis.day0 == 61_000 - 40_587 and link.axis.time_basis == "1013"
    assert link.axis.utc_iso(36_000 * S) == "2025-11-21T10:00:00Z"  # MJD 61000
    assert link.tally.clock_offs_s == [2.0]
    # Other texts say nothing of the date.
    other = engine()
    text = TextRecord(0, SIZE, 1029, 412, {"text": "hello", "mjd": 61_000, "seconds_of_day": 36_000})
    other.feed(stretch([frame(1029, None), frame(1077, 10)], 0, texts=[text]), np.arange(2), np.full(2, -1))
    assert other.axis.day0 is None and other.tally.clock_offs_s == []


def test_a_1013_before_the_first_observation_has_nothing_to_be_held_against() -> None:
    frames = [frame(1013, None), frame(1077, 36_000.0), frame(1013, None)]
    texts = [said_1013(61_000, 35_998, 0), said_1013(61_000, 35_999, 2)]
    together, apart = engine(), engine()
    together.feed(stretch(frames, 0, texts=texts), np.arange(3), np.full(3, -1))
    for i, one in enumerate(frames):
        own = [text for text in texts if text.pos == i * SIZE]
        apart.feed(stretch([one], i, texts=own), np.array([i]), np.array([-1]))
    assert together.tally.clock_offs_s == apart.tally.clock_offs_s == [1.0]
    alone = engine()
    alone.feed(stretch([frame(1013, 36_000.0)], texts=texts[:1]), np.arange(1), np.full(1, -1))
    assert alone.tally.clock_offs_s == [] and alone.axis.day0 is not None
    late = engine()  # nor is what came before it in the same stretch
    late.feed(stretch([arp(), *frames[:2]], texts=[said_1013(61_000, 35_998, 1)]), np.arange(3), np.full(3, -1))
    assert late.tally.clock_offs_s == []
    behind = engine()  # its own time is no observation's, wherever it lies
    behind.feed(
        stretch([arp(), frame(1013, 36_000.0)], texts=[said_1013(61_000, 35_998, 1)]), np.arange(2), np.full(2, -1)
    )
    assert behind.tally.clock_offs_s == [] and behind.axis.day0 is not None


def test_a_1013_whose_frame_is_not_there_dates_the_stream_and_is_held_against_nothing() -> None:
    link = engine()
    link.feed(stretch([frame(1077, 36_000.0)], texts=[said_1013(61_000, 35_998, 1)]), np.arange(1), np.full(1, -1))
    assert link.tally.clock_offs_s == [] and link.axis.day0 is not None


def test_each_1013_of_a_stretch_is_held_against_its_own_time() -> None:
    link = engine()
    frames = [frame(1077, 36_000.0), frame(1013), frame(1077, 36_010.0), frame(1013)]
    texts = [said_1013(61_000, 36_000, 1), said_1013(61_000, 36_007, 3)]
    link.feed(stretch(frames, 0, texts=texts), np.arange(4), np.full(4, -1))
    assert link.tally.clock_offs_s == [0.0, 3.0]


# Whose base -----------------------------------------------------------------------------------------------------------


def test_the_first_station_that_is_heard_is_the_one_that_others_are_measured_against() -> None:
    link = both(
        [frame(1077, 10, 412), frame(1077, 11, 412), frame(1077, 12, 77), frame(1077, 13, 77), frame(1077, 14, 412)]
    )
    assert link.station_id == 412 and latched(link) == {"two_bases"}
    assert link.join(np.arange(5)).latches.tolist() == [0, 0, *[LATCH_FLAGS["two_bases"]] * 3]
    assert link.tally.id_changes == [(10 * S, 412), (12 * S, 77), (14 * S, 412)] and link.tally.last_id == 412


def test_a_station_with_the_number_nought_is_one() -> None:
    for station in (0, 1):
        link = both([frame(1077, 10, station), frame(1077, 11, 412)])
        assert link.station_id == station and latched(link) == {"two_bases"}
        assert link.tally.id_changes == [(10 * S, station), (11 * S, 412)]


def test_only_observations_and_positions_say_whose_base_it_is() -> None:
    for number in (1007, 1008, 1013, 1029, 1032, 1033, 1230):
        assert latched(both([frame(1077, 10, 412), frame(number, None, 77)])) == set(), number
    for number in (1004, 1012, 1077, 1127, 1137, 1005, 1006):
        assert latched(both([frame(1077, 10, 412), frame(number, None, 77)])) == {"two_bases"}, number
    assert latched(both([frame(1077, 10, 412), frame(1077, 11, None), frame(1077, 12, 412)])) == set()


def test_positions_and_names_are_taken_in_the_order_of_the_frames() -> None:
    # The network's bit comes before the second name: what it computes may change its name.
    computed_first = [frame(1077, 10, 412), arp(412, computed=True), frame(1077, 11, 77)]
    assert latched(both(computed_first)) == set()
    name_first = [frame(1077, 10, 412), frame(1077, 11, 77), arp(77)]
    assert latched(both(name_first)) == {"two_bases"}


def test_each_position_is_that_of_its_own_frame() -> None:
    frames = [arp(412, 0.0), frame(1077, 10), arp(412, 0.01), arp(77, 5.0), frame(1077, 11), arp(77, 5.02)]
    link = both(frames)
    columns = link.join(np.arange(6))
    assert (columns.arp_ecef_m[:, 1] - PLACE_M[1]).tolist() == pytest.approx([0.0, 0.0, 0.01, 5.0, 5.0, 5.02], abs=1e-6)
    assert columns.station_id.tolist() == [412, 412, 412, 77, 77, 77]
    assert columns.base_kind.tolist() == [PHYSICAL] * 6
    assert link.arp_ecef_m == (PLACE_M[0], PLACE_M[1] + 5.02, PLACE_M[2])
    assert link.tally.stations[412].arp_count == 2 and link.tally.stations[77].arp_count == 2
    assert [a[0] for a in link.tally.stations[77].arps] == [10 * S, 11 * S]


def test_a_position_whose_frame_is_not_there_is_none() -> None:
    link = engine()
    lone = dataclasses.replace(stretch([frame(1077, 10)]), stations=stretch([arp()], 5).stations)
    link.feed(lone, np.arange(1), np.full(1, -1))
    assert link.arp_ecef_m is None and link.reached_ns() == 10 * S


def test_a_place_that_has_been_confirmed_is_not_misplaced_again() -> None:
    for off_m, said in ((0.5, set()), (0.549, set()), (0.551, {"base_misplaced", "base_moved"})):
        link = fed([frame(1077, 10), arp(412, 0.5)], link=engine(base_ecef_m=PLACE_M))
        assert latched(link) == {"base_misplaced"}
        link.clear_latches(1 << 50)
        again = stretch([frame(1077, 11), arp(412, off_m)], 2)
        link.feed(again, np.array([1 << 51, (1 << 51) + 1]), np.full(2, -1))
        assert latched(link) == said, off_m


def test_1032_tells_of_the_physical_base_and_is_no_position_of_the_stream() -> None:
    link = both([frame(1077, 10), arp(412, 3000.0, number=1032), arp(412, 0.0), frame(1077, 11, 9)])
    assert link.saw_1032 and link.base_kind == COMPUTED and latched(link) == set()
    assert link.tally.stations[412].physical_ecef_m == (PLACE_M[0], PLACE_M[1] + 3000.0, PLACE_M[2])
    assert link.tally.stations[412].physical_id == 7 and link.tally.stations[412].arp_count == 1
    assert not both([frame(1077, 10), arp()]).saw_1032


def test_a_base_that_a_network_computes_is_told_apart_at_each_key() -> None:
    link = both([frame(1077, 10), arp(), arp(computed=True), arp()])
    assert link.join(np.arange(4)).base_kind.tolist() == [0, PHYSICAL, COMPUTED, PHYSICAL]
    assert link.join(np.arange(4)).base_kind.dtype == np.int64
    assert link.tally.stations[412].computed is False
    assert both([frame(1077, 10), arp(), arp(computed=True)]).tally.stations[412].computed is True


def test_the_site_s_base_clears_what_was_said_unless_another_was_heard_within_half_a_minute() -> None:
    site = {"base_ecef_m": PLACE_M}
    two = [frame(1077, 10, 412), frame(1077, 11, 77), frame(1077, 12, 412)]
    assert latched(both([*two, arp()], **site)) == {"two_bases"}
    assert latched(both([*two, frame(1077, 40.999, 412), arp()], **site)) == {"two_bases"}
    assert latched(both([*two, frame(1077, 41, 412), arp()], **site)) == set()
    # A name on a descriptor is a name that was heard; one that nobody gave is not.
    assert latched(both([*two, frame(1077, 41, 412), frame(1033, None, 9), arp()], **site)) == {"two_bases"}
    assert latched(both([*two, frame(1077, 41, 412), frame(1077, 42, None), arp()], **site)) == set()
    # What comes behind the position changes nothing at its place.
    link = both([*two, frame(1077, 41, 412), arp(), frame(1077, 42, 77)], **site)
    assert link.join(np.arange(6)).latches.tolist() == [0, 2, 2, 2, 0, 2]
    # The site's own base, heard for the first time beside another, is not alone either.
    alone = [frame(1077, 10, 77), arp(77, 5.0), arp()]
    assert latched(both([frame(1077, 10, 77), arp()], base_station_id=412, **site)) == {"wrong_base", "two_bases"}
    assert "two_bases" in latched(both(alone, **site))


def test_what_is_wrong_is_latched_once_where_it_begins() -> None:
    for off_m, code in ((0.5, "base_misplaced"), (500.0, "wrong_base")):
        link = both([frame(1077, 10), arp(412, off_m), arp(412, off_m), arp(412, off_m)], base_ecef_m=PLACE_M)
        assert len(link.latched._key) == 1 and link.latched._key == [1], code
        assert link.join(np.arange(4)).latches.tolist() == [0, *[LATCH_FLAGS[code]] * 3]


def test_the_tolerance_of_the_site_and_of_a_move_are_reached_and_not_passed() -> None:
    def off(m: float) -> tuple[float, float, float]:
        return PLACE_M[0], PLACE_M[1] + m, PLACE_M[2]

    # Halves and eighths of a metre are exact in binary.
    at_it = {"base_ecef_m": PLACE_M, "base_tolerance_m": 0.125, "limits": {"wrong_base_m": 0.5, "base_moved_m": 0.25}}
    assert latched(both([frame(1077, 10), arp(412, 0.125)], **at_it)) == set()
    assert latched(both([frame(1077, 10), arp(412, 0.1875)], **at_it)) == {"base_misplaced"}
    assert latched(both([frame(1077, 10), arp(412, 0.5)], **at_it)) == {"base_misplaced"}
    assert latched(both([frame(1077, 10), arp(412, 0.5625)], **at_it)) == {"wrong_base"}
    limits = {"limits": {"base_moved_m": 0.25, "computed_base_m": 512.0}}
    assert latched(both([frame(1077, 10), arp(), arp(412, 0.25)], **limits)) == set()
    assert latched(both([frame(1077, 10), arp(), arp(412, 0.3125)], **limits)) == {"base_moved"}
    for known_m, codes in ((0.25, set()), (0.3125, {"base_moved"})):
        link = engine(**limits)
        link.known_arp_ecef_m = off(known_m)
        assert latched(fed([frame(1077, 10), arp()], link=link)) == codes
        assert (link.set_again is None) is not codes and (not codes or link.set_again == (10 * S, 412, 0.3125))
        link = engine(**limits)
        link.confirmed_arp_ecef_m = PLACE_M
        assert link._confirmed(off(known_m)) is not bool(codes)
    for far_m, kind in ((511.0, COMPUTED), (512.0, PHYSICAL)):
        link = engine(source_kind="ntrip", **limits)
        link.rover_ecef_m = off(far_m)
        assert fed([frame(1077, 10), arp()], link=link).base_kind == kind
    link = both([frame(1077, 10), arp()])
    link.setup = LinkSetup(base_ecef_m=off(0.05), base_tolerance_m=distance_m(PLACE_M, off(0.05)))
    link.note_base("base_misplaced", 0)
    assert latched(link) == set()


def test_what_the_observations_show_is_latched_at_the_frame_behind_the_place() -> None:
    frames = [frame(1077, 10), frame(1077, 11), frame(1077, 12)]
    for pos, key in ((0, 0), (99, 0), (100, 1), (199, 1), (200, 2), (299, 2), (300, 2), (9999, 2)):
        link = fed(frames)
        link.note_base("base_disturbed", pos)
        assert link.join(np.arange(3)).latches.tolist() == [0] * key + [LATCH_FLAGS["base_disturbed"]] * (3 - key), pos
    link = fed(frames[:1])
    link.note_base("base_misplaced", 0)  # a base that has not said where it is
    assert latched(link) == {"base_misplaced"}


def test_a_link_forgets_what_no_row_asks_for_any_more() -> None:
    link = fed([one for t in range(700) for one in (frame(1077, t), arp(412, float(t % 2)))])
    n = len(link._obs.key), len(link._base.key), len(link.latched._key)
    assert min(n) > 600
    link.forget_before(1000)
    left = len(link._obs.key), len(link._base.key), len(link.latched._key)
    assert all(a < b for a, b in zip(left, n, strict=True)) and epochs_at(link, 1002)[1000:] == [500.0, 500.0]


def test_distances_are_those_of_pythagoras() -> None:
    assert distance_m((0.0, 0.0, 0.0), (2.0, 3.0, 6.0)) == 7.0 and distance_m((1.0, 1.0, 1.0), (1.0, 1.0, 1.0)) == 0.0
    up = (0.0, 3_000_000.0, 4_000_000.0)
    # 5 m along the vertical and 2 m across it in each of the other directions.
    there = (2.0, 3_000_003.0 + 1.6, 4_000_004.0 - 1.2)
    assert horizontal_m(there, up) == pytest.approx(np.sqrt(8.0), abs=1e-6)
