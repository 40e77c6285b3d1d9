"""One session, two drivers: live and logged data give the same rows, and looking changes nothing."""

from __future__ import annotations

import itertools
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.framing.test_splitter import frame
from tests.reference.test_time_scales import empty_msm
from tests.rover_text import H_GEOID_M, LAT_DEG, LON_DEG, SEPARATION_M, gga, good_rows, gst, hdt, wobble

from hubtack.engine.judge import GRADE, HOLD
from hubtack.engine.link import LinkSetup
from hubtack.engine.rover import JudgedRows
from hubtack.engine.setup import Setup
from hubtack.geo import geodetic_to_ecef
from hubtack.readers.chunk import Chunk, Notice, SourceState
from hubtack.session.session import Session, join_rows

START = 40_000_000
BASE = geodetic_to_ecef(np.array([LAT_DEG + 0.005]), np.array([LON_DEG]), np.array([H_GEOID_M + SEPARATION_M]))[0]
SUNDAY = 0


def arp(station: int = 0, east_m: float = 0.0) -> bytes:
    """A 1005 of the base near the rover (RTCM 10403.3: 152 bits, coordinates of 38 bits at 0.1 mm)."""
    value = 1005 << 12 | station
    value = value << 6 + 4  # ITRF year, three indicators, a real station
    for i, coordinate_m in enumerate(BASE + np.array([0.0, east_m, 0.0])):
        value = value << 38 | round(coordinate_m * 1e4) & (1 << 38) - 1
        value = value << 2 if i < 2 else value
    return frame(value.to_bytes(19, "big"))


def msm(tod_ms: int) -> bytes:
    """An observation epoch (GPS header) of a UTC time of day on a Sunday."""
    return empty_msm(1074, (SUNDAY + tod_ms + 18_000) % 604_800_000)


def mixed(seconds: int = 60) -> bytes:
    """One mixed log: corrections half a second before the rover's sentences that use them, one stall, one float."""
    parts = [arp()]
    for i in range(seconds):
        tod = START + i * 1000
        if not 25 <= i < 33:
            parts.append(msm(tod - 1000))
        quality = 5 if i in (40, 41) else 4
        parts.append(
            gga(tod, quality=quality, h_m=8 + i / 10_000, lat_deg=LAT_DEG + wobble(i))
            + hdt(i / 7)
            + (gst(tod - 1000) if i else b"")
        )
    return b"".join(parts)


def new_session() -> Session:
    session = Session(Setup(job_class="trench", assumed_baseline_m=1000.0), LinkSetup(), link_role="rover")
    session.expect("rover")
    return session


def run(chunks: list[bytes], *, look: bool = False) -> tuple[JudgedRows, Session]:
    session = new_session()
    parts = []
    for chunk in chunks:
        parts.append(session.feed(Chunk("rover", chunk)))
        if look:
            session.peek()
            session.peek(allow_partial=True)
            session.findings()
    parts.append(session.close())
    return join_rows([p for p in parts if len(p.epochs)]), session


def assert_same(a: tuple[JudgedRows, Session], b: tuple[JudgedRows, Session]) -> None:
    for part in ("epochs", "q", "judged"):
        one, other = getattr(a[0], part), getattr(b[0], part)
        for name in type(one).__dataclass_fields__:
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=f"{part}.{name}")
    assert repr(a[1].rover.track) == repr(b[1].rover.track)
    assert [repr(f) for f in a[1].findings()] == [repr(f) for f in b[1].findings()]
    assert a[1].rover.tally.verdict_seconds() == b[1].rover.tally.verdict_seconds()


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, 9000), max_size=40))
def test_any_cut_gives_the_same_rows_and_findings(places: list[int]) -> None:
    data = mixed()
    bounds = [0, *sorted(p for p in places if p < len(data)), len(data)]
    assert_same(run([data]), run([data[a:b] for a, b in itertools.pairwise(bounds)]))


@pytest.mark.parametrize("seed", range(3))
def test_looking_between_chunks_changes_nothing(seed: int) -> None:
    rng = random.Random(seed)
    data = mixed(40)
    bounds = sorted({0, len(data), *(rng.randrange(len(data)) for _ in range(60))})
    chunks = [data[a:b] for a, b in itertools.pairwise(bounds)]
    assert_same(run(chunks), run(chunks, look=True))


