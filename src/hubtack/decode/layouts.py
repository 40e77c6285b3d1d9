"""Layouts: a line of a log with its digits left open. A receiver writes millions of lines in a few dozen of them.

    $GNHDT,308.728,T*2D\\r\\n   and   $GNHDT,119.004,T*2A\\r\\n   have the layout   $??HDT,000.000,T*..\\r\\n

What a line says where is worked out once for each layout, by the scalar reader's own rules; then all lines of a
layout are read by a few whole-array steps over eight characters each. A line fits a layout where every byte is the
layout's own, or a digit where it has one, or a capital where the talker stands. So a layout holds for every line that
fits it, and one that is hard to read (spaces, signs in odd places, more digits than a float holds) is none at all: its
lines are left to the other readers.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.nmea import Sentence, parse_sentence, sentence_row
from hubtack.decode.plain_fields import Plan, plan_of
from hubtack.knowledge.sentences import SENTENCES

Longs = NDArray[np.uint64]
Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LONGEST = 128  # bytes of a line with its end; longer ones are left to the other readers
SHORTEST = 11  # "$AAAAA,*00\n"
_LINE = re.compile(rb"\$([A-Z0-9]{2})([A-Z0-9]{3}),[\x20-\x23\x25-\x29\x2b-\x7e]*\*[0-9A-Fa-f]{2}\r?\n")
_OWN = re.compile(rb"\$(P[A-Z0-9]{2,9})(?:,[\x20-\x23\x25-\x29\x2b-\x7e]*)?\*[0-9A-Fa-f]{2}\r?\n")  # a maker's own
_HARD = re.compile(rb"[ +]")
_DIGITS = b"0123456789"
_TO_ZERO = bytes.maketrans(_DIGITS, b"0" * 10)

# A byte that differs from the layout's in ``x = byte ^ own`` has its top bit set in ``(x + add) | x``.
_ADD_LITERAL, _ADD_DIGIT, _ADD_CAPITAL = 0x7F, 0x76, 0x60
_TOP_BITS = np.uint64(0x8080808080808080)
_TWO_HEX = np.full(65_536, -1, dtype=np.int16)  # what two characters say, as one little-endian word; -1 for no digits
for _high in b"0123456789abcdefABCDEF":
    for _low in b"0123456789abcdefABCDEF":
        _TWO_HEX[_low << 8 | _high] = int(bytes((_high, _low)), 16)


@dataclass(slots=True, eq=False)
class Layout:
    """One layout: how to tell a line that fits it, and how to read it.

    ``own`` and ``add`` (words, 1) are the bytes of the layout by eights and what is added to find a difference;
    ``keep`` tells which bytes count in the words from ``open_from`` on, in those before all do. ``own_sum`` is the
    checksum of ``own``, and ``before_star`` the bytes of the star's word that are in it. ``plan`` is None for a sentence
    that is only counted, under ``name``.
    """

    name: str
    length: int
    star: int
    own: Longs
    keep: Longs
    add: Longs
    open_from: int
    own_sum: np.uint8
    before_star: np.uint64
    open_talker: bool
    plan: Plan | None
    hits: int = 0

    def fits(self, records: Bytes, *, plain: bool = False) -> Bools:
        """Which of n lines, (n, bytes) in whole words, fit and have a good checksum.

        ``plain`` says that no byte is beyond ASCII, which spares one step of five.
        """
        x = np.ascontiguousarray(records.view("<u8").T)
        x ^= self.own
        # The sum over the line follows from that over the differences, since that of the layout is known.
        last = self.star // 8
        xor = x[last] & self.before_star
        xor ^= np.bitwise_xor.reduce(x[:last], axis=0)
        for shift in (32, 16, 8):
            xor ^= xor >> np.uint64(shift)
        x[self.open_from :] &= self.keep
        if plain:
            x += self.add
        else:
            x |= x + self.add
        wrong = np.bitwise_or.reduce(x, axis=0)
        wrong &= _TOP_BITS
        n, width = records.shape
        said = _TWO_HEX.take(np.ndarray((n,), "<u2", records, self.star + 1, (width,)))
        good: Bools = said == (xor.astype(np.uint8) ^ self.own_sum)
        good &= wrong == 0
        if self.open_talker:
            good &= records[:, 1] != 80  # P begins a maker's own sentence
        return good


def layout_of(line: bytes) -> Layout | None:
    """The layout of a line with its end; None for a line that is hard to read."""
    match, own = _LINE.fullmatch(line), _OWN.fullmatch(line)
    if match is None and own is None:
        return None
    star = line.rfind(b"*")
    sentence = parse_sentence(line[:star])  # the checksum stays out of it: the digits decide that
    if own is not None:
        return _layout(line, own.end(1), star, sentence.formatter, open_talker=False, plan=None)
    if not all(64 <= c < 96 for c in line[1:3]):
        return None
    plan = None
    if sentence.formatter in SENTENCES:
        plan = None if _HARD.search(line) else _plan(sentence)
        if plan is None:
            return None
    return _layout(line, 6, star, sentence.formatter, open_talker=True, plan=plan)


def _plan(sentence: Sentence) -> Plan | None:
    row = sentence_row(sentence, float("nan"))
    return None if row is None else plan_of(sentence, row)


def _layout(line: bytes, begin: int, star: int, name: str, *, open_talker: bool, plan: Plan | None) -> Layout:
    n = -(-len(line) // 8) * 8
    own, keep, add = bytearray(n), bytearray(n), bytearray(n)
    for i, c in enumerate(line):
        if star < i < star + 3:
            continue
        keep[i] = 0xFF
        if open_talker and i in (1, 2):
            own[i], add[i] = 64, _ADD_CAPITAL
        elif begin <= i < star and c in _DIGITS:
            own[i], add[i] = 48, _ADD_DIGIT
        else:
            own[i], add[i] = c, _ADD_LITERAL
    by_eight = [np.frombuffer(bytes(part), dtype="<u8").reshape(-1, 1) for part in (own, keep, add)]
    open_from = (star + 1) // 8
    # The dollar sign is in the sum over the words and not in the checksum.
    own_sum = np.bitwise_xor.reduce(np.frombuffer(own[:star], dtype=np.uint8)) ^ np.uint8(36)
    before_star = np.uint64((1 << 8 * (star % 8)) - 1)
    return Layout(
        name, len(line), star, by_eight[0], by_eight[1][open_from:], by_eight[2], open_from, own_sum, before_star,
        open_talker, plan,
    )  # fmt: skip


@dataclass(slots=True)
class LayoutBook:
    """The layouts met so far, by what is common to a group of lines. Bounded; what it holds changes no result."""

    by_group: dict[int, list[Layout]] = field(default_factory=dict)
    hard: set[bytes] = field(default_factory=set)  # sketches of lines that have no layout

    def known(self, group: int, length: int) -> list[Layout]:
        """Layouts of a group, the commonest first."""
        return sorted(
            (layout for layout in self.by_group.get(group, ()) if layout.length == length),
            key=lambda layout: -layout.hits,
        )

    def new(self, group: int, line: bytes) -> Layout | None:
        """The layout of a line, kept for later; None for a line that is hard to read."""
        sketch = line.translate(_TO_ZERO)
        if sketch in self.hard:
            return None
        layout = layout_of(line)
        if layout is None:
            if len(self.hard) >= _MOST_GROUPS:
                self.hard.clear()
            self.hard.add(sketch)
            return None
        if len(self.by_group) >= _MOST_GROUPS:
            self.by_group.clear()
        layouts = self.by_group.setdefault(group, [])
        if len(layouts) >= MOST_PER_GROUP:
            layouts.remove(min(layouts, key=lambda other: other.hits))
        layouts.append(layout)
        return layout


MOST_PER_GROUP = 16
_MOST_GROUPS = 2048
