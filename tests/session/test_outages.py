"""When a source was away, and why, is known after it has come back; a single drop is no cause of everything."""

from __future__ import annotations

import dataclasses
import itertools

import pytest
from tests.link_session import utc_ns
from tests.session.test_session import START, arp, good_rows, msm

from hubtack.diagnosis.episode import Finding
from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.readers.chunk import Chunk, Notice, SourceState
from hubtack.session.outages import MOST_KEPT, Outages
from hubtack.session.session import Session

S = 1_000_000_000


def failed(code: str | None, at_s: float, state: SourceState = SourceState.FAILED) -> Notice:
    return Notice("corrections", state, f"{code} at {at_s:g}", code, utc_ns(at_s), round(at_s * S))


def opened(at_s: float) -> Notice:
    return Notice("corrections", SourceState.OPENED, "open", None, utc_ns(at_s), round(at_s * S))


def epoch(at_s: int) -> Chunk:
    return Chunk("corrections", arp() * (at_s % 10 == 0) + msm(START + 1000 * at_s), utc_ns(at_s), at_s * S)


def session_after(events: list[Chunk | Notice]) -> Session:
    session = Session(Setup(), LinkSetup(has_arrival=True, source_kind="ntrip"))
    session.expect("corrections")
    for event in events:
        if isinstance(event, Chunk):
            session.feed(event)
        else:
            session.notice(event)
    return session


def told(session: Session) -> dict[str, Finding]:
    return {f.code: f for f in session.findings()}


def test_a_drop_that_is_over_is_still_told_with_its_place_and_length() -> None:
    stream = [epoch(s) for s in range(60)]
    found = told(session_after([*stream[:30], failed("caster_dropped", 29.2), opened(31.0), *stream[34:]]))
    drop = found["caster_dropped"]
    assert not drop.open_at_end
    assert (drop.severity, drop.evidence["count"]) == ("note", 1)
    assert drop.end_ns is not None and drop.start_ns is not None
    assert drop.end_ns - drop.start_ns == pytest.approx(4.8 * S)  # until bytes came, not until the line was open
    assert drop.start_ns == (START + 29_000) * 1_000_000


def test_a_long_outage_is_a_warning_and_explains_the_silence() -> None:
    stream = [epoch(s) for s in range(90)]
    away = [failed("caster_unreachable", s) for s in (30.0, 32.0, 40.0)]
    found = told(session_after([*stream[:30], *away, *stream[60:]]))
    assert found["caster_unreachable"].severity == "warn"
    assert found["caster_unreachable"].evidence["tries"] == 3
    assert "link_stalled" not in found


def test_one_short_drop_is_not_the_cause_of_a_stream_with_holes() -> None:
    stream = [epoch(s) for s in range(200)]
    holes = [c for s, c in enumerate(stream) if s % 20 not in (5, 6, 7) or s < 40]
    found = told(session_after([*holes[:30], failed("caster_dropped", 29.5), opened(29.8), *holes[30:]]))
    assert {"caster_dropped", "periodic_loss"} <= found.keys() or {"caster_dropped", "burst_loss"} <= found.keys()


def test_an_open_line_on_which_nothing_comes_is_still_what_was_said_of_it() -> None:
    waiting = [opened(1.0), failed("caster_needs_position", 16.0), opened(27.0)]
    found = told(session_after(waiting))
    assert list(found) == ["caster_needs_position"]
    assert found["caster_needs_position"].severity == "stop"


def test_what_comes_after_a_drop_has_its_own_name_and_begins_where_the_first_ends() -> None:
    stream = [epoch(s) for s in range(30)]
    events = [*stream, failed("caster_dropped", 29.5), failed("caster_auth", 31.0), failed("caster_auth", 95.0)]
    found = told(session_after(events))
    assert next(iter(found)) == "caster_auth"
    assert found["caster_auth"].start_ns == found["caster_dropped"].end_ns
    assert found["caster_auth"].open_at_end
    assert found["caster_dropped"].severity == "note"  # how it began; what lasts is what is to be mended


def test_of_an_outage_that_is_over_the_reason_that_was_given_longest_owns_it() -> None:
    stream = [epoch(s) for s in range(120)]
    away = [failed("caster_dropped", 30.0), failed("caster_unreachable", 32.0), failed("caster_throttled", 88.0)]
    found = told(session_after([*stream[:30], *away, *stream[92:]]))
    said = {code: f.severity for code, f in found.items() if code.startswith("caster_")}
    assert said == {"caster_dropped": "note", "caster_unreachable": "warn", "caster_throttled": "note"}


def test_an_outage_before_the_first_datum_ends_at_it() -> None:
    session = session_after([failed("caster_unreachable", 0.0), opened(20.0), *(epoch(s) for s in range(21, 50))])
    found = told(session)["caster_unreachable"]
    assert found.end_ns == session.link.tally.first_ns
    assert found.start_ns == found.end_ns - 21 * S


def test_the_same_bytes_in_other_pieces_give_the_same_outages() -> None:
    stream = [epoch(s) for s in range(60)]
    events = [*stream[:30], failed("caster_dropped", 29.2), opened(31.0), *stream[34:]]
    pieces: list[Chunk | Notice] = []
    for event in events:
        if isinstance(event, Chunk):
            cut = range(0, len(event.data) + 7, 7)
            pieces += [dataclasses.replace(event, data=event.data[a:b]) for a, b in itertools.pairwise(cut)]
        else:
            pieces.append(event)
    assert [repr(f) for f in session_after(events).findings()] == [repr(f) for f in session_after(pieces).findings()]


def test_a_year_of_drops_takes_no_more_room_than_a_day_of_them() -> None:
    outages = Outages()
    for i in range(5 * MOST_KEPT):
        at_ns = 100 * S * i
        outages.note(Notice("corrections", SourceState.FAILED, str(i), "caster_dropped", at_ns, at_ns), at_ns)
        outages.bytes_came(at_ns + S)
    assert len(outages.kept) == MOST_KEPT
    spans = list(outages.spans(0, 0))
    assert spans[0][1] == 0  # the first are joined, none is forgotten
    assert spans[-1][2] == 100 * S * (5 * MOST_KEPT - 1) + S
    assert sum(outage.tries for outage, _, _ in spans) == 5 * MOST_KEPT


def test_a_failure_without_a_name_is_no_finding() -> None:
    session = session_after([*(epoch(s) for s in range(30)), failed(None, 29.5)])
    assert not session.sources["corrections"].outages.kept
    session.feed(Chunk("rover", good_rows(START, 20)))
    assert not any(f.code.startswith("caster_") for f in session.findings())


@pytest.mark.parametrize(
    ("kind", "begins_s", "stalled"), [("ntrip", 14, False), ("ntrip", 40, True), ("serial", 14, True)]
)
def test_a_caster_may_take_its_time_to_begin_and_a_radio_may_not(kind: str, begins_s: int, stalled: bool) -> None:
    session = Session(Setup(), LinkSetup(has_arrival=True, source_kind=kind))
    session.expect("rover")
    session.expect("corrections")
    for s in range(70):
        if s >= begins_s:
            session.feed(epoch(s))
        session.feed(Chunk("rover", good_rows(START + 1000 * s, 1), utc_ns(s), s * S))
    assert ("link_stalled" in told(session)) is stalled
