"""Many number fields at once: four characters a step, integer mantissas, ``float()`` to the bit.

A number is ``mantissa / 10**decimals`` with a mantissa below 2**53 and at most 15 digits, which IEEE division rounds
correctly, as ``float()`` does.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.lines import Lines

Words = NDArray[np.uint32]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_COMMA, _POINT = 44, 46
_AT_ONCE = 32_768
MOST_DIGITS = 8  # on either side of the point; more are left to the scalar reader
_BOTH = 15
_KEEP = np.array([0, 0xFF, 0xFFFF, 0xFFFFFF, *[0xFFFFFFFF] * 5], dtype=np.uint32)  # the last n bytes of a word
POWER = 10.0 ** np.arange(MOST_DIGITS + 1)
_ZEROS, _OVER_NINE, _TOP_BITS = np.uint32(0x30303030), np.uint32(0x76767676), np.uint32(0x80808080)
_EVEN, _LOW = np.uint32(0x00FF00FF), np.uint32(0xFFFF)


@dataclass(slots=True)
class Numbers:
    """Every field of a block as a number; field k lies behind separator k.

    ``whole`` and ``part`` are the digits before and after the point without the sign, ``doubt`` tells fields that are
    neither empty nor a plain number; their ``value`` is infinite.
    """

    value: Floats
    whole: Floats
    part: Floats
    n_whole: Ints
    n_part: Ints
    dotted: Bools
    negative: Bools
    doubt: Bools


def read_numbers(lines: Lines) -> Numbers:
    """All fields of a block, whether numbers or not.

    Steps through memory in order cost less than a choice of fields, and so many at a time as a core's cache holds.
    """
    n = max(len(lines.place) - 1, 0)
    inner = np.flatnonzero(lines.mark > _COMMA)  # every "." and "-" of the block
    at, is_point = lines.marks[inner], lines.mark[inner] == _POINT
    field = inner - np.arange(1, len(inner) + 1)  # less the "." and "-" so far: the number of separators before it
    numbers = Numbers(
        np.empty(n), np.empty(n), np.empty(n), np.empty(n, dtype=np.int64), np.empty(n, dtype=np.int64),
        np.empty(n, dtype=bool), np.empty(n, dtype=bool), np.empty(n, dtype=bool),
    )  # fmt: skip
    bounds = [*range(0, n, _AT_ONCE), n]
    cuts = np.searchsorted(field, bounds).tolist()
    for (a, b), (c, d) in zip(pairwise(bounds), pairwise(cuts), strict=True):
        _read_some(lines, numbers, slice(a, b), field[c:d] - a, at[c:d], is_point[c:d])
    return numbers


def _read_some(lines: Lines, numbers: Numbers, some: slice, field: Ints, at: Ints, is_point: Bools) -> None:
    """Read the fields ``some``; ``field``, ``at`` and ``is_point`` are the points and signs in them."""
    place = lines.place[some.start : some.stop + 1]
    start, end = place[:-1] + 1, place[1:]
    n = len(end)
    negative = np.zeros(n, dtype=bool)
    sign, sign_at = field[~is_point], at[~is_point]
    negative[sign[sign_at == start[sign]]] = True
    dotted = np.zeros(n, dtype=bool)
    dot = field[is_point]
    dotted[dot] = True
    point = end.copy()
    point[dot] = at[is_point]  # the last one, if there are two; the count tells
    n_whole = point - start
    n_whole[sign] -= negative[sign]
    n_part = np.zeros(n, dtype=np.int64)
    n_part[dot] = end[dot] - point[dot] - 1
    doubt = n_whole > MOST_DIGITS
    # More "." and "-" than one of each, or at the wrong place; no digits, or too many.
    few = np.concatenate((dot, sign))
    inner = np.bincount(few, minlength=n) if len(few) else np.zeros(n, dtype=np.int64)
    few_whole, few_part = n_whole[few], n_part[few]
    doubt[few] |= inner[few] > dotted[few].astype(np.int64) + negative[few]
    few_digits = few_whole + few_part
    doubt[few] |= (few_part > MOST_DIGITS) | (few_digits > _BOTH) | (few_digits == 0)
    n_whole[doubt] = 0
    n_part[doubt] = 0

    whole, wrong = _digits(lines.words, point, n_whole)
    doubt |= wrong
    value = whole.copy()
    part = np.zeros(n)
    count = n_part[dot]
    digits, wrong = _digits(lines.words, end[dot], count)
    part[dot] = digits
    power = POWER[count]
    value[dot] = (whole[dot] * power + digits) / power
    doubt[dot] |= wrong
    value[sign] = np.where(negative[sign], -value[sign], value[sign])
    value[start == end] = np.nan
    value[doubt] = np.inf
    for name, column in zip(
        Numbers.__slots__, (value, whole, part, n_whole, n_part, dotted, negative, doubt), strict=True
    ):
        getattr(numbers, name)[some] = column


def _digits(words: Words, end: Ints, n: Ints) -> tuple[Floats, Bools]:
    """Value of the ``n`` (0 to 8) digits before ``end``, and where they are no digits."""
    keep = _KEEP[n]
    low, wrong = _four(words[end - 4], keep)
    number = low.astype(np.float64)
    long = np.flatnonzero(n > 4)
    if len(long):
        keep = _KEEP[n[long] - 4]
        high, bad = _four(words[end[long] - 8], keep)
        number[long] += high * 10_000.0
        wrong[long] |= bad
    return number, wrong


def _four(word: Words, keep: Words) -> tuple[Words, Bools]:
    """Value of up to four digits at the low end of each word, and where they are no digits. Works in ``word``."""
    word &= keep
    word ^= keep & _ZEROS
    over = word + _OVER_NINE
    over |= word
    over &= _TOP_BITS
    pair = word >> np.uint32(8)
    pair &= _EVEN
    pair *= np.uint32(10)
    word &= _EVEN
    pair += word
    four = pair >> np.uint32(16)
    four *= np.uint32(100)
    pair &= _LOW
    four += pair
    return four, over != 0


def read_texts(lines: Lines, before: Ints) -> tuple[Floats, Bools]:
    """Packed texts of the fields behind ``before``, NaN for none, and which are too long to be read here."""
    start = lines.place[before] + 1
    end = lines.place[before + 1]
    n = end - start
    low = lines.words[end - 4] & _KEEP[np.minimum(n, 4)]
    value = low.astype(np.float64)
    long = np.flatnonzero(n > 4)
    if len(long):
        high = lines.words[end[long] - 8] & _KEEP[np.clip(n[long] - 4, 0, 2)]
        value[long] += high * 4_294_967_296.0
    value[n == 0] = np.nan
    return value, n > 6
