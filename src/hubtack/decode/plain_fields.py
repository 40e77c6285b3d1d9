"""How the fields of one layout are read: which characters make which column, worked out once, used on every line.

Characters are taken two, four or eight at a time as one little-endian word that ends with the field. With everything
but the digits struck out, a multiplication makes pairs of them, a second one fours, a third one the number: each adds
to a digit ten times its neighbour, and so on. A number is ``mantissa / 10**decimals`` with a mantissa of at most 15
digits, which IEEE division rounds correctly, as ``float()`` does.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.nmea import Sentence
from hubtack.knowledge.sentences import SENTENCES, Field
from hubtack.units import KNOT_M_S

Words = NDArray[Any]  # of unsigned integers, two, four or eight bytes wide
Read = list[NDArray[Any]]
Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_NUMBER = re.compile(rb"(-?)(\d{0,8})(?:(\.)(\d{0,8}))?")
_TIME = re.compile(rb"(\d{6})(?:\.(\d{0,8}))?")
_ANGLE = re.compile(rb"(\d{3,5})(?:\.(\d{0,8}))?")
_DIGIT = re.compile(rb"\d")
_MOST_DIGITS = 15
_HEMISPHERES = {"latitude": (b"N", b"S", 90.0), "longitude": (b"E", b"W", 180.0)}

_WIDTHS = (2, 4, 8)
_DTYPE: Mapping[int, np.dtype[Any]] = {2: np.dtype("<u2"), 4: np.dtype("<u4"), 8: np.dtype("<u8")}
_ASCII_ZEROS = 0x3030303030303030
# For each doubling of the digits: factor, bits to the right, and what is kept of it; the last keeps all.
_STEPS = (
    (1 + (10 << 8), 8, 0x00FF00FF00FF00FF),
    (1 + (100 << 16), 16, 0x0000FFFF0000FFFF),
    (1 + (10_000 << 32), 32, 0),
)


@dataclass(slots=True)
class _Word:
    """Characters that end before ``end``: digits at their own place, and digits before a point, one byte off."""

    width: int
    end: int
    own: int
    before_point: int = 0


@dataclass(slots=True)
class _Words:
    """The words of one width, those with a point in them first: masks (words, 1), and where each ends."""

    width: int
    ends: list[int]
    own: Words
    before: Words

    @classmethod
    def of(cls, words: list[_Word], width: int) -> _Words:
        """Out of ``words`` of that width."""
        dtype = _DTYPE[width]
        before = [w.before_point for w in words if w.before_point]
        return cls(
            width,
            [w.end for w in words],
            np.array([w.own for w in words], dtype=dtype).reshape(-1, 1),
            np.array(before, dtype=dtype).reshape(-1, 1),
        )

    def read(self, records: Bytes) -> Words:
        """Value of each word, (words, n)."""
        n, stride = records.shape
        kind, top = _DTYPE[self.width], (1 << 8 * self.width) - 1
        raw: Words = np.empty((len(self.ends), n), dtype=kind)
        for i, end in enumerate(self.ends):
            raw[i] = np.ndarray((n,), kind, records, end - self.width, (stride,))
        raw ^= kind.type(_ASCII_ZEROS & top)
        points = len(self.before)
        if points:
            before: Words = raw[:points] & self.before
            before = before << kind.type(8)
            raw &= self.own
            raw[:points] |= before
        else:
            raw &= self.own
        for factor, bits, kept in _STEPS:
            if 2 * bits > 8 * self.width:
                break
            raw *= kind.type(factor)
            raw >>= kind.type(bits)
            if 2 * bits < 8 * self.width:
                raw &= kind.type(kept & top)
        return raw


@dataclass(frozen=True, slots=True)
class _Column:
    """A column that is read: from words by number, most significant first, with ``decimals`` behind the point."""

    column: int
    kind: str
    words: tuple[int, ...]
    decimals: int
    negative: bool = False
    limit: float = 0.0


@dataclass(slots=True)
class Plan:
    """What to read of each line of a layout. ``row`` has the columns that are the same in all its lines."""

    row: list[float]
    columns: list[_Column] = field(default_factory=list)
    texts: list[tuple[int, int, int]] = field(default_factory=list)  # column, end, characters
    words: list[_Word] = field(default_factory=list)
    constant: list[int] = field(default_factory=list)
    by_width: list[_Words] = field(default_factory=list)

    def word(self, end: int, n_own: int, n_before: int = 0) -> int:
        """Number of a new word: ``n_own`` digits up to ``end``, and ``n_before`` more before a point."""
        n = n_own + n_before + 1 if n_before else n_own
        width = next(w for w in _WIDTHS if n <= w)
        before = ((1 << 8 * n_before) - 1) << 8 * (width - 1 - n_own - n_before) if n_before else 0
        self.words.append(_Word(width, end, _last(n_own, width), before))
        return len(self.words) - 1

    def finish(self) -> Plan:
        """Put the words in order, narrow ones first and of one width those with a point, and make their masks."""
        order = sorted(range(len(self.words)), key=lambda i: (self.words[i].width, not self.words[i].before_point))
        place = {old: new for new, old in enumerate(order)}
        self.words = [self.words[i] for i in order]
        self.columns = [
            _Column(c.column, c.kind, tuple(place[w] for w in c.words), c.decimals, c.negative, c.limit)
            for c in self.columns
        ]
        for width in _WIDTHS:
            some = [w for w in self.words if w.width == width]
            if some:
                self.by_width.append(_Words.of(some, width))
        read = {c.column for c in self.columns} | {c for c, _, _ in self.texts} | {0}
        self.constant = [i for i in range(len(self.row)) if i not in read]
        return self

    def read(self, records: Bytes) -> tuple[Floats, Bools | None]:
        """Columns (columns, n) of the lines ``records`` (n, bytes), and which lines are in range (None: all)."""
        n, width = records.shape
        out = np.empty((len(self.row), n))
        for i in self.constant:
            out[i] = self.row[i]
        out[0] = np.ndarray((n,), ">u2", records, 1, (width,))
        for column, end, n_chars in self.texts:
            if n_chars == 1:
                out[column] = records[:, end - 1]
            else:
                word = np.ndarray((n,), "<u8", records, end - 8, (width,)) & np.uint64(_last(n_chars, 8))
                out[column] = word.byteswap()
        numbers: list[Words] = [row for words in self.by_width for row in words.read(records)]
        ok: Bools | None = None
        for c in self.columns:
            fine = _READ[c.kind](c, [numbers[i] for i in c.words], out[c.column])
            if fine is not None:
                ok = fine if ok is None else ok & fine
        return out, ok


def plan_of(sentence: Sentence, row: list[float]) -> Plan | None:
    """How to read the lines of the sentence's layout; None where a field is no plain value.

    ``row`` is the scalar reader's row of this very line: its columns without digits hold for all lines of the layout.
    """
    plan = Plan(row)
    fields = sentence.fields
    ends, at = [], 1
    for text in fields:
        at += len(text)
        ends.append(at)
        at += 1
    limit = len(fields)
    if sentence.formatter == "GSV":
        limit = 4 + max(0, limit - 4) // 4 * 4
    for column, item in enumerate(SENTENCES[sentence.formatter], 1):
        index = item.index
        if index < 0:  # GSV's signal ID, read from behind
            has_signal = len(fields) > 4 and (len(fields) - 4) % 4 == 1
            index = len(fields) - 1 if has_signal else len(fields)
        elif index >= limit:
            continue
        if index >= len(fields):
            continue
        if not _plan_field(plan, column, item, fields, index, ends[index]):
            return None
    return plan.finish()


def _plan_field(plan: Plan, column: int, item: Field, fields: list[bytes], index: int, end: int) -> bool:
    """Plan one column; False where its field is hard to read."""
    text = fields[index]
    match item.kind:
        case "minute_decimals":
            plan.row[column] = float(len(text.partition(b".")[2])) if text else float("nan")
            return True  # the angle of the same field is planned too, or there is no plan
        case "decimals":
            return not text or _is_number(text)
        case "latitude" | "longitude":
            return not text or _plan_angle(plan, column, item.kind, fields, index, end)
    if not _DIGIT.search(text):
        return True
    match item.kind:
        case "number" | "knots":
            return _plan_number(plan, column, item.kind, text, end)
        case "hex" | "date":
            if not text.isdigit() or len(text) != (1 if item.kind == "hex" else 6):
                return False
            return _plan_number(plan, column, "number", text, end)
        case "text":
            plan.texts.append((column, end, len(text)))
            return len(text) <= 6
        case _:
            return _plan_time(plan, column, text, end)


def _is_number(text: bytes) -> bool:
    found = _NUMBER.fullmatch(text)
    return found is not None and 1 <= len(found[2]) + len(found[4] or b"") <= _MOST_DIGITS


def _plan_number(plan: Plan, column: int, kind: str, text: bytes, end: int) -> bool:
    found = _NUMBER.fullmatch(text)
    if found is None or not _is_number(text):
        return False
    n_whole, n_part = len(found[2]), len(found[4] or b"")
    if n_whole + n_part + 1 <= 8 or not found[3]:
        words = [plan.word(end, n_part if found[3] else n_whole, n_whole if found[3] else 0)]
    else:
        words = [plan.word(end - n_part - 1, n_whole), plan.word(end, n_part)]
    plan.columns.append(_Column(column, kind, tuple(words), n_part, bool(found[1])))
    return True


def _plan_time(plan: Plan, column: int, text: bytes, end: int) -> bool:
    found = _TIME.fullmatch(text)
    if found is None:
        return False
    n_part = len(found[2] or b"")
    begin = end - len(text)
    words = [plan.word(begin + 2, 2), plan.word(begin + 4, 2), plan.word(begin + 6, 2)]
    if n_part:
        words.append(plan.word(end, n_part))
    plan.columns.append(_Column(column, "time", tuple(words), n_part))
    return True


def _plan_angle(plan: Plan, column: int, kind: str, fields: list[bytes], index: int, end: int) -> bool:
    found = _ANGLE.fullmatch(fields[index])
    positive, negative, limit = _HEMISPHERES[kind]
    if found is None or index + 1 >= len(fields) or fields[index + 1] not in (positive, negative):
        return False
    n_whole, n_part = len(found[1]), len(found[2] or b"")
    if n_whole + n_part > _MOST_DIGITS:
        return False
    point = end - len(fields[index]) + n_whole
    words = [plan.word(point - 2, n_whole - 2), plan.word(point, 2)]
    if n_part:
        words.append(plan.word(end, n_part))
    plan.columns.append(_Column(column, "angle", tuple(words), n_part, fields[index + 1] == negative, limit))
    return True


def _last(n: int, width: int) -> int:
    """Mask of the last ``n`` of ``width`` characters."""
    return ((1 << 8 * n) - 1) << 8 * (width - n)


def _read_number(c: _Column, words: Read, into: Floats) -> None:
    into[:] = words[0]
    power = float(10**c.decimals)
    if len(words) > 1:
        into *= power
        into += words[1]
        into /= power
    elif c.decimals:
        into /= power
    if c.negative:
        np.negative(into, out=into)


def _read_knots(c: _Column, words: Read, into: Floats) -> None:
    _read_number(c, words, into)
    into *= KNOT_M_S


def _read_time(c: _Column, words: Read, into: Floats) -> Bools:
    """Four digits of the fraction, the rest cut off, then rounded half up to milliseconds."""
    hour, minute, second = words[:3]
    into[:] = hour
    into *= 60.0
    into += minute
    into *= 60.0
    into += second
    into *= 1000.0
    if c.decimals > 3:
        tenths = np.floor(words[3].astype(np.float64) * 10_000.0 / float(10**c.decimals))
        into += np.floor((tenths + 5.0) / 10.0)
    elif c.decimals:
        into += words[3].astype(np.float64) * float(10 ** (3 - c.decimals))
    fine: Bools = (hour <= 23) & (minute <= 59)
    fine &= second <= 60
    return fine


def _read_angle(c: _Column, words: Read, into: Floats) -> Bools:
    into[:] = words[1]
    if c.decimals:
        power = float(10**c.decimals)
        into *= power
        into += words[2]
        into /= power
    fine: Bools = words[1] < 60
    into /= 60.0
    into += words[0]
    fine &= into <= c.limit
    if c.negative:
        np.negative(into, out=into)
    return fine


_READ = {"number": _read_number, "knots": _read_knots, "time": _read_time, "angle": _read_angle}
