"""A night in one log: found whatever the cut, latched from the first stand on, and silent where nothing moved."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from hubtack.engine.judge import HOLD
from hubtack.knowledge.reasons import BIT
from hubtack.logs.discover import SessionFiles
from hubtack.logs.drive import session_for
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session, join_rows
from hubtack.simulate.faults import FAULTS
from hubtack.simulate.session import simulate
from hubtack.site import default_site


def night(seed: int) -> bytes:
    got = simulate(["overnight_shift"], "tidy", seed, 480, 1.0)
    return b"".join(data for _, data in got.rover)


def run(data: bytes, block: int) -> tuple[Session, np.ndarray]:
    session = session_for(SessionFiles("night", Path("rover.nmea")), default_site())
    parts = [session.feed(Chunk("rover", data[i : i + block])) for i in range(0, len(data), block)]
    parts.append(session.close())
    return session, join_rows([p for p in parts if len(p.epochs)]).judged.bits


@pytest.fixture(scope="module")
def moved() -> bytes:
    return night(4)


def test_the_shift_is_found_and_the_same_in_any_cut(moved: bytes) -> None:
    assert "overnight_shift" in FAULTS
    whole, bits = run(moved, 1 << 20)
    pieces, bits_too = run(moved, 700)
    assert np.array_equal(bits, bits_too)
    assert [f.code for f in whole.findings()].count("overnight_shift") == 1
    assert whole.rover.parked.shifts == pieces.rover.parked.shifts


def test_it_is_hold_until_somebody_confirms(moved: bytes) -> None:
    session, bits = run(moved, 1 << 16)
    latched = (bits & BIT["latched_overnight_shift"]) != 0
    assert latched.any()
    assert latched[np.argmax(latched) :].all()
    assert session.rover.track.verdict == HOLD
    session.rover.parked.clear()
    assert not session.rover.parked.contradicts
