"""What the way from base to machine does to frames: it delays, loses, damages, doubles and mixes them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hubtack.simulate.base_stream import Sent
from hubtack.simulate.protocols import Replacement
from hubtack.simulate.world import Channel


@dataclass(frozen=True, slots=True)
class Heard:
    """Bytes as they reach the machine: when [s], what, and the frame they are where it came through whole.

    ``kind`` is "frame" (a repeater's second copy too, which has no ``frame`` of its own), "damaged" or "noise".
    """

    t_s: float
    data: bytes
    frame: Sent | None
    kind: str = "frame"


def transmit(bases: list[list[Sent]], channel: Channel, rng: np.random.Generator, seconds: int) -> list[Heard]:
    """The frames of all bases on the channel as heard at the machine, in order of arrival."""
    heard: list[Heard] = []
    for frames in bases:
        heard.extend(_one_way(frames, channel, rng))
    if channel.hiss:
        noise = np.sort(rng.uniform(0, seconds, seconds))
        heard.extend(Heard(float(t), rng.bytes(int(rng.integers(8, 40))), None, "noise") for t in noise)
    heard.sort(key=lambda h: h.t_s)
    return heard


def _one_way(frames: list[Sent], channel: Channel, rng: np.random.Generator) -> list[Heard]:
    """One transmitter's frames: they wait for each other in its own queue."""
    heard: list[Heard] = []
    free_at = 0.0
    lost_at = np.sort(np.array(channel.lost_times))
    for frame in sorted(frames, key=lambda f: f.t_s):
        air_s = 8 * len(frame.data) / channel.rate_bps
        begins = max(free_at, frame.t_s)
        if begins - frame.t_s > channel.buffer_s:  # the modem's buffer is full: the frame is thrown away
            continue
        free_at = begins + air_s
        arrival = free_at + channel.latency_s + channel.extra_latency_s
        if _lost(frame.t_s, channel) or (len(lost_at) and _near(lost_at, frame.t_s)):
            continue
        errors = max((e for a, b, e in channel.damaged if a <= frame.t_s < b), default=0.0)
        # A repeater hears the frame whole and sends it again: each copy has errors of its own.
        whole = False
        for copy in range(2 if channel.doubled else 1):
            at = arrival + 0.15 * copy
            n_errors = int(rng.binomial(8 * len(frame.data), errors)) if errors else 0
            if n_errors:
                heard.append(Heard(at, _damaged(frame.data, n_errors, rng), None, "damaged"))
                continue
            heard.append(Heard(at, frame.data, None if whole else frame))
            whole = True
    return heard


def as_read(heard: list[Heard], channel: Channel, rng: np.random.Generator) -> list[Heard]:
    """What the port that is logged gives: the same bytes, or another protocol's, or at a wrong serial speed."""
    if channel.replaced_by is not None:
        other = Replacement(channel.replaced_by, rng)
        return [Heard(h.t_s, other.chunk(h.t_s, len(h.data)), None) for h in heard]
    if channel.smeared:
        return [Heard(h.t_s, smear(h.data), None) for h in heard]
    return heard


def _lost(t_s: float, channel: Channel) -> bool:
    if any(a <= t_s < b for a, b in channel.silent) or any(a <= t_s < b for a, b in channel.lost_bursts):
        return True
    return channel.period is not None and t_s % channel.period[0] < channel.period[1]


def _near(times: np.ndarray, t_s: float) -> bool:
    """One lost moment takes the frame that is in the air then."""
    i = int(np.searchsorted(times, t_s))
    return bool(min(abs(times[j] - t_s) for j in (max(i - 1, 0), min(i, len(times) - 1))) < 0.05)


def _damaged(data: bytes, n_errors: int, rng: np.random.Generator) -> bytes:
    broken = bytearray(data)
    for bit in rng.choice(8 * len(data), min(n_errors, 4 * len(data)), replace=False):
        broken[bit // 8] ^= 1 << bit % 8
    if rng.random() < 0.1:  # the radio loses its carrier and the tail with it
        del broken[int(rng.integers(len(broken) // 2, len(broken))) :]
    return bytes(broken)


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
