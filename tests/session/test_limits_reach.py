"""Limits of a site file reach what they are of, through a whole session."""

from __future__ import annotations

import numpy as np
import pytest
from tests.link_stream import Base, sent, stream
from tests.rover_text import gga, gst

from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session

START_S = 36_000


def floated(minutes: int, base: Base, **limits: float) -> set[str]:
    """What is found when a rover stays float for so long under a healthy stream; the machine is fixed before."""
    setup = Setup(overrides=limits, has_corrections=True)
    session = Session(setup, LinkSetup(limits=dict(limits)), by_content=True)
    session.expect("rover")
    session.expect("corrections")
    session.feed(Chunk("corrections", stream(sent(base, 60 * minutes + 60))))
    session.end_source("corrections")
    rows = (gga(1000 * (START_S + i), quality=4 if i < 60 else 5) for i in range(60 * minutes + 60))
    session.feed(Chunk("rover", b"".join(rows)))
    session.close()
    return {finding.code for finding in session.findings()}


@pytest.mark.parametrize(("minutes", "bands", "stuck"), [(8, 2, True), (8, 1, False), (11, 1, True), (1, 2, False)])
def test_a_float_on_one_frequency_is_given_the_time_that_it_needs(minutes: int, bands: int, stuck: bool) -> None:
    """120 s, and 600 s with one frequency: common practice, no source."""
    assert ("stuck_float" in floated(minutes, Base(bands=bands))) == stuck


def test_the_patience_with_one_frequency_is_the_site_files() -> None:
    assert "stuck_float" in floated(8, Base(bands=1), stuck_float_single_s=400.0)


@pytest.mark.parametrize(("limits", "held"), [({}, [2.0, 2.0, 2.0]), ({"gst_hold_s": 4.0}, [2.0] * 5)])
def test_a_slower_gst_is_held_as_long_as_the_site_file_says(limits: dict[str, float], held: list[float]) -> None:
    session = Session(Setup(overrides=limits), LinkSetup())
    session.expect("rover")
    data = gga(1000) + gst(1000, up_m=2.0) + b"".join(gga(1000 + 1000 * i) for i in range(1, 8))
    up_m = session.feed(Chunk("rover", data)).epochs.sigma_up_m
    np.testing.assert_array_equal(up_m[: len(held)], held)
    assert np.isnan(up_m[len(held) :]).all()
    assert len(up_m) > len(held)
