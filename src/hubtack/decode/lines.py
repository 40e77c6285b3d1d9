"""Where the lines and fields of a block lie, found by whole-array steps, and which lines are beyond doubt.

One pass finds every byte up to "." (46): the comma, ``$``, ``*``, CR and LF, the "." and "-" of numbers, and whatever
has no business in a sentence. All else is index arithmetic on that list. A line beyond doubt is

    [a logger's stamp] $ printable without "$", "*", "+" or spaces * two digits of the right checksum [CR] LF
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.stamps import stamps_utc_s
from hubtack.framing.splitter import MAX_SENTENCE

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint32]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FRAME_HEAD = b"\x01"  # stands for the first byte of a frame that has been taken out; its last byte becomes a line end
_FRAME_BODY = b"_" * 1029
_LF, _CR, _DOLLAR, _STAR, _COMMA = 10, 13, 36, 42, 44
HEX = np.full(256, 255, dtype=np.uint8)
for _i, _c in enumerate(b"0123456789ABCDEF"):
    HEX[_c] = HEX[ord(chr(_c).lower())] = _i


@dataclass(slots=True)
class Lines:
    """A block by its lines. Index n counts lines; ``good`` tells those beyond doubt, for the others nothing holds.

    Attributes
    ----------
    text, words : (bytes,) uint8, uint32
        The block, and the big-endian word from each of its bytes on.
    marks, mark : (m,) int64, uint8
        Place of every byte up to ".", and the byte.
    separators, place : (s,) int64
        Those of ``marks`` that are no "." or "-", as an index, and their places.
    start : (n,) int64
        First byte of the line.
    dollar, star : (n,) int64
        Place of the ``$`` and of the ``*``.
    first : (n,) int64
        Index in ``separators`` of the ``$``; the commas follow it.
    commas : (n,) int64
        Number of commas.
    stamp_utc_s : (n,) float64
        The logger's stamp; NaN without one.
    """

    text: Bytes
    words: Words
    marks: Ints
    mark: Bytes
    separators: Ints
    place: Ints
    start: Ints
    dollar: Ints
    star: Ints
    first: Ints
    commas: Ints
    stamp_utc_s: Floats
    good: Bools


def without_frames(data: bytes, start: list[int], length: list[int]) -> bytes:
    """``data`` with frames blotted out, in which each frame ends a line and no line runs across one."""
    if not start:
        return data
    masked = bytearray(data)
    for at, n in zip(start, length, strict=True):
        masked[at : at + n] = FRAME_HEAD + _FRAME_BODY[: n - 2] + b"\n"
    return bytes(masked)


def find_lines(block: bytes) -> Lines:
    """Lines of a block of whole lines without frames."""
    padded = block + bytes(8 - len(block) % 4)
    text = np.frombuffer(padded, dtype=np.uint8)[: len(block)]
    marks = np.flatnonzero(text <= 46)
    mark = text[marks]
    separators = np.flatnonzero(mark <= _COMMA)
    kind = mark[separators]
    place = marks[separators]
    plain = np.flatnonzero(kind != _COMMA)  # of a good line: "$", "*", CR, LF
    kind = kind[plain]
    line = np.flatnonzero(kind == _LF)
    feed = place[plain[line]]
    start = np.concatenate(([0], feed[:-1] + 1))

    has_cr = kind[line - 1] == _CR
    star_at = line - 1 - has_cr
    good = star_at - 1 > np.concatenate(([-1], line[:-1]))
    star_at = np.where(good, star_at, 0)
    dollar_at = np.where(good, star_at - 1, 0)
    good &= (kind[star_at] == _STAR) & (kind[dollar_at] == _DOLLAR)
    end = feed - has_cr
    star, dollar = place[plain[star_at]], place[plain[dollar_at]]
    good &= (star == end - 3) & (end - dollar < MAX_SENTENCE)
    high = np.flatnonzero(text > 126)
    if len(high):
        good[np.searchsorted(feed, high)] = False
    _check(text, dollar, star, good)
    stamp = np.full(len(start), np.nan)
    stamped = np.flatnonzero(good & (dollar > start))
    if len(stamped):
        stamp[stamped] = stamps_utc_s(text, start[stamped], (dollar - start)[stamped])
        good[stamped] = ~np.isnan(stamp[stamped])
    first = plain[dollar_at]
    commas = plain[star_at] - first - 1
    return Lines(
        text, _words(padded), marks, mark, separators, place, start, dollar, star, first, commas, stamp, good,
    )  # fmt: skip


def _check(text: Bytes, dollar: Ints, star: Ints, good: Bools) -> None:
    """Strike lines whose checksum does not agree (NMEA 0183: XOR of all between ``$`` and ``*``)."""
    index = np.flatnonzero(good)
    if not len(index):
        return
    begin, star = dollar[index] + 1, star[index]
    bounds = np.empty(2 * len(index), dtype=np.int64)
    bounds[0::2], bounds[1::2] = begin, star
    xor = np.bitwise_xor.reduceat(text, bounds)[::2]
    high, low = HEX[text[star + 1]], HEX[text[star + 2]]
    good[index] = ((high | low) < 16) & ((high << 4 | low) == xor) & (star > begin)


def _words(padded: bytes) -> Words:
    """The big-endian 32-bit word from every byte on, so that four characters cost one aligned look-up."""
    whole = len(padded) // 4 - 1
    words = np.empty(4 * whole, dtype=np.uint32)
    for phase in range(4):
        words[phase::4] = np.frombuffer(padded, dtype=">u4", count=whole, offset=phase)
    return words
