"""Many number fields at once: four characters a step, integer mantissas, ``float()`` to the bit.

A number is ``mantissa / 10**decimals`` with a mantissa below 2**53 and at most 15 digits, which IEEE division rounds
correctly, as ``float()`` does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.lines import Lines

Words = NDArray[np.uint32]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOST_DIGITS = 8  # on either side of the point; more are left to the scalar reader
_BOTH = 15
_KEEP = np.array([0, 0xFF, 0xFFFF, 0xFFFFFF, *[0xFFFFFFFF] * 5], dtype=np.uint32)  # the last n bytes of a word
POWER = 10.0 ** np.arange(MOST_DIGITS + 1)
_ZEROS, _OVER_NINE, _TOP_BITS = np.uint32(0x30303030), np.uint32(0x76767676), np.uint32(0x80808080)
_EVEN, _LOW = np.uint32(0x00FF00FF), np.uint32(0xFFFF)


@dataclass(slots=True)
class Numbers:
    """Every field of a block as a number, in the order of the commas before them.

    ``whole`` and ``part`` are the digits before and after the point without the sign, ``doubt`` tells fields that are
    neither empty nor a plain number.
    """

    value: Floats
    whole: Floats
    part: Floats
    n_whole: Ints
    n_part: Ints
    dotted: Bools
    negative: Bools
    doubt: Bools

    def take(self, pick: Ints) -> Numbers:
        """Some of the fields."""
        return Numbers(*(getattr(self, name)[pick] for name in self.__slots__))

    @property
    def empty(self) -> Bools:
        """Fields without any character."""
        nothing: Bools = (self.n_whole + self.n_part == 0) & ~self.doubt
        return nothing


def read_numbers(lines: Lines) -> Numbers:
    """All fields of a block, whether numbers or not: steps through memory in order are cheaper than a choice."""
    words = lines.words
    comma = lines.comma[:-1] if len(lines.comma) and lines.comma[-1] + 1 == len(lines.separators) else lines.comma
    place = lines.marks[lines.separators]
    a, b = lines.separators[comma], lines.separators[comma + 1]
    start, end = place[comma] + 1, place[comma + 1]
    # Of the marks between the two, "-" can only be the first and "." only the last.
    dotted = lines.mark[b - 1] == 46
    negative = lines.mark[a + 1] == 45
    point = np.where(dotted, lines.marks[b - 1], end)
    n_whole = point - start
    n_whole -= negative
    n_part = end - point
    n_part -= dotted
    doubt = (b - a - 1) != dotted.astype(np.int64) + negative
    doubt |= (n_whole > MOST_DIGITS) | (n_part > MOST_DIGITS) | (n_whole + n_part > _BOTH)
    doubt |= (n_whole + n_part == 0) & (start != end)
    n_whole[doubt] = 0
    n_part[doubt] = 0
    whole, wrong = _digits(words, point, n_whole)
    doubt |= wrong
    value = whole.copy()
    part = np.zeros(len(value))
    index = np.flatnonzero(n_part)
    if len(index):
        power = POWER[n_part[index]]
        digits, wrong = _digits(words, end[index], n_part[index])
        part[index] = digits
        value[index] = (whole[index] * power + digits) / power
        doubt[index] |= wrong
    np.negative(value, out=value, where=negative)
    value[start == end] = np.nan
    return Numbers(value, whole, part, n_whole, n_part, dotted, negative, doubt)


def _digits(words: Words, end: Ints, n: Ints) -> tuple[Floats, Bools]:
    """Value of the ``n`` (0 to 8) digits before ``end``, and where they are no digits."""
    keep = _KEEP[n]
    low, wrong = _four(words[end - 4] & keep, keep)
    number = low.astype(np.float64)
    long = np.flatnonzero(n > 4)
    if len(long):
        keep = _KEEP[n[long] - 4]
        high, bad = _four(words[end[long] - 8] & keep, keep)
        number[long] += high * 10_000.0
        wrong[long] |= bad
    return number, wrong


def _four(word: Words, keep: Words) -> tuple[Words, Bools]:
    """Up to four digits at the low end of each word, the other bytes zero."""
    digit = word ^ (_ZEROS & keep)
    wrong = ((digit | (digit + _OVER_NINE)) & _TOP_BITS) != 0
    pair = (digit >> np.uint32(8) & _EVEN) * np.uint32(10)
    pair += digit & _EVEN
    low = pair & _LOW
    low += (pair >> np.uint32(16)) * np.uint32(100)
    return low, wrong


def read_texts(lines: Lines, before: Ints) -> tuple[Floats, Bools]:
    """Packed texts of the fields behind ``before``, NaN for none, and which are too long to be read here."""
    start = lines.marks[lines.separators[before]] + 1
    end = lines.marks[lines.separators[before + 1]]
    n = end - start
    low = lines.words[end - 4] & _KEEP[np.minimum(n, 4)]
    value = low.astype(np.float64)
    long = np.flatnonzero(n > 4)
    if len(long):
        high = lines.words[end[long] - 8] & _KEEP[np.clip(n[long] - 4, 0, 2)]
        value[long] += high * 4_294_967_296.0
    value[n == 0] = np.nan
    return value, n > 6
