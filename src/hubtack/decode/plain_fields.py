"""How the fields of one layout are read: which characters make which column, worked out once, used on every line.

Characters are taken eight at a time as one little-endian word that ends with the field. With everything but the
digits struck out, three multiplications make a number of them. A number is ``mantissa / 10**decimals`` with a
mantissa of at most 15 digits, which IEEE division rounds correctly, as ``float()`` does.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.nmea import Sentence
from hubtack.knowledge.sentences import SENTENCES, Field
from hubtack.units import KNOT_M_S

Longs = NDArray[np.uint64]
Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_NUMBER = re.compile(rb"(-?)(\d{0,8})(?:(\.)(\d{0,8}))?")
_TIME = re.compile(rb"(\d{6})(?:\.(\d{0,8}))?")
_ANGLE = re.compile(rb"(\d{3,5})(?:\.(\d{0,8}))?")
_DIGIT = re.compile(rb"\d")
_MOST_DIGITS = 15
_HEMISPHERES = {"latitude": (b"N", b"S", 90.0), "longitude": (b"E", b"W", 180.0)}

_ASCII_ZEROS = np.uint64(0x3030303030303030)
_PAIRS, _FOURS, _EIGHT = np.uint64(0x00FF00FF00FF00FF), np.uint64(0x0000FFFF0000FFFF), np.uint64(0xFFFFFFFF)
_TEN, _HUNDRED, _MYRIAD = np.uint64(10), np.uint64(100), np.uint64(10_000)
_8, _16, _32 = np.uint64(8), np.uint64(16), np.uint64(32)


@dataclass(slots=True)
class _Word:
    """Eight characters that end before ``end``: digits at their own place, and digits before a point, one byte off."""

    end: int
    own: int
    before_point: int = 0


@dataclass(frozen=True, slots=True)
class _Column:
    """A column that is read: from the words ``whole`` and ``part`` (-1: none), with ``decimals`` behind the point."""

    column: int
    kind: str
    whole: int
    part: int
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
    _own: Longs = field(default_factory=lambda: np.zeros((0, 1), dtype=np.uint64))
    _before: Longs = field(default_factory=lambda: np.zeros((0, 1), dtype=np.uint64))

    def word(self, end: int, n_own: int, n_before: int = 0) -> int:
        """Number of a new word: ``n_own`` digits up to ``end``, and ``n_before`` more before a point."""
        before = ((1 << 8 * n_before) - 1) << 8 * (7 - n_own - n_before) if n_before else 0
        self.words.append(_Word(end, _last(n_own), before))
        return len(self.words) - 1

    def finish(self) -> Plan:
        """Make the masks of all words; those with a point in them come first."""
        order = sorted(range(len(self.words)), key=lambda i: self.words[i].before_point == 0)
        place = {old: new for new, old in enumerate(order)} | {-1: -1}
        self.words = [self.words[i] for i in order]
        self.columns = [
            _Column(c.column, c.kind, place[c.whole], place[c.part], c.decimals, c.negative, c.limit)
            for c in self.columns
        ]
        self._own = np.array([w.own for w in self.words], dtype=np.uint64).reshape(-1, 1)
        before = [w.before_point for w in self.words if w.before_point]
        self._before = np.array(before, dtype=np.uint64).reshape(-1, 1)
        read = {c.column for c in self.columns} | {c for c, _, _ in self.texts} | {0}
        self.constant = [i for i in range(len(self.row)) if i not in read]
        return self

    def read(self, records: Bytes) -> tuple[Floats, Bools | None]:
        """Columns (columns, n) of the lines ``records`` (n, bytes), and which lines are in range (None: all)."""
        n, width = records.shape
        out = np.empty((len(self.row), n))
        for i in self.constant:
            out[i] = self.row[i]
        out[0] = records[:, 1].astype(np.float64) * 256.0 + records[:, 2]
        for column, end, n_chars in self.texts:
            word = np.ndarray((n,), "<u8", records, end - 8, (width,)) & np.uint64(_last(n_chars))
            out[column] = word.byteswap()
        numbers = self._numbers(records)
        ok: Bools | None = None
        for c in self.columns:
            into = out[c.column]
            fine = _READ[c.kind](c, numbers, into)
            if fine is not None:
                ok = fine if ok is None else ok & fine
        return out, ok

    def _numbers(self, records: Bytes) -> Floats:
        """Value of each word, (words, n)."""
        n, width = records.shape
        raw = np.empty((len(self.words), n), dtype=np.uint64)
        for i, word in enumerate(self.words):
            raw[i] = np.ndarray((n,), "<u8", records, word.end - 8, (width,))
        raw ^= _ASCII_ZEROS
        points = len(self._before)
        if points:
            before = raw[:points] & self._before
            before <<= _8
            raw &= self._own
            raw[:points] |= before
        else:
            raw &= self._own
        low = raw >> _8
        raw *= _TEN
        raw += low
        raw &= _PAIRS
        np.right_shift(raw, _16, out=low)
        raw *= _HUNDRED
        raw += low
        raw &= _FOURS
        np.right_shift(raw, _32, out=low)
        raw *= _MYRIAD
        raw += low
        raw &= _EIGHT
        return raw.view(np.int64).astype(np.float64)


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
        whole, part = plan.word(end, n_part if found[3] else n_whole, n_whole if found[3] else 0), -1
    else:
        whole, part = plan.word(end - n_part - 1, n_whole), plan.word(end, n_part)
    plan.columns.append(_Column(column, kind, whole, part, n_part, bool(found[1])))
    return True


def _plan_time(plan: Plan, column: int, text: bytes, end: int) -> bool:
    found = _TIME.fullmatch(text)
    if found is None:
        return False
    n_part = len(found[2] or b"")
    whole = plan.word(end - len(text) + 6, 6)
    plan.columns.append(_Column(column, "time", whole, plan.word(end, n_part) if n_part else -1, n_part))
    return True


def _plan_angle(plan: Plan, column: int, kind: str, fields: list[bytes], index: int, end: int) -> bool:
    found = _ANGLE.fullmatch(fields[index])
    positive, negative, limit = _HEMISPHERES[kind]
    if found is None or index + 1 >= len(fields) or fields[index + 1] not in (positive, negative):
        return False
    n_whole, n_part = len(found[1]), len(found[2] or b"")
    if n_whole + n_part > _MOST_DIGITS:
        return False
    whole = plan.word(end - len(fields[index]) + n_whole, n_whole)
    part = plan.word(end, n_part) if n_part else -1
    plan.columns.append(_Column(column, "angle", whole, part, n_part, fields[index + 1] == negative, limit))
    return True


def _last(n: int) -> int:
    """Mask of the last ``n`` of eight characters."""
    return ((1 << 8 * n) - 1) << 8 * (8 - n)


def _read_number(c: _Column, numbers: Floats, into: Floats) -> None:
    power = float(10**c.decimals)
    if c.part >= 0:
        np.multiply(numbers[c.whole], power, out=into)
        into += numbers[c.part]
        into /= power
    elif c.decimals:
        np.divide(numbers[c.whole], power, out=into)
    else:
        into[:] = numbers[c.whole]
    if c.negative:
        np.negative(into, out=into)


def _read_knots(c: _Column, numbers: Floats, into: Floats) -> None:
    _read_number(c, numbers, into)
    into *= KNOT_M_S


def _read_time(c: _Column, numbers: Floats, into: Floats) -> Bools:
    """Four digits of the fraction, the rest cut off, then rounded half up to milliseconds."""
    whole = numbers[c.whole]
    hour = np.floor(whole / 10_000.0)
    rest = whole - hour * 10_000.0
    minute = np.floor(rest / 100.0)
    second = rest - minute * 100.0
    np.multiply(hour, 3600.0, out=into)
    into += minute * 60.0
    into += second
    into *= 1000.0
    if c.part >= 0:
        tenths = np.floor(numbers[c.part] * (10_000.0 / 10**c.decimals)) if c.decimals <= 4 else np.floor(
            numbers[c.part] * 10_000.0 / float(10**c.decimals)
        )  # fmt: skip
        into += np.floor((tenths + 5.0) / 10.0)
    fine: Bools = (hour <= 23.0) & (minute <= 59.0) & (second <= 60.0)
    return fine


def _read_angle(c: _Column, numbers: Floats, into: Floats) -> Bools:
    whole = numbers[c.whole]
    degrees = np.floor(whole / 100.0)
    minutes = whole - degrees * 100.0
    if c.part >= 0:
        power = float(10**c.decimals)
        minutes *= power
        minutes += numbers[c.part]
        minutes /= power
    np.divide(minutes, 60.0, out=into)
    into += degrees
    fine: Bools = (minutes < 60.0) & (into <= c.limit)
    if c.negative:
        np.negative(into, out=into)
    return fine


_READ = {"number": _read_number, "knots": _read_knots, "time": _read_time, "angle": _read_angle}