def test_the_age_of_the_stream_climbs_while_it_is_silent() -> None:
    rows, _ = run([mixed()])
    assert rows.q.age_stream_s[24] == 1.0
    assert rows.q.age_stream_s[32] == 9.0
    assert rows.q.age_stream_s[33] == 1.0


def test_an_open_row_is_seen_as_soon_as_it_holds_what_rows_usually_hold() -> None:
    session = new_session()
    session.feed(Chunk("rover", good_rows(START, 10)))
    tod = START + 10_000
    session.feed(Chunk("rover", gga(tod)))
    peeked = session.peek()
    assert peeked is not None
    assert peeked[0].epochs.tod_ms[-1] == tod - 1000  # GST has come with every row so far
    partial = session.peek(allow_partial=True)
    assert partial is not None
    assert partial[0].epochs.tod_ms[-1] == tod
    session.feed(Chunk("rover", gst(tod)))
    peeked = session.peek()
    assert peeked is not None
    assert peeked[0].epochs.tod_ms[-1] == tod


def test_separate_logs_give_the_same_verdicts_as_one_mixed_log() -> None:
    whole, _ = run([mixed()])
    session = Session(Setup(job_class="trench", assumed_baseline_m=1000.0), LinkSetup(), by_content=True)
    session.expect("rover")
    session.expect("corrections")
    corrections = arp() + b"".join(msm(START + i * 1000 - 1000) for i in range(60) if not 25 <= i < 33)
    rover = b"".join(
        gga(START + i * 1000, quality=5 if i in (40, 41) else 4, h_m=8 + i / 10_000, lat_deg=LAT_DEG + wobble(i))
        + hdt(i / 7) + (gst(START + i * 1000 - 1000) if i else b"") for i in range(60)
    )  # fmt: skip
    parts = [session.feed(Chunk("rover", rover)), session.feed(Chunk("corrections", corrections))]
    parts.append(session.end_source("corrections"))
    parts.append(session.close())
    rows = join_rows([p for p in parts if len(p.epochs)])
    np.testing.assert_array_equal(rows.judged.verdict, whole.judged.verdict)


def test_a_stalled_link_is_found_and_named_first() -> None:
    parts = [arp()]
    for i in range(200):
        tod = START + i * 1000
        stalled = 60 <= i < 120
        if not stalled:
            parts.append(msm(tod - 1000))
        age_s = float(i - 58) if stalled else 1.0
        parts.append(gga(tod, age_s=age_s, h_m=8 + i / 10_000, lat_deg=LAT_DEG + wobble(i)) + gst(tod))
    rows, session = run([b"".join(parts)])
    first = session.findings()[0]
    assert (first.code, first.severity) == ("link_stalled", "stop")
    assert 58 <= first.evidence["longest_s"] <= 62
    assert rows.judged.verdict[50] == GRADE
    assert rows.judged.verdict[95] == HOLD
    assert rows.judged.verdict[-1] == GRADE


def test_a_second_base_is_latched_until_the_end() -> None:
    parts = [arp()]
    for i in range(120):
        tod = START + i * 1000
        parts.append(msm(tod - 1000))
        if i > 60:
            parts.append(arp(77, 300.0))
        parts.append(gga(tod, h_m=8 + i / 10_000, lat_deg=LAT_DEG + wobble(i)) + gst(tod))
    rows, session = run([b"".join(parts)])
    assert rows.judged.verdict[59] == GRADE
    assert "two_bases" in [f.code for f in session.findings()]
    assert rows.judged.verdict[-1] == HOLD


def test_a_source_that_was_refused_is_a_finding_and_hold() -> None:
    session = Session(Setup(), LinkSetup())
    session.expect("rover")
    session.expect("corrections")
    session.notice(Notice("corrections", SourceState.REFUSED, "login refused", code="caster_auth"))
    session.feed(Chunk("rover", good_rows(START, 20)))
    assert session.findings()[0].code == "caster_auth"
    assert session.notices()["corrections"] == "login refused"
