"""Words of RTCM 2, the older format: recognised, so that a stream of it can be named, and not decoded.

A word is 30 bits, 24 of data and 6 of the GPS parity code, sent as five bytes of six bits each, the least significant
bit first, with 01 on top (receiver documents that reproduce RTCM 10402.3).
"""

from __future__ import annotations

# Data bits (from 1) in each parity bit, and which of the last two bits of the word before goes in: IS-GPS-200, table
# 20-XIV (from memory; a test shows that the code finds every error of one, two or three bits, as that code does).
_PARITY = (
    (29, (1, 2, 3, 5, 6, 10, 11, 12, 13, 14, 17, 18, 20, 23)),
    (30, (2, 3, 4, 6, 7, 11, 12, 13, 14, 15, 18, 19, 21, 24)),
    (29, (1, 3, 4, 5, 7, 8, 12, 13, 14, 15, 16, 19, 20, 22)),
    (30, (2, 4, 5, 6, 8, 9, 13, 14, 15, 16, 17, 20, 21, 23)),
    (30, (1, 3, 5, 6, 7, 9, 10, 14, 15, 16, 17, 18, 21, 22, 24)),
    (29, (3, 5, 6, 8, 9, 10, 11, 13, 15, 19, 22, 23, 24)),
)
_MASKS = tuple((before, sum(1 << 24 - bit for bit in bits)) for before, bits in _PARITY)
_REVERSED = tuple(int(f"{i:06b}"[::-1], 2) for i in range(64))
_WORD_BYTES = 5
_LEAST_WORDS = 4  # random words pass one time in 64; four of four by chance: one time in 17 million


def parity(data: int, before: int) -> int:
    """Six parity bits of 24 data bits (as they were before inversion), after a word that ended in ``before``."""
    value = 0
    for last, mask in _MASKS:
        value = value << 1 | ((data & mask).bit_count() ^ before >> 30 - last) & 1
    return value


def has_words(sample: bytes) -> bool:
    """Whether ``sample`` holds RTCM 2 words in a row whose parity agrees. Bytes outside the format break a row."""
    for skip in range(_WORD_BYTES):
        before, run = None, 0
        for at in range(skip, len(sample) - _WORD_BYTES + 1, _WORD_BYTES):
            word = _word(sample[at : at + _WORD_BYTES])
            run = run + 1 if before is not None and word is not None and _agrees(word, before) else 0
            if run >= _LEAST_WORDS:
                return True
            before = None if word is None else word & 3
    return False


def _word(data: bytes) -> int | None:
    value = 0
    for byte in data:
        if byte >> 6 != 1:
            return None
        value = value << 6 | _REVERSED[byte & 0x3F]
    return value


def _agrees(word: int, before: int) -> bool:
    data = word >> 6
    if before & 1:  # the sender inverts the data of a word after one that ends in 1
        data ^= 0xFFFFFF
    return parity(data, before) == word & 0x3F
