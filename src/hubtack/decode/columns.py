"""Blocks of NMEA lines into the same tables by whole-array steps: the reader of logs.

One interpreter of the field table reads a sentence at a time (decode.nmea); this is the other. It takes only lines
beyond doubt (decode.lines), and of them only those in which every field it needs is empty or a plain value. Every
other line is odd and goes to the scalar reader, so the two can differ by nothing but a bug, and tests hold them equal
value by value. Stateless: a block is whole lines.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.fields import POWER, Numbers, read_numbers, read_texts
from hubtack.decode.layouts import LayoutBook
from hubtack.decode.lines import HEX, Lines, find_lines, without_frames
from hubtack.decode.tables import Rows
from hubtack.decode.tidy import Tidy, read_layouts
from hubtack.knowledge.sentences import SENTENCES, Field
from hubtack.units import KNOT_M_S

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MIN_BYTES = 8_192  # below this a call costs more than the scalar reader
_MOST_COMMAS = 255
_PLAIN = ("number", "knots")


# The C library of Linux gives freed arrays of over 128 kB back to the kernel, and every one of some 200 steps a block
# then pays for its pages anew: half the time of a block. One large array freed, never touched, raises that limit
# (mallopt(3), M_MMAP_THRESHOLD is dynamic). It costs microseconds and does nothing elsewhere.
np.empty(30 << 20, dtype=np.uint8)


@dataclass(slots=True)
class Block:
    """What a block of lines gave: tables, counts by formatter, and the odd stretches as (start, end) offsets in it."""

    sentences: dict[str, Rows] = field(default_factory=dict)
    by_formatter: dict[str, int] = field(default_factory=dict)
    odd: list[tuple[int, int]] = field(default_factory=list)


@dataclass(slots=True)
class _Group:
    """Lines of one formatter with the same number of fields."""

    formatter: str
    line: Ints
    n_commas: int


def decode_lines(
    data: bytes,
    base: int,
    frame_start: list[int],
    frame_length: list[int],
    book: LayoutBook | None = None,
    size: int | None = None,
) -> Block:
    """Tables of a block that ends with a line or a frame: the first ``size`` bytes of ``data``, or all of it.

    ``base`` is its offset in the stream.
    """
    block = Block()
    text = without_frames(data, frame_start, frame_length)
    tidy = read_layouts(text, book if book is not None else LayoutBook(), size)
    block.by_formatter = tidy.by_formatter
    tables = {name: [rows] for name, rows in tidy.tables(base).items()}
    left = np.flatnonzero(~tidy.taken)
    if len(left):
        _read_left(text, base, tidy, left, frame_start, frame_length, block, tables)
    for formatter, parts in tables.items():
        rows = Rows.concat(parts)
        block.sentences[formatter] = rows.take(np.argsort(rows.pos)) if len(parts) > 1 else rows
        block.by_formatter[formatter] = len(rows)
    return block


def _read_left(
    text: bytes, base: int, tidy: Tidy, left: Ints, frame_start: list[int], frame_length: list[int],
    block: Block, tables: dict[str, list[Rows]],
) -> None:  # fmt: skip
    """Lines that fit no layout: field by field where there are enough of them; what is odd is left to the scalar way."""
    start, stop = tidy.start, tidy.stop.copy()
    plain = np.ones(len(start), dtype=bool)
    if frame_start:
        # A line that ends in a frame stops where the frame starts, and is none that ends as a sentence does.
        lengths = np.array(frame_length, dtype=np.int64)
        framed = np.searchsorted(tidy.stop - 1, np.array(frame_start, dtype=np.int64) + lengths - 1)
        stop[framed] -= lengths
        plain[framed] = False
    good = np.zeros(len(start), dtype=bool)
    some = left[plain[left]]
    size = stop[some] - start[some]
    if int(size.sum()) >= MIN_BYTES // 2:
        together = b"".join(text[a:b] for a, b in zip(start[some].tolist(), stop[some].tolist(), strict=True))
        lines = find_lines(together)
        shift = start[some] - (np.cumsum(size) - size)
        _read_lines(lines, together, base + shift, block, tables)
        good[some] = lines.good
    odd = left[~good[left] & (stop[left] > start[left])]
    block.odd = _stretches(start[odd], stop[odd])


def _stretches(start: Ints, stop: Ints) -> list[tuple[int, int]]:
    """Lines as stretches of bytes, neighbours in one."""
    if not len(start):
        return []
    apart = np.flatnonzero(start[1:] != stop[:-1])
    begins, ends = start[np.concatenate(([0], apart + 1))], stop[np.concatenate((apart, [len(start) - 1]))]
    return list(zip(begins.tolist(), ends.tolist(), strict=True))


def _read_lines(lines: Lines, data: bytes, base: Ints, block: Block, tables: dict[str, list[Rows]]) -> None:
    """Read lines field by field; ``base`` (lines,) is what to add to places in ``data``."""
    groups = _groups(lines, data, block)
    if groups:
        numbers = read_numbers(lines)
        for group in groups:
            rows = _read(lines, base, group, numbers)
            if len(rows):
                tables.setdefault(group.formatter, []).append(rows)


def _groups(lines: Lines, data: bytes, block: Block) -> list[_Group]:
    """Good lines of the table's formatters by layout; the rest is counted here or struck from ``good``."""
    line = np.flatnonzero(lines.good)
    if not len(line):
        return []
    dollar, commas, words = lines.dollar[line], lines.commas[line], lines.words
    first_comma = lines.place[lines.first[line] + 1]  # the star where there is no comma
    five = (first_comma == dollar + 6) & (lines.text[dollar + 1] != 80) & (commas > 0) & (commas <= _MOST_COMMAS)
    _count_others(lines, data, line[~five], first_comma[~five], block)
    line, commas = line[five], commas[five]
    key = (words[dollar[five] + 2].astype(np.int64) & 0xFFFFFF) << 8 | commas
    groups = []
    for value, count in zip(*np.unique(key, return_counts=True), strict=True):
        formatter = (int(value) >> 8).to_bytes(3, "big").decode("latin-1")
        n_commas = int(value) & 0xFF
        if not formatter.isalnum():
            lines.good[line[key == value]] = False
        elif formatter in SENTENCES:
            groups.append(_Group(formatter, line[key == value], n_commas))
        else:
            block.by_formatter[formatter] = block.by_formatter.get(formatter, 0) + int(count)
    return groups


