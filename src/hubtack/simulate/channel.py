"""What the way from base to machine does to frames: it delays, loses, damages, doubles and mixes them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hubtack.simulate.base_stream import Sent
from hubtack.simulate.world import Channel


@dataclass(frozen=True, slots=True)
class Heard:
    """Bytes as they reach the machine: when [s], what, and the frame they are where it came through whole."""

    t_s: float
    data: bytes
    frame: Sent | None


def transmit(frames: list[Sent], channel: Channel, rng: np.random.Generator, seconds: int) -> list[Heard]:
    """The frames of all bases on the channel as heard at the machine, in order of arrival."""
    heard: list[Heard] = []
    free_at = 0.0
    for frame in sorted(frames, key=lambda f: f.t_s):
        air_s = 8 * len(frame.data) / channel.rate_bps
        if channel.queue:
            free_at = max(free_at, frame.t_s) + air_s
            arrival = free_at + channel.latency_s
            if free_at - frame.t_s > 60.0:  # a modem's buffer is full: the frame is thrown away
                free_at -= air_s
                continue
        else:
            arrival = frame.t_s + channel.latency_s + channel.extra_latency_s
        if _lost(frame.t_s, channel, rng):
            continue
        data = frame.data
        share = max((s for a, b, s in channel.damaged if a <= frame.t_s < b), default=0.0)
        if share and rng.random() < share:
            broken = bytearray(data)
            for _ in range(int(rng.integers(1, 4))):
                broken[int(rng.integers(3, len(broken)))] ^= 1 << int(rng.integers(0, 8))
            heard.append(Heard(arrival, bytes(broken), None))
            continue
        heard.append(Heard(arrival, data, frame))
        if channel.doubled:
            heard.append(Heard(arrival + 0.15, data, None))
    if channel.hiss:
        heard.extend(
            Heard(float(t), rng.bytes(int(rng.integers(8, 40))), None) for t in rng.uniform(0, seconds, seconds)
        )
    heard.sort(key=lambda h: h.t_s)
    if channel.replaced_by is not None:
        return [
            Heard(h.t_s, _other_protocol(channel.replaced_by, len(h.data), rng, i), None) for i, h in enumerate(heard)
        ]
    if channel.smeared:
        return [Heard(h.t_s, smear(h.data), None) for h in heard]
    return heard


def _lost(t_s: float, channel: Channel, rng: np.random.Generator) -> bool:
    if any(a <= t_s < b for a, b in channel.silent) or any(a <= t_s < b for a, b in channel.lost_bursts):
        return True
    if channel.period is not None and t_s % channel.period[0] < channel.period[1]:
        return True
    return any(abs(t_s - lost) < 0.02 for lost in channel.lost_times)


def smear(data: bytes) -> bytes:
    """Bytes read at twice the speed they were sent at: every bit is seen twice, so that a byte becomes two."""
    out = bytearray()
    for byte in data:
        wide = 0
        for i in range(8):
            wide |= (byte >> i & 1) * 3 << 2 * i
        # The start bit is seen twice as well and shifts what follows by one.
        line = wide << 1
        out += bytes((line & 0xFF, line >> 9 & 0xFF | 0x80))
    return bytes(out)


def _other_protocol(kind: str, length: int, rng: np.random.Generator, index: int) -> bytes:
    if kind == "rtcm2":  # bytes of six bits with 01 in front (RTCM 10402.3)
        return bytes(0x40 | int(b) for b in rng.integers(0, 64, length))
    if kind == "html":
        head = b"<!DOCTYPE html><html><head><title>Sign in</title></head>"
        page = head + b"<body>Please sign in to use this network.</body></html>\r\n"
        return page if index == 0 else b"<p>Please sign in.</p>\r\n"
    if kind == "text":
        return b"base ready, channel 4, waiting for a key\r\n"
    return bytes((0xAA, 0x44, 0x12)) + rng.bytes(max(8, length - 3))
