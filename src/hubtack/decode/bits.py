"""Bit fields of many RTCM 3 payloads at once: big-endian integers read from one stretch of bytes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
_MARGIN = 40  # zeros behind the last byte, so that a short payload can be read to the end of its last field
_WORD_BITS = 25  # widest field that a 32-bit word from any byte on is sure to hold


class BitField:
    """Payloads anywhere in ``data``; a field is read at a bit offset from the start of its payload.

    Offsets beyond the end of the data read as zero bits, never as an error.
    """

    def __init__(self, data: bytes, start: Ints, length: Ints) -> None:
        padded = bytes(data) + bytes(_MARGIN - len(data) % 4)
        self._bytes = np.frombuffer(padded, dtype=np.uint8)
        # The 32-bit word from every byte on: one aligned look-up then serves a field at any bit.
        whole = len(padded) // 4 - 1
        self._words = np.empty(4 * whole, dtype=np.uint32)
        for phase in range(4):
            self._words[phase::4] = np.frombuffer(padded, dtype=">u4", count=whole, offset=phase)
        self.start = start * 8
        self.n_bits = length * 8

    def unsigned(self, frame: Ints, offset: Ints | int, width: int) -> Ints:
        """Unsigned fields of ``width`` bits (up to 62) at ``offset`` of payloads ``frame`` (n,)."""
        return self.unsigned_at(self.start[frame] + offset, width)

    def unsigned_at(self, bit: Ints, width: int) -> Ints:
        """Unsigned fields at bit offsets from the start of the data."""
        if width > _WORD_BITS:
            rest = width - _WORD_BITS
            return self._word(bit, _WORD_BITS) << rest | self.unsigned_at(bit + _WORD_BITS, rest)
        return self._word(bit, width)

    def _word(self, bit: Ints, width: int) -> Ints:
        # Shifted left past what lies before it, then right: 32-bit steps, and none for a mask.
        word = self._words.take(bit >> 3, mode="clip")
        word <<= (bit & 7).astype(np.uint32)
        word >>= np.uint32(32 - width)
        return word.astype(np.int64)

    def signed(self, frame: Ints, offset: Ints | int, width: int) -> Ints:
        """Two's complement fields of ``width`` bits."""
        return self.signed_at(self.start[frame] + offset, width)

    def signed_at(self, bit: Ints, width: int) -> Ints:
        """Two's complement fields at bit offsets from the start of the data."""
        value = self.unsigned_at(bit, width)
        return value - (value >> (width - 1) << width)

    def mask(self, frame: Ints, offset: int, width: int) -> NDArray[np.bool_]:
        """``width`` bits as (n, width) booleans, the first bit first. Payloads start at whole bytes."""
        first, skip = offset // 8, offset % 8
        n_bytes = (skip + width + 7) // 8
        at = (self.start[frame] // 8 + first)[:, None] + np.arange(n_bytes)[None, :]
        taken = self._bytes[np.minimum(at, len(self._bytes) - 1)]
        return np.unpackbits(taken, axis=1)[:, skip : skip + width].view(np.bool_)
