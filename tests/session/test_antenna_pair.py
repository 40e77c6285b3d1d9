"""Heading and separation out of two position streams."""

from __future__ import annotations

import numpy as np
import pytest
from tests.rover_text import LAT_DEG, LON_DEG, gga, gst, wobble

from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session

START = 40_000_000
# Metres per degree at latitude 45 degrees south (WGS 84): 111 132 m of latitude, 78 847 m of longitude.
M_LAT, M_LON = 111_141.5, 78_800.6


def streams(heading_deg: float, separation_m: float, seconds: int = 40, second_quality: int = 4) -> tuple[bytes, bytes]:
    north, east = separation_m * np.cos(np.radians(heading_deg)), separation_m * np.sin(np.radians(heading_deg))
    first, second = [], []
    for i in range(seconds):
        tod = START + i * 1000
        lat, lon = LAT_DEG + wobble(i), LON_DEG
        first.append(gga(tod, lat_deg=lat, lon_deg=lon) + gst(tod))
        second.append(gga(tod, lat_deg=lat + north / M_LAT, lon_deg=lon + east / M_LON, quality=second_quality))
    return b"".join(first), b"".join(second)


def judged(first: bytes, second: bytes, *, by_content: bool) -> Session:
    session = Session(Setup(assumed_baseline_m=1000.0, pair_separation_m=1.8), LinkSetup(), by_content=by_content)
    session.expect("rover")
    session.expect("second_antenna")
    if by_content:
        session.feed(Chunk("rover", first))
        session.feed(Chunk("second_antenna", second))
        session.end_source("second_antenna")
    else:
        step = len(first) // 40
        for i in range(0, len(first) + step, step):
            session.feed(Chunk("rover", first[i : i + step]))
            session.feed(Chunk("second_antenna", second[i * len(second) // len(first) : (i + step) * len(second) // len(first)]))
    session.close()
    return session


@pytest.mark.parametrize("by_content", [True, False])
@pytest.mark.parametrize("heading_deg", [0.0, 33.0, 179.0, 300.0])
def test_two_fixed_positions_make_a_heading(heading_deg: float, by_content: bool) -> None:
    session = judged(*streams(heading_deg, 1.8), by_content=by_content)
    last = session.rover.last
    assert last is not None
    off = (float(last.q.heading_deg[-1]) - heading_deg + 180) % 360 - 180
    assert abs(off) < 0.2
    assert session.rover.track.verdict == 0
    assert session.rover.tally.heading_source == 3


def test_antennas_in_the_wrong_places_are_held() -> None:
    session = judged(*streams(50.0, 2.1), by_content=True)
    assert session.rover.track.verdict == 2
    finding = next(f for f in session.findings() if f.code == "heading_separation")
    assert finding.severity == "stop"
    assert finding.evidence["separation_m"] == pytest.approx(2.1, abs=0.005)


def test_a_second_antenna_that_is_not_fixed_gives_no_heading() -> None:
    session = judged(*streams(50.0, 1.8, seconds=100, second_quality=5), by_content=True)
    assert session.rover.track.verdict == 2
    assert "heading_lost" in [f.code for f in session.findings()]
