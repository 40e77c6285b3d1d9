"""The tests' own stream maker against pyrtcm, and the sizes of MSM against real frames."""

from __future__ import annotations

import pytest
from pyrtcm import RTCMReader
from tests.link_stream import (
    ARP_M,
    GPS,
    SATELLITES,
    Base,
    arp_1005,
    by_epoch,
    descriptor_1033,
    physical_1032,
    sent,
    system_1013,
)

from hubtack.decode.decoder import Decoder
from hubtack.knowledge.msm_sizes import msm_frame_bytes


def test_pyrtcm_reads_what_the_stream_maker_wrote() -> None:
    arp = RTCMReader.parse(arp_1005(412, ARP_M, height_m=1.5))
    assert (arp.identity, arp.DF003, arp.DF141) == ("1006", 412, 0)
    assert pytest.approx((*ARP_M, 1.5), abs=1e-4) == (arp.DF025, arp.DF026, arp.DF027, arp.DF028)
    assert RTCMReader.parse(physical_1032(9, 7, ARP_M)).identity == "1032"
    named = RTCMReader.parse(descriptor_1033(412, "RNG-80 NONE", "RX"))
    assert named.identity == "1033" and named.DF029 == 11
    date = RTCMReader.parse(system_1013(412, 60_000, 36_000))
    assert (date.DF051, date.DF052, date.DF054) == (60_000, 36_000, 18)


@pytest.mark.parametrize("level", [1, 3, 4, 7])
def test_observations_hold_the_satellites_and_signals_they_should(level: int) -> None:
    for _, group in by_epoch(sent(Base(level=level, arp_every_s=None, bias_every_s=None, descriptor_every_s=None), 2)):
        first = RTCMReader.parse(group[0])
        assert first.identity == f"107{level}" and first.NSat == len(SATELLITES[GPS]) and first.NSig == 2
        assert [RTCMReader.parse(f).DF393 for f in group] == [1, 1, 1, 0]
        if level == 4:
            ours = Decoder().feed(group[0]).satellites
            theirs = [getattr(first, f"DF403_{i:02d}") for i in range(1, first.NCell + 1)]
            assert ours["cn0_dbhz"].tolist() == pytest.approx(theirs)


# Real frames of a public test capture of an RTCM parser library: level, satellites, signals, cells, payload bytes.
REAL = [
    (6, 10, 6, 42, 393), (7, 10, 6, 42, 494), (6, 8, 4, 28, 271), (7, 8, 4, 28, 342), (6, 7, 5, 35, 326), (7, 7, 5, 35, 407),
    (6, 2, 2, 3, 51), (7, 2, 2, 3, 61), (7, 0, 0, 0, 22), (6, 11, 3, 23, 237), (7, 11, 3, 23, 305), (7, 5, 2, 10, 145),
    (3, 8, 4, 20, 141), (3, 7, 2, 14, 106), (3, 7, 3, 21, 143),
]  # fmt: skip


@pytest.mark.parametrize(("level", "satellites", "signals", "cells", "payload"), REAL)
def test_the_length_formula_gives_the_length_of_real_frames(
    level: int, satellites: int, signals: int, cells: int, payload: int
) -> None:
    assert msm_frame_bytes(level, satellites, signals, cells) == payload + 6


def test_own_frames_have_the_length_of_the_formula_too() -> None:
    for level in (1, 4, 7):
        frame = Base(level=level).epoch(0.0)[0]
        assert len(frame) == msm_frame_bytes(level, len(SATELLITES[GPS]), 2)
    with pytest.raises(ValueError, match="level 8"):
        msm_frame_bytes(8, 1, 1)
