"""What is kept has an end, and rows, frames and stands that seldom come: each changes just what it should."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tests.engine.judge_rows_made import Rows
from tests.link_session import read
from tests.link_stream import GPS, Base, msm, sent, stream
from tests.rover_text import LAT_DEG, gga, gst, hdt, sentence, wobble

from hubtack.engine import link_tally, places, swing
from hubtack.engine.axis import DAY_NS, MOST_DAYS_AHEAD, SessionAxis
from hubtack.engine.link import LinkSetup
from hubtack.engine.link_ledger import Ledger
from hubtack.engine.link_tally import LinkTally
from hubtack.engine.parked import Parked
from hubtack.engine.places import PlaceTrack
from hubtack.engine.quantities import Quantities
from hubtack.engine.setup import Setup
from hubtack.engine.swing import Swings
from hubtack.knowledge.reasons import codes
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session

S = 1_000_000_000
START_MS = 36_000_000
STREAM_S = 3 * 86_400 + 36_000.0
HOURS_S = 3600.0


# The rover's rows -----------------------------------------------------------------------------------------------------


def rover_of(lines: list[bytes], setup: Setup | None = None) -> Session:
    session = Session(setup or Setup(assumed_baseline_m=1000.0), LinkSetup(), link_role="rover")
    session.expect("rover")
    for line in lines:
        session.feed(Chunk("rover", line))
    session.close()
    return session


def test_of_the_stations_that_a_rover_names_the_first_sixty_four_are_kept_and_go_on_to_be_counted() -> None:
    names = [f"{i:04d}" for i in range(70)] + ["0003", "0069"]
    session = rover_of([b"".join(gga(START_MS + i * 1000, station=name) for i, name in enumerate(names))])
    named = session.rover.named_stations()
    assert list(named) == names[:64] and named["0003"] == 2 and sum(named.values()) == 65
    assert session.base_id() == 63  # the newest name, where no stream tells
    assert rover_of([gga(START_MS, station="")]).base_id() is None


def test_a_heading_that_is_held_over_rows_keeps_its_source() -> None:
    session = rover_of(
        [gga(START_MS + i * 1000) + gst(START_MS + i * 1000) + (b"" if i % 2 else hdt(80.0)) for i in range(8)]
    )
    assert session.rover.tally.heading_epochs == session.rover.tally.epochs == 8
    assert session.rover.tally.heading_source == 1


def test_the_verdict_falls_to_hold_as_silence_lasts_whether_rows_are_open_or_closed() -> None:
    session = Session(Setup(assumed_baseline_m=1000.0), LinkSetup(), link_role="rover")
    session.expect("rover")
    rows = [gga(START_MS + i * 1000, lat_deg=LAT_DEG + wobble(i)) + gst(START_MS + i * 1000) for i in range(90)]
    for data in (b"".join(rows[:-2]), *rows[-2:]):
        session.feed(Chunk("rover", data))
    peeked = session.peek(allow_partial=True)
    assert peeked is not None
    for track in (None, peeked[1]):
        standing = [session.rover.standing(s * S, track).verdict for s in (0, 1, 60)]
        assert standing[0] == standing[1] < standing[2] == 2
    # A track of a later row has more time left.
    assert session.rover.track.time_ns < peeked[1].time_ns


@pytest.mark.parametrize(
    ("check", "reason"),
    [("parked", "latched_overnight_shift"), ("swings", "heading_contradiction"), ("scatter", "scatter_contradiction")],
)
def test_an_open_row_is_held_for_what_the_slow_checks_have_found(check: str, reason: str) -> None:
    rows = [gga(START_MS + i * 1000, lat_deg=LAT_DEG + wobble(i)) + gst(START_MS + i * 1000) for i in range(8)]
    session = Session(Setup(assumed_baseline_m=1000.0), LinkSetup(), link_role="rover")
    session.expect("rover")
    session.feed(Chunk("rover", b"".join(rows)))

    def said() -> list[str]:
        peeked = session.peek(allow_partial=True)
        assert peeked is not None
        return codes(int(peeked[0].judged.bits[-1]))

    assert reason not in said()
    getattr(session.rover, check).contradicts = True
    assert reason in said()  # though the row has been looked at before, without it


def test_one_row_has_no_length_and_no_share_of_it() -> None:
    tally = rover_of([gga(START_MS)]).rover.tally
    assert tally.duration_s() == 0.0 and set(tally.verdict_seconds().values()) == {0.0} == set(
        tally.fix_seconds().values()
    )
    assert all(np.isnan(job["share"]) for job in tally.workable())


def test_a_time_on_the_axis_has_its_date_and_milliseconds_and_a_stated_day_is_believed_only_so_far_ahead() -> None:
    axis = SessionAxis()
    assert axis.utc_iso(0) is None and axis.place_date(0, 20_000.0) is None
    axis.place_tod(36_000 * S)
    axis.learn_date(20_000, 36_000 * S, "rmc")  # 2024-10-04: 20 000 days since 1970
    assert axis.utc_iso(36_000 * S + 7_499_999) == "2024-10-04T10:00:00.007Z"
    assert axis.utc_iso(36_000 * S + 400_000) == "2024-10-04T10:00:00Z"
    night_ns = DAY_NS + 21_600 * S
    assert axis.place_date(21_600 * S, 20_001.0) == night_ns
    for day in (20_000.0, 20_000.0 + MOST_DAYS_AHEAD + 1, float("nan")):
        assert axis.place_date(21_600 * S, day) is None


@pytest.mark.parametrize("kind", ["dozer", "excavator"])
def test_only_a_machine_that_goes_where_it_points_is_measured_by_its_course(kind: str) -> None:
    lines, north = [], sentence("GNVTG,0.0,T,,M,2.333,N,4.320,K,D")  # 1.2 m/s
    for i in range(12):
        tod = START_MS + i * 1000
        lines.append(gga(tod, lat_deg=LAT_DEG + i * 1.2 / 111_132.0) + gst(tod) + hdt(0.0) + north)
    course = rover_of([b"".join(lines)], Setup(assumed_baseline_m=1000.0, machine_kind=kind)).rover.course
    assert course.counts.sum() == (12 if kind == "dozer" else 0)


def swinging(n: int) -> Rows:
    """A house that turns three degrees a second about its axis, with the antenna 1.6 m off it."""
    rows = Rows(n)
    psi = np.radians(3.0 * np.arange(n))
    rows.q.heading_deg[:] = np.degrees(psi) % 360.0
    rows.epochs.heading_deg[:] = rows.q.heading_deg
    rows.q.pos_ecef_m[:, 0] += 1.6 * np.cos(psi)
    rows.q.pos_ecef_m[:, 1] += 1.6 * np.sin(psi)
    return rows


@pytest.mark.parametrize("most", [7, 20, 100])
def test_of_swings_and_places_just_so_many_are_kept_in_any_cut(monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    monkeypatch.setattr(swing, "MOST_SAMPLES", most)
    monkeypatch.setattr(places, "MOST_PLACES", most)
    rows = swinging(40)
    rows.q.pos_ecef_m[3] = 2e8  # no place on the Earth: it is left out, and takes none beside it along
    swings, tracks = [], []
    for size in (40, 9, 1):
        swings.append(Swings())
        tracks.append(PlaceTrack())
        for i in range(0, 40, size):
            part = slice(i, i + size)
            q = Quantities(**{name: getattr(rows.q, name)[part] for name in Quantities.__dataclass_fields__})
            swings[-1].add(rows.epochs.take(part), q)
            tracks[-1].add(rows.epochs.time_ns[part], q.pos_ecef_m)
    assert swings[0].time_s == swings[1].time_s == swings[2].time_s and len(swings[0].time_s) == min(most, 39)
    assert tracks[0].second == tracks[1].second == tracks[2].second and len(tracks[0].second) == min(most, 39)
    at = rows.epochs.time_ns[:5]
    np.testing.assert_array_equal(tracks[0].at(at), tracks[2].at(at))
    np.testing.assert_allclose(tracks[0].at(at)[4], rows.q.pos_ecef_m[4], atol=0.05)


# Nights ---------------------------------------------------------------------------------------------------------------


def parked_after(*mornings: tuple[float, float], seconds: int = 40) -> Parked:
    """A machine that stands still while fixed, at (time [s], metres along the first axis), and is off in between."""
    parked = Parked(0.010, 0.017)
    for start_s, moved_m in mornings:
        rows = Rows(seconds, start_s=start_s)
        rows.q.pos_ecef_m[:, 0] += moved_m
        parked.add(rows.epochs, rows.q)
    return parked


def test_a_machine_that_comes_up_where_it_went_down_has_not_shifted() -> None:
    same = parked_after((100.0, 0.0), (100.0 + 12 * HOURS_S, 0.0))
    assert same.shifts == [] and not same.contradicts
    moved = parked_after((100.0, 0.0), (100.0 + 12 * HOURS_S, 0.5))
    (shift,) = moved.shifts
    assert moved.contradicts and shift.length_m == pytest.approx(0.5, abs=1e-6)
    # The first stand is that of the whole session, and not of its last morning.
    assert same.first is not None and same.first.time_ns == 100 * S


def test_a_night_that_began_at_midnight_is_one() -> None:
    alone = parked_after((0.0, 3.0), seconds=1)
    assert alone._last_row_ns == 0
    rows = Rows(40, start_s=12 * HOURS_S)
    alone.add(rows.epochs, rows.q)
    assert alone.first is not None and alone.first.time_ns == round(12 * HOURS_S) * S and alone.first.n == 30


# The link -------------------------------------------------------------------------------------------------------------


def test_the_moments_of_damaged_frames_are_kept_up_to_ten_thousand_and_all_are_counted() -> None:
    tally = LinkTally()
    spans = [SimpleNamespace(kind="bad_crc", pos=i, end=i + 1) for i in range(10_001)]
    none = np.zeros(0, dtype=np.int64)
    tally.add_damage(SimpleNamespace(spans=spans), none, none, 5 * S)  # type: ignore[arg-type]
    assert tally.bad_crc_ns == [5 * S] * 10_000
    at, counts = tally.flow.table()
    assert len(at) == 1 and 10_001 in counts[0].tolist()


@pytest.mark.parametrize("interval_s", [1.0, 2.0])
def test_a_repeat_is_told_though_the_memory_of_frames_is_cut_back(
    monkeypatch: pytest.MonkeyPatch, interval_s: float
) -> None:
    # Half a minute is all that a repeat may take: at 2 s that is less than half of the memory, at 1 s more.
    monkeypatch.setattr(link_tally, "_MOST_RECENT", 40)
    base = Base(systems=(GPS,), interval_s=interval_s, arp_every_s=None, bias_every_s=None, descriptor_every_s=None)
    frames = sent(base, 60 * interval_s)
    again = [item for i, item in enumerate(frames) for _ in range(2 if i % 10 == 9 else 1)]
    session = read(stream(again), cuts=range(0, 20_000, 900))
    assert session.link.tally.duplicates == 6
    assert len(session.link.tally._recent) <= 41


def test_lags_beyond_a_thousand_whole_seconds_of_them_are_no_longer_told_apart() -> None:
    tally = LinkTally()
    n = 1010
    time_ns = np.arange(n, dtype=np.int64) * S
    tally._arrivals(time_ns, 2 * time_ns, np.ones(n, dtype=bool))
    assert list(tally.lag_whole_s) == list(range(1000)) and tally.latency.total == n


def test_only_so_many_comparisons_of_the_base_s_clock_are_kept() -> None:
    tally = LinkTally()
    for i in range(link_tally.MOST_CHANGES + 3):
        tally.note_clocks(float(i))
    assert tally.clock_offs_s == [float(i) for i in range(link_tally.MOST_CHANGES)]


def ledger_of(n: int, *, at_once: bool) -> Ledger:
    """One epoch of ``n`` frames of two types and the one after it, as one stretch or frame by frame."""
    ledger = Ledger()
    time_ns = np.full(n, 7 * S, dtype=np.int64)
    number, more = 1074 + 10 * (np.arange(n) % 2), (np.arange(n) < n - 1).astype(np.int64)
    size = n if at_once else 1
    for i in range(0, n, size):
        ledger.add(time_ns[i : i + size], number[i : i + size], more[i : i + size])
    ledger.add(time_ns[:1] + S, number[:1], more[:1])
    return ledger


def test_a_stretch_of_frames_that_are_all_of_one_epoch_is_one_epoch() -> None:
    one, other = ledger_of(70, at_once=True), ledger_of(70, at_once=False)
    assert (one.epochs, one.closed, one.sets) == (2, 1, [frozenset({1074, 1084})])
    for name in Ledger.__dataclass_fields__:
        assert getattr(one, name) == getattr(other, name), name


def test_a_message_without_a_satellite_makes_no_sky() -> None:
    session = read(stream(sent(Base(satellites=0, arp_every_s=None), 20)))
    assert session.link.tally.content.sky.bins == {} and session.link.tally.epochs == 20


@pytest.mark.parametrize(("second", "twins"), [((9, 13), 0), ((7, 13), 8)])
def test_two_messages_of_one_type_and_epoch_are_twins_only_if_they_share_a_satellite(
    second: tuple[int, ...], twins: int
) -> None:
    """A base may split its satellites over two messages (RTCM 10403.3, the multiple message bit); two bases overlap."""

    def half(i: int, satellites: tuple[int, ...], more: bool) -> bytes:
        said: dict[str, Any] = {"more": more, "cn0_dbhz": lambda s, g: 45.0}
        return msm(GPS, 4, 412, STREAM_S + i, satellites, (2, 16), **said)

    data = b"".join(half(i, (5, 7), True) + half(i, second, False) for i in range(8))
    assert read(data).link.tally.content.twins == twins
    assert read(data, cuts=range(0, len(data), 90)).link.tally.content.twins == twins
