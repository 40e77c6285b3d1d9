"""Bytes that are not RTCM 3: what a port carries when something else is on it."""

from __future__ import annotations

import numpy as np

# Bits of the data (1 to 24) that go into each parity bit, and which of the last two bits of the word before: the
# parity code of IS-GPS-200, table 20-XIV, which RTCM 10402.3 takes over.
_PARITY: tuple[tuple[int, tuple[int, ...]], ...] = (
    (29, (1, 2, 3, 5, 6, 10, 11, 12, 13, 14, 17, 18, 20, 23)),
    (30, (2, 3, 4, 6, 7, 11, 12, 13, 14, 15, 18, 19, 21, 24)),
    (29, (1, 3, 4, 5, 7, 8, 12, 13, 14, 15, 16, 19, 20, 22)),
    (30, (2, 4, 5, 6, 8, 9, 13, 14, 15, 16, 17, 20, 21, 23)),
    (30, (1, 3, 5, 6, 7, 9, 10, 14, 15, 16, 17, 18, 21, 22, 24)),
    (29, (3, 5, 6, 8, 9, 10, 11, 13, 15, 19, 22, 23, 24)),
)
_PAGE = (
    b"HTTP/1.1 302 Found\r\nContent-Type: text/html\r\n\r\n<!DOCTYPE html><html><head><title>Sign in</title></head>"
    b"<body>Please sign in to use this network.</body></html>\r\n"
)


class Rtcm2:
    """A writer of RTCM 2 words; each depends on the last two bits of the one before."""

    def __init__(self) -> None:
        self._last29, self._last30 = 0, 0
        self._sequence = 0

    def word(self, data: int) -> bytes:
        """Five bytes of 24 data bits with their parity."""
        source = [data >> 24 - i & 1 for i in range(1, 25)]
        tail = {29: self._last29, 30: self._last30}
        bits = [b ^ self._last30 for b in source]
        for before, over in _PARITY:
            bits.append((tail[before] + sum(source[i - 1] for i in over)) % 2)
        self._last29, self._last30 = bits[28], bits[29]
        # Six bits a byte, the first sent lowest, under the fixed bits 01 (byte form of RTCM 10402.3).
        return bytes(0x40 | sum(bits[6 * k + i] << i for i in range(6)) for k in range(5))

    def message(self, kind: int, station: int, second: int, words: int, rng: np.random.Generator) -> bytes:
        """A header of two words, and a body of ``words`` words."""
        self._sequence = (self._sequence + 1) % 8
        head = 0x66 << 16 | kind << 10 | station % 1024
        z_count = round(second % 3600 / 0.6) % 6000
        out = self.word(head) + self.word(z_count << 11 | self._sequence << 8 | words << 3)
        return out + b"".join(self.word(int(d)) for d in rng.integers(0, 1 << 24, words))


class Replacement:
    """Chunks of another protocol in place of frames."""

    def __init__(self, kind: str, rng: np.random.Generator) -> None:
        self._kind, self._rng = kind, rng
        self._rtcm2, self._count = Rtcm2(), 0

    def chunk(self, t_s: float, length: int) -> bytes:
        """What comes in place of a frame of ``length`` bytes at ``t_s``."""
        self._count += 1
        if self._kind == "rtcm2":
            kind = (18, 19, 3, 1)[self._count % 4]
            return self._rtcm2.message(kind, 7, int(t_s), int(np.clip(length // 8, 2, 31)), self._rng)
        if self._kind == "html":
            return _PAGE if self._count == 1 else b"<p>Please sign in.</p>\r\n"
        if self._kind == "text":
            return b"base ready, channel 4, waiting for a key\r\n"
        # A maker's own framing: two fixed letters, a length, a body that looks like noise, a mark at the end.
        body = self._rng.bytes(int(np.clip(length, 8, 255)))
        return b"\x02Z" + bytes((len(body),)) + body + b"\x03"
