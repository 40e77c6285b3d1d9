"""A rover that puts out MSM: its own pseudoranges beside what it reports."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from hubtack.logs.discover import SessionFiles
from hubtack.logs.drive import session_for
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session
from hubtack.simulate.base_stream import base_frames
from hubtack.simulate.session import simulate
from hubtack.simulate.world import USUAL_PLACE
from hubtack.site import default_site


def _session(east_m: float, codes: list[str]) -> Session:
    """A rover whose raw observations are made ``east_m`` from where its antenna is."""
    result = simulate(codes, "untidy", 5, 300, 1.0)
    world = result.world
    e, n, u = (float(v) for v in world.machine.offset_enu_m)
    raw_base = dataclasses.replace(
        world.base, position_m=USUAL_PLACE.point_m(e + east_m, n, u), sends_position=False, moves=[]
    )
    raw = base_frames(world, raw_base, np.random.default_rng(1), None)
    rover = [*result.rover, *((f.t_s, f.data) for f in raw)]
    session = session_for(SessionFiles("made", "rover", ("corrections",)), default_site())  # type: ignore[arg-type]
    session.feed(Chunk("corrections", b"".join(h.data for h in result.heard)))
    session.end_source("corrections")
    session.feed(Chunk("rover", b"".join(data for _, data in sorted(rover, key=lambda item: item[0]))))
    session.close()
    return session


def test_a_rover_that_is_where_it_says_gives_no_finding() -> None:
    session = _session(0.0, [])
    offset = session.rover_ranges.offset_enu_m()
    assert offset is not None and len(session.rover_ranges.compared) >= 3
    assert np.hypot(*offset[:2]) < 6.0 and abs(offset[2]) < 8.0  # it swings by some metres, once a minute is looked
    assert not [f for f in session.findings() if f.subject == "own pseudoranges"]


def test_a_rover_whose_pseudoranges_put_it_120_m_away_is_a_suspect_fix() -> None:
    session = _session(120.0, [])
    found = next(f for f in session.findings() if f.subject == "own pseudoranges")
    assert found.code == "suspect_fix" and "m west of where its own pseudoranges put it" in found.summary
    assert found.evidence["east_m"] == pytest.approx(-120.0, abs=6.0)


def test_what_a_misplaced_base_does_to_its_rover_is_the_base_s_finding() -> None:
    session = _session(0.0, ["base_misplaced"])  # seed 5 draws a small one: the base is put 60 m off by hand
    session.rover_ranges.compared[:] = [
        dataclasses.replace(c, offset_enu_m=(60.0, 0.0, 0.0)) for c in session.rover_ranges.compared
    ]
    assert session.rover_ranges.episodes(base_is_misplaced=False)
    assert not session.rover_ranges.episodes(base_is_misplaced=True)
