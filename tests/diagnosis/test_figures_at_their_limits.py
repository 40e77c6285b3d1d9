"""Families of the link asked with a view made by hand: each question at its limit, and what is said where it is not known.

Limits: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tests.link_session import fed, read, session_of
from tests.link_stream import ARP_M, Base, damaged, moved, sent, stream

from hubtack.control.latest import LatestCheck
from hubtack.diagnosis.against import judge_against
from hubtack.diagnosis.base_families import leap_episode
from hubtack.diagnosis.check_family import check_episodes
from hubtack.diagnosis.heading_family import _against_learnt
from hubtack.diagnosis.link_base import _far_base, _moved, _rover_station
from hubtack.diagnosis.link_bytes import _not_rtcm, lone_bits_share, sync_pair
from hubtack.diagnosis.link_clocks import clock_family
from hubtack.diagnosis.link_loss import _median_of, latency_median_s, placed_slots
from hubtack.diagnosis.link_view import LinkView
from hubtack.diagnosis.ready import rtk_ready
from hubtack.diagnosis.rover_view import RoverView
from hubtack.diagnosis.why_float import Cause, likely_causes
from hubtack.engine.link_compare import Comparison
from hubtack.engine.setup import Setup
from hubtack.engine.swing import SwingFit
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session

S = 1_000_000_000
START_S = 3 * 86_400 + 36_000.0


def view_of(session: Session, rover: RoverView | None = None, **changes: Any) -> LinkView:
    """The link of a session, beside a rover that is made by hand."""
    first_ns = session.link.tally.ledger.first_ns or 0
    last_ns = session.link.tally.ledger.last_ns or 0
    return replace(LinkView(session.link, rover or RoverView(), first_ns, last_ns), **changes)


@pytest.fixture(scope="module")
def good() -> Session:
    return read(stream(sent(Base(), 120)))


# Two recordings of one stream -----------------------------------------------------------------------------------------


def comparison(**changes: Any) -> Comparison:
    """A thousand frames, of which none is lost."""
    n = changes.pop("n", 1000)
    base: dict[str, Any] = {
        "sent": n, "received": n, "lost": 0, "cut": 0, "foreign": 0, "doubled": 0, "base_gaps": 0, "base_lost": 0,
        "base_interval_ms": 1000.0, "epoch_lost": np.zeros(n, dtype=bool), "heard": np.ones(n, dtype=bool),
        "length": np.full(n, 200), "delay_s": None,
    }  # fmt: skip
    base |= changes
    return Comparison(**{name: base.get(name) for name in Comparison.__dataclass_fields__})


@pytest.mark.parametrize(
    ("lost", "base_lost", "fault"),
    [(0, 0, "none"), (2, 0, "none"), (3, 0, "air"), (0, 10, "none"), (0, 11, "base"), (30, 30, "both")],
)
def test_base_or_air(lost: int, base_lost: int, fault: str) -> None:
    result = judge_against(comparison(lost=lost, base_lost=base_lost, base_gaps=1))
    assert result.fault == fault and result.figures["lost"] == lost
    assert ("the base itself left out" in result.says) is (fault in ("base", "both"))
    assert ("the way between lost" in result.says) is (fault in ("air", "both"))
    assert judge_against(comparison(n=0, sent=0)).fault == "none"


def test_frames_of_somebody_else_and_damaged_ones_are_told() -> None:
    says = judge_against(comparison(lost=40, cut=7, foreign=9)).says
    assert "7 of them arrived damaged" in says and "9 frames came from somewhere else" in says
    assert "damaged" not in judge_against(comparison(lost=40)).says


def test_long_frames_that_are_lost_more_often_are_noise() -> None:
    length = np.where(np.arange(1000) % 2 == 0, 100, 900)
    heard = np.ones(1000, dtype=bool)
    heard[1:200:2] = False  # a hundred of the long ones
    noisy = judge_against(comparison(lost=100, received=900, length=length, heard=heard))
    assert noisy.figures["long_frames_lost_more"] is True and "long frames are lost more often" in noisy.says
    heard[:] = True
    heard[:100] = False  # of both alike
    assert (
        judge_against(comparison(lost=100, received=900, length=length, heard=heard)).figures["long_frames_lost_more"]
        is False
    )
    # All of one length, or too few: not known.
    assert judge_against(comparison(lost=100, received=900, heard=heard)).figures["long_frames_lost_more"] is None
    assert judge_against(comparison(lost=9, received=900, length=length)).figures["long_frames_lost_more"] is None
    assert judge_against(comparison(lost=90, received=9, length=length)).figures["long_frames_lost_more"] is None


# Checks, headings, leap seconds ---------------------------------------------------------------------------------------


def check(*, passed: bool) -> LatestCheck:
    return LatestCheck("2026-03-02T07:00:00Z", 0.008, 412, None, passed, "CP3", None)


def test_a_site_with_marks_is_told_of_a_check_that_is_missing() -> None:
    def found(**changes: Any) -> list[Any]:
        given: dict[str, Any] = {"expected": True, "checked": False, "newest": None, "start_ns": 5, "require": False}
        return check_episodes(**(given | changes))

    assert found(expected=False) == found(checked=True) == found(start_ns=None) == []
    (none,) = found()
    assert (none.code, none.start_ns, none.end_ns, none.severity) == ("not_checked", 5, None, "note")
    assert none.evidence == {"last_utc": None, "why": "none on record"}
    assert found(require=True)[0].severity == "warn"
    (failed,) = found(newest=check(passed=False))
    assert failed.evidence == {"last_utc": "2026-03-02T07:00:00Z", "why": "the last, at CP3, failed"}
    assert found(newest=check(passed=True))[0].evidence["why"] == "it is too old, or the base has changed"


def fit(direction_deg: float, start_ns: int = 0) -> SwingFit:
    given: dict[str, Any] = dict.fromkeys(SwingFit.__dataclass_fields__, 0.0)
    return SwingFit(**(given | {"start_ns": start_ns, "direction_deg": direction_deg, "radius_m": 1.6}))


def test_two_swings_that_agree_are_the_measure_of_those_that_come() -> None:
    def found(*directions: float) -> list[Any]:
        return _against_learnt([fit(d, i) for i, d in enumerate(directions)], Setup())

    assert found(170.0, 171.0) == []  # nothing to compare yet
    assert found(170.0, 173.0, 350.0) == []  # the first two do not agree
    assert found(170.0, 171.0, 189.9) == []
    (flipped,) = found(170.0, 171.0, 170.5, -10.0, -12.0)
    assert flipped.severity == "stop" and flipped.start_ns == 3 and flipped.evidence["swings"] == 2
    assert abs(abs(flipped.evidence["offset_deg"]) - 179.0) < 1e-9 and flipped.evidence["radius_m"] == 1.6
    assert found(170.0, 172.0, 190.0)[0].evidence["offset_deg"] == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("off_s", "words"),
    [(18, "left out or counted twice"), (-14, "BeiDou's offset"), (10_800, "Moscow's"), (1, "out of date")],
)
def test_a_base_that_does_not_know_the_leap_seconds(good: Session, off_s: int, words: str) -> None:
    (found,) = leap_episode(view_of(good, glonass_off_s=off_s))
    assert found.code == "base_clock" and found.evidence["offset_s"] == off_s and words in found.evidence["likely"]
    assert leap_episode(view_of(good)) == []


# Whose base -----------------------------------------------------------------------------------------------------------


def test_a_rover_that_names_another_station() -> None:
    session = read(stream(sent(Base(), 30)))

    def found(ids: dict[str, int], **changes: Any) -> list[Any]:
        return _rover_station(view_of(session, RoverView(has_rover=True, station_ids=ids), **changes))

    (mismatch,) = found({"0077": 50, "0005": 2})
    assert mismatch.severity == "warn" and mismatch.evidence == {"rover_id": [77], "stream_id": [412]}
    assert found({"0412": 9, "0077": 50}) == []  # often enough to be one of its bases
    assert found({"0412": 9, "0077": 100}) != []
    for says_nothing in ({}, {"0000": 90}, {"BASE": 90}):
        assert found(says_nothing) == []
    # An ID of more than ten bits, as an older receiver cuts it.
    wide = read(stream(sent(Base(station=2060), 30)))
    assert _rover_station(view_of(wide, RoverView(has_rover=True, station_ids={"0012": 50}))) == []
    well = RoverView(has_rover=True, station_ids={"0077": 50}, fixed_share=1.0, age_p95_s=1.0)
    assert _rover_station(view_of(session, well))[0].severity == "note"
    session.link.setup = replace(session.link.setup, heard_at="elsewhere")
    assert found({"0077": 50}) == []


def test_a_base_that_moves_with_every_message_is_no_base_for_positions() -> None:
    frames = [f for i in range(40) for f in sent(moved(Base(arp_every_s=1), 0.2 * i), 1, START_S + i)]
    session = read(stream(frames))
    station = next(iter(session.link.tally.stations.values()))
    (found,) = _moved(view_of(session), station, agrees=False)
    assert found.severity == "stop" and "a moving base" in found.evidence["how"]
    assert found.evidence["moved_m"] == pytest.approx(39 * 0.2, abs=0.001)


def test_a_shift_too_small_for_a_move_is_none() -> None:
    session = read(stream([*sent(Base(), 20), *sent(moved(Base(), 0.03), 20, START_S + 20)]))
    station = next(iter(session.link.tally.stations.values()))
    assert list(_moved(view_of(session), station, agrees=False)) == []


def test_a_base_set_up_again_is_a_stop_until_somebody_confirms_it() -> None:
    session = session_of()
    session.link.known_arp_ecef_m = (ARP_M[0], ARP_M[1] + 2.0, ARP_M[2])
    session.feed(Chunk("corrections", stream(sent(Base(), 30))))
    found = {f.code: f for f in session.findings()}
    assert found["base_moved"].severity == "stop" and "it was set up again" in found["base_moved"].evidence["how"]
    assert found["base_moved"].evidence["moved_m"] == pytest.approx(2.0, abs=1e-3)
    session.link.clear_latches(1 << 60)
    confirmed = {f.code: f for f in session.findings()}
    assert confirmed["base_moved"].severity == "warn" and not confirmed["base_moved"].open_at_end


def test_a_base_is_far_only_beyond_the_limit(good: Session) -> None:
    good.link.setup = replace(good.link.setup, near_deg=(-45.03, 170.01))
    assert _far_base(view_of(good)) == []
    good.link.setup = replace(good.link.setup, near_deg=(-45.3, 170.01))
    assert _far_base(view_of(good))[0].code == "long_baseline"
    assert _far_base(view_of(good, RoverView(has_rover=True))) == []


# Bytes ----------------------------------------------------------------------------------------------------------------


def test_bits_that_stand_alone() -> None:
    assert lone_bits_share(np.array([0, 255, 0], dtype=np.uint8)) == 0.25  # nothing to go by
    assert lone_bits_share(np.array([0b0011_0011], dtype=np.uint8)) == 0.0
    assert lone_bits_share(np.array([0b0101_0101], dtype=np.uint8)) == 1.0
    assert sync_pair(np.array([7], dtype=np.uint8)) is None


def test_a_format_that_is_not_decoded_under_a_rover_that_works_is_a_note() -> None:
    noise = bytes(np.random.default_rng(3).integers(0, 256, 4000, dtype=np.uint8)).replace(b"\xd3", b"\x11")
    session = read(noise)
    well = RoverView(has_rover=True, fixed_share=0.99, age_p95_s=1.0)
    (found,) = _not_rtcm(view_of(session, well))
    assert (found.code, found.severity) == ("wrong_protocol", "note")
    assert rtk_ready(view_of(session, well), []) is None
    assert rtk_ready(view_of(session), []) is False
    few = read(noise[:20])
    assert list(_not_rtcm(view_of(few, now_ns=0))) == []


# Clocks ---------------------------------------------------------------------------------------------------------------


def clocks(session: Session, rover: RoverView, **changes: Any) -> list[tuple[str, float, str]]:
    return [
        (e.code, e.evidence["offset_s"], e.evidence["basis"])
        for e in clock_family(view_of(session, rover, **changes))
    ]  # fmt: skip


def test_a_stream_ahead_of_the_rover_is_the_base_s_clock(good: Session) -> None:
    ahead = RoverView(has_rover=True, stream_ahead_s=18.0)
    assert clocks(good, ahead) == [("base_clock", 18.0, "the rover's time")]
    assert clocks(good, replace(ahead, stream_ahead_s=1.5)) == [] == clocks(good, replace(ahead, has_rover=False))
    assert clocks(good, replace(ahead, merged_by_content=True)) == []


def test_separate_logs_shifted_alike_at_both_ends_are_a_clock(good: Session) -> None:
    ledger = good.link.tally.ledger
    assert ledger.first_ns is not None and ledger.last_ns is not None

    def found(begin_s: float, end_s: float) -> list[Any]:
        rover = RoverView(
            has_rover=True, merged_by_content=True,
            first_ns=ledger.first_ns - round(begin_s * S), last_ns=ledger.last_ns - round(end_s * S),
        )  # fmt: skip
        return clocks(good, rover)

    assert found(18.0, 18.4) == [("base_clock", 18.2, "where both logs begin and end")]
    assert found(18.0, 20.1) == [] == found(4.9, 5.0) and found(-5.0, -5.0)[0][1] == -5.0
    assert clocks(good, RoverView(has_rover=True, merged_by_content=True)) == []


def live(lag_s: float, *, clock_s: float = 0.0) -> Session:
    return fed(((at + lag_s, f) for at, f in sent(Base(), 110)), clock_s=clock_s)


def test_arrivals_beside_those_of_the_rover_tell_the_clocks_apart() -> None:
    session = live(0.3)
    # The rover's rows come 18 s after their time, the stream's at once: the stream is ahead.
    found = clocks(session, RoverView(has_rover=True, least_lag_ns=round(18.3 * S)))
    assert [(code, basis) for code, _, basis in found] == [("base_clock", "arrival, beside the rover's")]
    assert found[0][1] == pytest.approx(18.0, abs=0.01)
    late = live(0.3, clock_s=120.0)
    both = clocks(late, RoverView(has_rover=True, least_lag_ns=round(120.1 * S)))
    assert [(code, basis) for code, _, basis in both] == [("computer_clock", "rover and stream agree")]
    assert clocks(session, RoverView(has_rover=True, least_lag_ns=round(0.2 * S))) == []


def test_lateness_is_told_by_the_rovers_clock_where_this_computers_is_off() -> None:
    late = fed(((at + 3.2, f) for at, f in sent(Base(), 20)), clock_s=120.0)
    lag_s, basis = latency_median_s(view_of(late, RoverView(has_rover=True, least_lag_ns=120 * S)), 1.0)
    assert basis == "arrival, by the rover's clock" and lag_s == pytest.approx(3.2, abs=0.5)
    # The rover's own rows as late as that: nothing is left of it but the clock.
    assert latency_median_s(view_of(late, RoverView(has_rover=True, least_lag_ns=123 * S)), 1.0)[0] < 1.0


# Losses and causes ----------------------------------------------------------------------------------------------------


def test_the_middle_of_counts() -> None:
    assert _median_of({1: 2, 5: 2}) == 1.0 and _median_of({1: 1, 5: 2}) == 5.0 and math.isnan(_median_of({}))


def test_losses_have_no_place_without_a_base_or_a_rover() -> None:
    session = read(stream(damaged(sent(Base(arp_every_s=None), 60), 0.1, 3)))
    slots = placed_slots(view_of(session))
    assert len(slots.lost) and np.isnan(slots.range_m).all() and np.isnan(slots.bearing_deg).all()


def test_what_is_known_of_a_float_comes_by_its_weight(good: Session) -> None:
    causes = likely_causes(view_of(good), pdop=4.0, baseline_m=30_000.0, longitude_deg=170.0, utc_hour=float("nan"))
    assert [c.weight for c in causes] == sorted((c.weight for c in causes), reverse=True)
    assert causes[0].weight == 2.0 and any(c.weight == 1.0 for c in causes)
    assert Cause("word", "figure", 1.23456).plain() == {"cause": "word", "text": "figure", "weight": 1.23}
