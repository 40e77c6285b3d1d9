"""How fast bytes become tables, beside plain library loops. Run with ``pytest -m benchmark -s``; no time fails it."""

from __future__ import annotations

import platform
import random
import time
from collections.abc import Callable

import numpy as np
import pynmeagps
import pyrtcm
import pytest
from tests.reference.rtcm_frames import random_msm
from tests.rover_text import gga, gst, hdt, sentence

from hubtack.decode.decoder import Decoder
from hubtack.knowledge.messages import MSM_BASE
from hubtack.knowledge.signals import SIGNALS

BLOCK = 1 << 20


def rover_log(megabytes: float) -> bytes:
    """5 Hz of GGA, GST and HDT; GSA, GSV of four systems and RMC once a second."""
    parts: list[bytes] = []
    size = i = 0
    while size < megabytes * 1e6:
        tod_ms = i * 200 % 86_400_000
        epoch = [gga(tod_ms, h_m=8 + i % 97 / 1000), gst(tod_ms, up_m=0.01 + i % 9 / 1000), hdt(i * 0.37 % 360)]
        if i % 5 == 0:
            epoch += [sentence(f"GNGSA,A,3,01,03,06,09,12,17,19,22,,,,,1.{i % 9}1,0.70,0.92,{k}") for k in (1, 2, 3, 4)]
            for talker, signal in (("GP", 1), ("GL", 1), ("GA", 7), ("GB", 1)):
                view = f"{i % 90:02d},{i % 360:03d},4{i % 9}"
                epoch += [
                    sentence(f"{talker}GSV,2,{k},08,01,{view},02,12,040,38,03,33,111,38,04,05,009,29,{signal}")
                    for k in (1, 2)
                ]
            epoch.append(
                sentence(f"GNRMC,{tod_ms // 3_600_000:02d}0000.00,A,4501.86,S,17000.72,E,0.03,{i % 360}.0,180426,,,R,V")
            )
        parts.append(b"".join(epoch))
        size += len(parts[-1])
        i += 1
    return b"".join(parts)


def correction_log(megabytes: float) -> bytes:
    """MSM4 of four systems."""
    rng = random.Random(1)
    made = [
        random_msm(rng, base, 4, SIGNALS[MSM_BASE[base]]).data for base in (1070, 1080, 1090, 1120) for _ in range(25)
    ]
    return b"".join(made) * int(megabytes * 1e6 / sum(map(len, made)))


def ours(data: bytes) -> int:
    decoder, n = Decoder(), 0
    for at in range(0, len(data), BLOCK):
        counts = decoder.feed(data[at : at + BLOCK]).counts
        n += counts.sentences + counts.frames
    counts = decoder.flush().counts
    return n + counts.sentences + counts.frames


def plain_nmea(data: bytes) -> int:
    return sum(pynmeagps.NMEAReader.parse(line) is not None for line in data.splitlines(keepends=True))


def plain_rtcm(data: bytes) -> int:
    at = n = 0
    while at < len(data):
        length = 6 + ((data[at + 1] & 3) << 8 | data[at + 2])
        n += pyrtcm.RTCMReader.parse(data[at : at + length]) is not None
        at += length
    return n


def megabytes_per_s(read: Callable[[bytes], int], data: bytes, repeat: int) -> tuple[float, int]:
    best, n = float("inf"), 0
    for _ in range(repeat):
        begin = time.process_time()
        n = read(data)
        best = min(best, time.process_time() - begin)
    return len(data) / 1e6 / best, n


@pytest.mark.benchmark
@pytest.mark.parametrize(
    ("make", "plain"), [(rover_log, plain_nmea), (correction_log, plain_rtcm)], ids=["rover", "corrections"]
)
def test_decode_speed(make: Callable[[float], bytes], plain: Callable[[bytes], int]) -> None:
    fast, _ = megabytes_per_s(ours, make(12), 3)
    small = make(0.3)
    slow, theirs = megabytes_per_s(plain, small, 1)
    assert ours(small) == theirs
    where = f"Python {platform.python_version()}, numpy {np.__version__}"
    print(f"\n{make.__name__:16s} {fast:7.1f} MB/s, library loop {slow:5.2f} MB/s, {fast / slow:5.0f} times ({where})")
