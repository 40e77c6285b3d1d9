"""Bit fields of many RTCM 3 payloads at once: big-endian integers gathered from one long array of bits."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]


class BitField:
    """Payloads laid end to end as bits; a field is read at a bit offset from the start of its payload."""

    def __init__(self, payloads: list[bytes]) -> None:
        lengths = np.array([len(p) for p in payloads], dtype=np.int64)
        # A margin of zeros lets a short payload be read to the end of its last field.
        self._bits = np.unpackbits(np.frombuffer(b"".join(payloads) + bytes(16), dtype=np.uint8))
        self.start = np.concatenate(([0], np.cumsum(lengths[:-1]))) * 8
        self.n_bits = lengths * 8

    def unsigned(self, frame: Ints, offset: Ints | int, width: int) -> Ints:
        """Unsigned fields of ``width`` bits (up to 62) at ``offset`` of payloads ``frame`` (n,)."""
        at = self.start[frame] + offset
        value = np.zeros(len(at), dtype=np.int64)
        limit = len(self._bits) - 1
        for i in range(width):
            value = value << 1 | self._bits[np.minimum(at + i, limit)]
        return value

    def signed(self, frame: Ints, offset: Ints | int, width: int) -> Ints:
        """Two's complement fields of ``width`` bits."""
        value = self.unsigned(frame, offset, width)
        return value - (value >> (width - 1) << width)

    def sign_magnitude(self, frame: Ints, offset: Ints | int, width: int) -> Ints:
        """Sign bit and magnitude, as GLONASS ephemerides have them."""
        value = self.unsigned(frame, offset, width)
        magnitude = value & ((1 << (width - 1)) - 1)
        return np.where(value >> (width - 1), -magnitude, magnitude)

    def mask(self, frame: Ints, offset: Ints | int, width: int) -> NDArray[np.bool_]:
        """``width`` bits as (n, width) booleans, the first bit first."""
        at = (self.start[frame] + offset)[:, None] + np.arange(width)[None, :]
        return self._bits[np.minimum(at, len(self._bits) - 1)].astype(bool)