def _count_others(lines: Lines, data: bytes, line: Ints, end: Ints, block: Block) -> None:
    """Makers' own sentences and short addresses are only counted; an address of another length is odd."""
    names = Counter(data[a:b] for a, b in zip((lines.dollar[line] + 1).tolist(), end.tolist(), strict=True))
    odd = {name for name in names if not ((name[:1] == b"P" or len(name) < 5) and name.isalnum())}
    for name, count in names.items():
        if name not in odd:
            block.by_formatter[name.decode()] = block.by_formatter.get(name.decode(), 0) + count
    if odd:
        for i, a, b in zip(line.tolist(), (lines.dollar[line] + 1).tolist(), end.tolist(), strict=True):
            if data[a:b] in odd:
                lines.good[i] = False


def _limit(formatter: str, n_commas: int) -> int:
    """One past the last field; of GSV, past the last whole satellite, since a signal ID may follow it."""
    n_fields = n_commas + 1
    return 4 + max(0, n_fields - 4) // 4 * 4 if formatter == "GSV" else n_fields


def _read(lines: Lines, base: Ints, group: _Group, numbers: Numbers) -> Rows:
    """Rows of a group. Lines found odd are struck from ``good``."""
    line = group.line
    reader = _Reader(lines, group, numbers)
    values = reader.values()
    values[:, 0] = lines.words[lines.dollar[line] + 1] >> np.uint32(16)
    values[:, -1] = lines.stamp_utc_s[line]
    rows = Rows(group.formatter, lines.dollar[line] + base[line], lines.star[line] + 3 + base[line], values)
    if reader.ok.all():
        return rows
    lines.good[line[~reader.ok]] = False
    return rows.take(reader.ok)


