"""Blocks of NMEA lines into the same tables by whole-array steps: the reader of logs.

One interpreter of the field table reads a sentence at a time (decode.nmea); this is the other. It takes only lines
whose form is beyond doubt: one ``$`` at the head, printable characters, a checksum that agrees, and in every field it
needs either nothing or a plain value. Every other line is odd and goes to the scalar reader, so the two can never
differ by more than a bug, and tests hold them equal value by value. Stateless: a block is whole lines.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import PACKED_BYTES, Rows
from hubtack.knowledge.sentences import COLUMNS, SENTENCES, Field
from hubtack.units import KNOT_M_S

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MIN_BYTES = 8_192  # below this a call costs more than the scalar reader
_LONGEST = 15  # digits whose mantissa a float64 holds exactly
_MAX_LINE = 1024
_POWER = 10.0 ** np.arange(_LONGEST + 2)
_POWER_INT = 10 ** np.arange(_LONGEST + 2, dtype=np.int64)
_HEX = np.full(256, 255, dtype=np.uint8)
for _i, _c in enumerate(b"0123456789ABCDEF"):
    _HEX[_c] = _i
for _i, _c in enumerate(b"abcdef"):
    _HEX[_c] = 10 + _i


@dataclass(slots=True)
class Block:
    """What a block of lines gave: tables, counts by formatter, and the odd stretches as (start, end) offsets in it."""

    sentences: dict[str, Rows] = field(default_factory=dict)
    by_formatter: dict[str, int] = field(default_factory=dict)
    odd: list[tuple[int, int]] = field(default_factory=list)


def decode_lines(data: bytes, base: int) -> Block:
    """Tables of a block that ends with a line end and holds no RTCM preamble; ``base`` is its offset in the stream."""
    block = Block()
    text = np.frombuffer(data, dtype=np.uint8)
    stop = np.flatnonzero(text == 10)
    start = np.concatenate(([0], stop[:-1] + 1))
    end = stop - (text[np.maximum(stop - 1, 0)] == 13) * (stop > start)
    good = _well_formed(text, start, end)
    commas = np.flatnonzero(text == 44)
    first = np.searchsorted(commas, start)
    count = np.searchsorted(commas, stop) - first
    line = np.flatnonzero(good)
    # Address of five characters, not proprietary: two of the talker, three of the formatter.
    five = (count[line] > 0) & (text[start[line] + 1] != 80)
    five[five] &= commas[first[line[five]]] == start[line[five]] + 6
    good[line[~five]] = False
    line = line[five]
    code = _formatter_code(text, start[line])
    for value in np.unique(code):
        formatter = bytes((value >> 16 & 255, value >> 8 & 255, value & 255)).decode("latin-1")
        index = line[code == value]
        if not formatter.isalnum():
            good[index] = False
            continue
        if formatter in SENTENCES:
            parts = [
                _one_layout(text, base, formatter, start, end, commas, first, index[count[index] == n], int(n), good)
                for n in np.unique(count[index])
            ]
            parts = [p for p in parts if len(p)]
            if parts:
                rows = Rows.concat(parts)
                block.sentences[formatter] = rows.take(np.argsort(rows.pos, kind="stable")) if len(parts) > 1 else rows
        used = int(np.count_nonzero(good[index]))
        if used:
            block.by_formatter[formatter] = used
    block.odd = _stretches(start, stop, ~good)
    return block


def _formatter_code(text: Bytes, start: Ints) -> Ints:
    a, b, c = (text[start + i].astype(np.int64) for i in (3, 4, 5))
    return a << 16 | b << 8 | c


def _well_formed(text: Bytes, start: Ints, end: Ints) -> Bools:
    """Lines ``$...*hh`` of printable characters with one dollar sign and a checksum that agrees."""
    length = end - start
    good = (length >= 10) & (length < _MAX_LINE)
    good &= text[start] == 36
    star = np.where(good, end - 3, 0)
    good &= text[star] == 42
    high, low = _HEX[text[np.maximum(end - 2, 0)]], _HEX[text[np.maximum(end - 1, 0)]]
    good &= (high < 16) & (low < 16)
    # Control characters, bytes above ~, and further dollar signs or stars make a line odd.
    strange = (text < 32) & (text != 10) & (text != 13) | (text > 126)
    bad = np.flatnonzero(strange)
    if len(bad):
        good[np.minimum(np.searchsorted(end, bad, side="left"), len(end) - 1)] = False
        good[np.minimum(np.searchsorted(start, bad, side="right") - 1, len(end) - 1)] = False
    for mark in (36, 42):
        places = np.flatnonzero(text == mark)
        inside = np.searchsorted(start, places, side="right") - 1
        many = np.bincount(inside[inside >= 0], minlength=len(start)) > 1
        good &= ~many
    returns = np.flatnonzero(text == 13)
    inner = np.searchsorted(start, returns, side="right") - 1
    good[inner[(inner >= 0) & (returns != end[inner])]] = False
    index = np.flatnonzero(good)
    if len(index):
        bounds = np.stack((start[index] + 1, star[index]), axis=1).ravel()
        xor = np.bitwise_xor.reduceat(text, bounds)[::2]
        said = high[index].astype(np.int64) * 16 + low[index]
        good[index[xor != said]] = False
    return good


def _one_layout(
    text: Bytes,
    base: int,
    formatter: str,
    start: Ints,
    end: Ints,
    commas: Ints,
    first: Ints,
    line: Ints,
    n_commas: int,
    good: Bools,
) -> Rows:
    """Rows of the lines of one formatter with the same number of fields; lines found odd are struck from ``good``."""
    layout = SENTENCES[formatter]
    if not len(line):
        return Rows.empty(formatter)
    at = commas[first[line][:, None] + np.arange(n_commas)[None, :]]
    bounds = np.concatenate((at, (end[line] - 3)[:, None]), axis=1)  # the star ends the last field
    n_fields = n_commas + 1
    satellites_end = n_fields
    if formatter == "GSV":
        satellites_end = 4 + max(0, n_fields - 4) // 4 * 4
    values = np.full((len(line), len(COLUMNS[formatter])), np.nan)
    ok = np.ones(len(line), dtype=bool)
    reader = _Reader(text, bounds, n_fields, satellites_end, ok)
    values[:, 0] = text[start[line] + 1].astype(np.float64) * 256.0 + text[start[line] + 2]
    reader.read(layout, values)
    good[line[~ok]] = False
    pos = start[line] + base
    return Rows(formatter, pos[ok], (end[line] + base)[ok], values[ok])


class _Reader:
    """Reads the fields of lines that share a layout. What is in doubt is struck from ``ok``."""

    def __init__(self, text: Bytes, bounds: Ints, n_fields: int, limit: int, ok: Bools) -> None:
        self._text, self._bounds, self._n, self._limit, self._ok = text, bounds, n_fields, limit, ok
        self._cache: dict[int, tuple[Ints, Ints, Ints, Bools, Bools]] = {}

    def _span(self, index: int) -> tuple[Ints, Ints] | None:
        if index < 1 or index >= self._limit:
            return None
        return self._bounds[:, index - 1] + 1, self._bounds[:, index]

    def read(self, layout: tuple[Field, ...], values: Floats) -> None:
        """Fill the columns of ``layout`` into ``values`` (n, 1 + fields + 1)."""
        wanted = sorted(
            {
                item.index
                for item in layout
                if item.kind
                in ("number", "knots", "time", "latitude", "longitude", "date", "decimals", "minute_decimals")
                and 1 <= item.index < self._limit
            }
        )
        self._numbers(wanted)
        for column, item in enumerate(layout, 1):
            values[:, column] = self._column(item)

    def _numbers(self, wanted: list[int]) -> None:
        """Mantissa, decimals, digits before the point, emptiness and sign of all numeric fields, in one pass."""
        if not wanted:
            return
        n = len(self._ok)
        start = (self._bounds[:, [i - 1 for i in wanted]] + 1).ravel()
        end = self._bounds[:, wanted].ravel()
        length = end - start
        width = int(min(length.max(initial=0), _LONGEST + 2))
        too_long = length > _LONGEST + 2
        mantissa = np.zeros(len(start), dtype=np.int64)
        decimals = np.zeros(len(start), dtype=np.int64)
        digits = np.zeros(len(start), dtype=np.int64)
        dotted = np.zeros(len(start), dtype=bool)
        negative = np.zeros(len(start), dtype=bool)
        doubt = too_long.copy()
        text, last = self._text, len(self._text) - 1
        for i in range(width):
            inside = i < length
            ch = text[np.minimum(start + i, last)]
            digit = (ch >= 48) & (ch <= 57) & inside
            mantissa = np.where(digit, mantissa * 10 + ch - 48, mantissa)
            digits += digit
            decimals += digit & dotted
            dot = (ch == 46) & inside
            doubt |= dot & dotted
            dotted |= dot
            if i == 0:
                sign = ((ch == 45) | (ch == 43)) & inside
                negative = (ch == 45) & inside
                doubt |= inside & ~(digit | dot | sign)
            else:
                doubt |= inside & ~(digit | dot)
        empty = length == 0
        doubt |= ~empty & ((digits == 0) | (digits > _LONGEST))
        for k, index in enumerate(wanted):
            pick = slice(k, None, len(wanted))
            self._ok &= ~doubt[pick].reshape(n)
            self._cache[index] = (mantissa[pick], decimals[pick], digits[pick], empty[pick], negative[pick])

    def _column(self, item: Field) -> Floats:
        nothing = np.full(len(self._ok), np.nan)
        if item.index < 0:
            return self._signal_id()
        span = self._span(item.index)
        if span is None:
            return nothing
        if item.kind == "text":
            return self._text_column(*span)
        if item.kind == "hex":
            return self._hex_column(*span)
        mantissa, decimals, digits, empty, negative = self._cache[item.index]
        safe = np.minimum(decimals, _LONGEST)
        if item.kind in ("number", "knots"):
            value = mantissa / _POWER[safe]
            value = np.where(negative, -value, value)
            if item.kind == "knots":
                value = value * KNOT_M_S
            return np.where(empty, np.nan, value)
        if item.kind == "decimals":
            return np.where(empty, np.nan, decimals.astype(np.float64))
        if item.kind == "date":
            # Anything but six digits is left to the scalar reader.
            self._ok &= empty | ((digits == 6) & (decimals == 0) & (span[1] - span[0] == 6))
            return np.where(empty, np.nan, mantissa.astype(np.float64))
        if item.kind == "time":
            return self._time(mantissa, decimals, digits, empty, span)
        return self._angle(item, mantissa, decimals, digits, empty, span)

    def _time(self, mantissa: Ints, decimals: Ints, digits: Ints, empty: Bools, span: tuple[Ints, Ints]) -> Floats:
        whole = mantissa // _POWER_INT[np.minimum(decimals, _LONGEST)]
        part = mantissa - whole * _POWER_INT[np.minimum(decimals, _LONGEST)]
        hour, minute, second = whole // 10_000, whole // 100 % 100, whole % 100
        fine = (digits - decimals == 6) & (hour <= 23) & (minute <= 59) & (second <= 60) & _unsigned(self._text, span)
        self._ok &= empty | fine
        shift = decimals - 4
        part = np.where(
            shift <= 0, part * _POWER_INT[np.clip(-shift, 0, 4)], part // _POWER_INT[np.clip(shift, 0, _LONGEST)]
        )
        ms = (hour * 3600 + minute * 60 + second) * 1000 + (part + 5) // 10
        return np.where(empty, np.nan, ms.astype(np.float64))

    def _angle(
        self, item: Field, mantissa: Ints, decimals: Ints, digits: Ints, empty: Bools, span: tuple[Ints, Ints]
    ) -> Floats:
        if item.index + 1 >= self._n:
            self._ok &= empty
            return np.full(len(empty), np.nan)
        latitude = item.kind in ("latitude", "minute_decimals")
        positive, negative, limit = (78, 83, 90) if latitude else (69, 87, 180)
        letter_at, letter_end = self._bounds[:, item.index] + 1, self._bounds[:, item.index + 1]
        letter = self._text[np.minimum(letter_at, len(self._text) - 1)]
        has_letter = (letter_end - letter_at == 1) & ((letter == positive) | (letter == negative))
        whole_digits = digits - decimals
        power = _POWER_INT[np.minimum(decimals, _LONGEST)]
        degrees = mantissa // (power * 100)
        minutes = (mantissa - degrees * 100 * power) / _POWER[np.minimum(decimals, _LONGEST)]
        value = degrees + minutes / 60.0
        plain = (whole_digits >= 3) & (whole_digits <= 5) & (minutes < 60.0) & (value <= limit)
        plain &= (decimals <= 13) & _unsigned(self._text, span)
        self._ok &= empty | (plain & has_letter)
        if item.kind == "minute_decimals":
            return np.where(empty, np.nan, decimals.astype(np.float64))
        return np.where(empty, np.nan, np.where(letter == negative, -value, value))

    def _text_column(self, start: Ints, end: Ints) -> Floats:
        length = end - start
        last = len(self._text) - 1
        value = np.zeros(len(start))
        for i in range(PACKED_BYTES):
            inside = i < length
            ch = self._text[np.minimum(start + i, last)]
            self._ok &= ~(inside & (ch == 32))
            value = np.where(inside, value * 256.0 + ch, value)
        # A space beyond the sixth byte would be stripped by the scalar reader only at the end of the field.
        self._ok &= ~((length > 0) & (self._text[np.maximum(end - 1, 0)] == 32))
        return np.where(length > 0, value, np.nan)

    def _hex_column(self, start: Ints, end: Ints) -> Floats:
        length = end - start
        last = len(self._text) - 1
        one = _HEX[self._text[np.minimum(start, last)]].astype(np.int64)
        two = _HEX[self._text[np.minimum(start + 1, last)]].astype(np.int64)
        self._ok &= (length == 0) | ((length == 1) & (one < 16)) | ((length == 2) & (one < 16) & (two < 16))
        value = np.where(length == 2, one * 16 + two, one).astype(np.float64)
        return np.where(length == 0, np.nan, value)

    def _signal_id(self) -> Floats:
        """GSV: one field more than four a satellite is the signal ID."""
        if self._n > 4 and (self._n - 4) % 4 == 1:
            return self._hex_column(self._bounds[:, self._n - 2] + 1, self._bounds[:, self._n - 1])
        return np.full(len(self._ok), np.nan)


def _unsigned(text: Bytes, span: tuple[Ints, Ints]) -> Bools:
    """Fields that do not begin with a sign."""
    ch = text[np.minimum(span[0], len(text) - 1)]
    return np.asarray((ch != 43) & (ch != 45))


def _stretches(start: Ints, stop: Ints, odd: Bools) -> list[tuple[int, int]]:
    """Neighbouring odd lines as stretches of bytes, line ends included."""
    index = np.flatnonzero(odd)
    if not len(index):
        return []
    breaks = np.flatnonzero(np.diff(index) > 1)
    firsts = np.concatenate(([index[0]], index[breaks + 1]))
    lasts = np.concatenate((index[breaks], [index[-1]]))
    return [(int(start[a]), int(stop[b]) + 1) for a, b in zip(firsts, lasts, strict=True)]
