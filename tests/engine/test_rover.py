"""Rows that have been looked at, and rows that are summed up late: the same rows and the same sums, to the bit."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from tests.rover_text import LAT_DEG, gga, gst, hdt, wobble

from hubtack.decode.decoder import Decoder
from hubtack.engine import judge
from hubtack.engine.link import LinkSetup
from hubtack.engine.rover import JudgedRows, join_rows
from hubtack.engine.setup import Setup
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session
from hubtack.simulate.session import simulate

SETUP = Setup(job_class="trench", assumed_baseline_m=1000.0, pair_separation_m=1.8)
START_MS = 36_000_000


def pieces(seed: int) -> list[bytes]:
    """Two minutes with float spells, silences, a jump of the clock and a GST that comes one epoch late."""
    rng = np.random.default_rng(seed)
    tod, out = START_MS, []
    for i in range(120):
        tod += 1000 if rng.random() > 0.02 else int(rng.integers(2, 9)) * 1000
        if i == 80:
            tod -= 3_600_000
        quality = 5 if 40 <= i < 50 or rng.random() < 0.02 else 4
        out.append(gga(tod, quality=quality, lat_deg=LAT_DEG + wobble(i)) + hdt(i % 360))
        out.append(gst(tod, up_m=0.01 + 0.01 * rng.random()))
    return out


def run(chunks: list[bytes], *, look: bool, later: bool) -> tuple[JudgedRows, Session]:
    session = Session(SETUP, LinkSetup(), link_role="rover")
    session.expect("rover")
    session.rover.sums_up_later = later
    parts = []
    for chunk in chunks:
        parts.append(session.feed(Chunk("rover", chunk)))
        if look:
            session.peek(allow_partial=True)
    parts.append(session.close())
    return join_rows([p for p in parts if len(p.epochs)]), session


def assert_same_rows(a: JudgedRows, b: JudgedRows) -> None:
    for part in ("epochs", "q", "judged"):
        one, other = getattr(a, part), getattr(b, part)
        for name in type(one).__dataclass_fields__:
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=f"{part}.{name}")


def assert_same_state(a: object, b: object, where: str = "") -> None:
    """Every field of two states, arrays and NaN to the bit, dictionaries without regard to their order."""
    if dataclasses.is_dataclass(a):
        for name in type(a).__dataclass_fields__:
            assert_same_state(getattr(a, name), getattr(b, name), f"{where}.{name}")
    elif isinstance(a, np.ndarray):
        np.testing.assert_array_equal(a, b, err_msg=where)
    elif isinstance(a, dict):
        assert isinstance(b, dict)
        assert set(a) == set(b), where
        for key in a:
            assert_same_state(a[key], b[key], f"{where}[{key}]")
    else:
        assert repr(a) == repr(b), where


@pytest.mark.parametrize("seed", range(3))
def test_a_row_that_was_looked_at_is_committed_as_one_that_was_not(seed: int) -> None:
    chunks = pieces(seed)
    (looked, a), (plain, b) = run(chunks, look=True, later=False), run([b"".join(chunks)], look=False, later=False)
    assert_same_rows(looked, plain)
    assert_same_state(a.rover.track, b.rover.track)


def test_a_row_is_worked_out_once_though_it_is_looked_at_twice_and_then_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = []
    real = judge.judge_rows

    def counted(*args: object, **kwargs: object) -> object:
        calls.append(1)
        return real(*args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(judge, "judge_rows", counted)
    chunks = [
        gga(START_MS + i * 1000, lat_deg=LAT_DEG + wobble(i)) + hdt(10) + gst(START_MS + i * 1000) for i in range(50)
    ]
    rows, _ = run(chunks, look=True, later=True)
    assert len(rows.epochs) == 50
    assert len(calls) <= 52  # one a row, one for a block of no rows, one for the two that close together at the end


def test_sums_that_wait_come_out_as_those_that_do_not() -> None:
    chunks = pieces(7)
    _, at_once = run(chunks, look=False, later=False)
    _, later = run(chunks, look=True, later=True)
    for name in ("tally", "evidence"):
        assert_same_state(getattr(at_once.rover, name), getattr(later.rover, name), name)
    assert [repr(f) for f in at_once.findings()] == [repr(f) for f in later.findings()]


def test_a_simulated_day_is_the_same_live_and_in_one_piece() -> None:
    made = simulate([], "tidy", 3, 90, 5.0)
    chunks = [data for _, data in made.rover]
    assert len(Decoder().feed(b"".join(chunks)).sentences["GGA"]) > 400
    (live, a), (whole, b) = run(chunks, look=True, later=True), run([b"".join(chunks)], look=False, later=False)
    assert_same_rows(live, whole)
    assert_same_state(a.rover.tally, b.rover.tally)
    assert_same_state(a.rover.evidence, b.rover.evidence)