class _Reader:
    """Reads the columns of one group. Lines with a value in doubt are struck from ``ok``."""

    def __init__(self, lines: Lines, group: _Group, numbers: Numbers) -> None:
        self._lines, self._group, self._numbers = lines, group, numbers
        self._first = lines.first[group.line]
        self._limit = _limit(group.formatter, group.n_commas)
        self.ok = np.ones(len(group.line), dtype=bool)

    def values(self) -> Floats:
        """(n, columns) with all fields filled in; the first and the last column are left to be filled."""
        layout = SENTENCES[self._group.formatter]
        plain = [f.kind in _PLAIN and f.index < self._limit for f in layout]
        # One look-up for the whole table; where a line has no such number it reads any, which is put right below.
        offset = np.array([1, *(f.index if p else 1 for p, f in zip(plain, layout, strict=True)), 1])
        at = self._first[:, None] + offset
        values: Floats = self._numbers.value[at]
        for column, item in enumerate(layout, 1):
            if item.kind == "knots" and plain[column - 1]:
                values[:, column] *= KNOT_M_S
            elif not plain[column - 1]:
                got = self._special(item)
                values[:, column] = np.nan if got is None else got
        doubt = np.isinf(values[:, 1:-1])
        if doubt.any():
            self.ok &= ~doubt.any(axis=1)
        return values

    def _special(self, item: Field) -> Floats | None:
        """Values of a field that is no plain number; None where no line has it."""
        if item.index < 0:
            # GSV: one field more than four a satellite is the signal ID.
            n_fields = self._group.n_commas + 1
            return self._hex(n_fields - 1) if n_fields > 4 and (n_fields - 4) % 4 == 1 else None
        if not 1 <= item.index < self._limit:
            return None
        if item.kind == "text":
            value, too_long = read_texts(self._lines, self._first + item.index)
            self.ok &= ~too_long
            return value
        if item.kind == "hex":
            return self._hex(item.index)
        field = self._first + item.index
        empty = self._lines.place[field] + 1 == self._lines.place[field + 1]
        self.ok &= ~self._numbers.doubt[field]
        match item.kind:
            case "date":
                numbers = self._numbers
                self.ok &= empty | ((numbers.n_whole[field] == 6) & ~numbers.dotted[field] & ~numbers.negative[field])
                return numbers.value[field]
            case "time":
                return self._time(field, empty)
            case "decimals" | "minute_decimals":  # where the angle itself cannot be read, the line is odd
                return np.where(empty, np.nan, self._numbers.n_part[field])
            case _:
                return self._angle(item, field, empty)

    def _time(self, field: Ints, empty: Bools) -> Floats:
        numbers = self._numbers
        whole = numbers.whole[field]
        hour = np.floor(whole / 10_000.0)
        rest = whole - hour * 10_000.0
        minute = np.floor(rest / 100.0)
        second = rest - minute * 100.0
        fine = (numbers.n_whole[field] == 6) & (hour <= 23) & (minute <= 59) & (second <= 60)
        self.ok &= empty | (fine & ~numbers.negative[field])
        # Four digits of the fraction, the rest cut off, then rounded half up to milliseconds.
        tenths = np.floor(numbers.part[field] * 10_000.0 / POWER[numbers.n_part[field]])
        ms = (hour * 3600.0 + minute * 60.0 + second) * 1000.0 + np.floor((tenths + 5.0) / 10.0)
        return np.where(empty, np.nan, ms)

    def _angle(self, item: Field, field: Ints, empty: Bools) -> Floats | None:
        if item.index + 1 > self._group.n_commas:
            self.ok &= empty
            return None
        numbers, place = self._numbers, self._lines.place
        positive, negative, limit = (78, 83, 90.0) if item.kind == "latitude" else (69, 87, 180.0)
        at = place[field + 1] + 1
        letter = self._lines.text[at]
        west = letter == negative
        lettered = (place[field + 2] == at + 1) & ((letter == positive) | west)
        whole, n_whole = numbers.whole[field], numbers.n_whole[field]
        degrees = np.floor(whole / 100.0)
        power = POWER[numbers.n_part[field]]
        minutes = ((whole - degrees * 100.0) * power + numbers.part[field]) / power
        value = degrees + minutes / 60.0
        plain = (n_whole >= 3) & (n_whole <= 5) & (minutes < 60.0) & (value <= limit) & ~numbers.negative[field]
        self.ok &= empty | (plain & lettered)
        return np.where(empty, np.nan, np.where(west, -value, value))

    def _hex(self, index: int) -> Floats:
        text, before = self._lines.text, self._first + index
        start = self._lines.place[before] + 1
        n = self._lines.place[before + 1] - start
        one, two = HEX[text[start]].astype(np.int64), HEX[text[start + 1]].astype(np.int64)
        self.ok &= (n == 0) | ((n == 1) & (one < 16)) | ((n == 2) & (one < 16) & (two < 16))
        value = np.where(n == 2, one * 16 + two, one).astype(np.float64)
        return np.where(n == 0, np.nan, value)
