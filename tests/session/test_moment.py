"""The moment that findings are judged at, in a live session: what has passed since the newest row is counted once."""

from __future__ import annotations

import pytest
from tests.link_stream import DAY_S, Base, by_epoch, sent
from tests.rover_text import good_rows

from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.live.run import LiveRun
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session

S = 1_000_000_000
START_S = 40_000  # of the day


def live(*, rover_s: int, link_s: int, interval_s: int = 1) -> Session:
    """A live session with so much of both; 0 is nothing."""
    session = Session(Setup(assumed_baseline_m=1000.0), LinkSetup())
    session.is_live = True
    session.expect("rover")
    session.expect("corrections")
    frames = list(by_epoch(sent(Base(), link_s, 3 * DAY_S + START_S))) if link_s else []
    for i in range(max(rover_s, len(frames))):
        if i < len(frames):
            session.feed(Chunk("corrections", b"".join(frames[i][1])))
        if i < rover_s and i % interval_s == 0:
            session.feed(Chunk("rover", good_rows((START_S + i) * 1000, 1)))
    return session


def silences_s(session: Session, elapsed_s: float) -> list[float]:
    found = session.findings(round(elapsed_s * S))
    return [float(f.evidence["longest_s"]) for f in found if f.code == "no_rover"]


def test_a_rover_that_fell_silent_while_corrections_go_on_is_silent_once_not_twice() -> None:
    session = live(rover_s=30, link_s=32)  # the stream is 2 s further
    assert silences_s(session, 2.0) == []
    assert session.rover.standing(2 * S).word == session.rover.standing(0).word, "and the verdict agrees"
    assert silences_s(session, 5.0) == [5.0]


def test_a_frame_that_came_after_the_newest_row_has_its_moment_in_the_time_since() -> None:
    session = live(rover_s=30, link_s=32)
    reached_ns = session.link.reached_ns()
    assert reached_ns is not None and session.now_ns(2 * S) == reached_ns
    assert session.link_line(2 * S).last_frame_age_s == 0.0
    assert session.now_ns(10 * S) == session.rover.track.time_ns + 10 * S


def test_a_slow_rover_is_silent_after_three_of_its_intervals_for_the_finding_as_for_the_verdict() -> None:
    session = live(rover_s=60, link_s=0, interval_s=2)
    assert silences_s(session, 3.5) == []
    assert silences_s(session, 9.0)


class Nothing:
    """A queue of sources that say nothing."""

    done = False

    def events(self, timeout_s: float) -> list[Chunk]:
        return []


def test_before_the_first_row_time_runs_from_the_newest_frame_and_before_that_from_the_start() -> None:
    clock_s = [100.0]

    def passes() -> float:
        clock_s[0] += 0.125
        return clock_s[0]

    seen: list[int] = []

    def look(elapsed_ns: int, partial: bool) -> bool:
        seen.append(elapsed_ns)
        return True

    session = live(rover_s=0, link_s=0)
    LiveRun(session, Nothing(), lambda rows: None, look, for_s=12.0, mono=passes).loop()
    assert seen == sorted(seen) and seen[-1] >= 11 * S
    codes = {f.code for f in session.findings(seen[-1])}
    assert {"no_rover", "no_bytes"} <= codes
    assert silences_s(session, 12.0) == [12.0]


class OneFrame(Nothing):
    """A queue from which one epoch of corrections comes, at the first look after ``at_s``."""

    def __init__(self, clock_s: list[float], at_s: float) -> None:
        self.clock_s, self.at_s, self.came_s = clock_s, at_s, 0.0

    def events(self, timeout_s: float) -> list[Chunk]:
        if self.came_s or self.clock_s[0] < self.at_s:
            return []
        self.came_s = self.clock_s[0]
        frames = sent(Base(), 1, 3 * DAY_S + START_S)
        return [Chunk("corrections", b"".join(f for _, f in frames))]


def test_before_the_first_row_a_frame_starts_the_time_anew() -> None:
    clock_s = [100.0]

    def passes() -> float:
        clock_s[0] += 0.125
        return clock_s[0]

    seen: list[int] = []

    def look(elapsed_ns: int, partial: bool) -> bool:
        seen.append(elapsed_ns)
        return True

    queue = OneFrame(clock_s, 106.0)
    LiveRun(live(rover_s=0, link_s=0), queue, lambda rows: None, look, for_s=12.0, mono=passes).loop()
    assert 100.0 < queue.came_s < 110.0 and max(seen) < 7.0 * S
    assert seen[-1] == pytest.approx((clock_s[0] - queue.came_s) * S, abs=0.6 * S)


def test_a_link_that_stops_where_no_rover_ever_came_is_found() -> None:
    session = live(rover_s=0, link_s=20)
    assert "link_stalled" not in {f.code for f in session.findings(0)}
    assert "link_stalled" in {f.code for f in session.findings(15 * S)}
    assert silences_s(session, 15.0) == [pytest.approx(35.0, abs=1.01)]
