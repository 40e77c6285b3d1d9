"""The lines of a block that fit a layout (decode.layouts), read a layout at a time; which lines are left is told."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.layouts import LONGEST, SHORTEST, Layout, LayoutBook
from hubtack.decode.tables import Rows

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_LINES = 6  # of a layout in a block; fewer cost the scalar reader less
MARGIN = LONGEST + 8  # bytes behind the last line, so that every line can be taken by whole words
_NEW_A_GROUP = 8  # layouts looked at anew for one group of a block; who changes them at every line has none
_LF = 10
_MIX = np.uint32(0x91B7584B)  # spreads the formatters in use over eight bits without two in one place


@dataclass(slots=True)
class _Part:
    """Lines of one layout: their places in the kind, columns (columns, n) and the length up to the checksum's end."""

    at: Ints
    values: Floats
    length: int


@dataclass(slots=True)
class _Kind:
    """Lines of one formatter in the order of the block, by number and first byte, and what has been read of them."""

    line: Ints
    start: Ints
    group: int
    plain: bool  # no byte of the block is beyond ASCII
    parts: dict[str, list[_Part]] = field(default_factory=dict)


@dataclass(slots=True)
class Tidy:
    """A block by its lines, of which ``taken`` are read.

    Attributes
    ----------
    start, stop : (n,) int64
        First byte of each line and one past its line feed.
    taken : (n,) bool
        Lines that fit a layout and have been read or counted.
    rows : dict
        A table for each formatter, in the order of the lines; places count from the block's first byte.
    """

    start: Ints
    stop: Ints
    taken: Bools
    by_formatter: dict[str, int] = field(default_factory=dict)
    rows: dict[str, Rows] = field(default_factory=dict)

    def tables(self, base: int) -> dict[str, Rows]:
        """The tables, for a block that starts at ``base`` of the stream."""
        return {name: Rows(name, rows.pos + base, rows.end + base, rows.values) for name, rows in self.rows.items()}

    def note(self, kind: _Kind) -> None:
        """Make the tables of what has been read of a kind; lines of one formatter are all in one kind."""
        for name, parts in kind.parts.items():
            self.rows[name] = _table(name, kind.start, parts)


def _table(name: str, start: Ints, parts: list[_Part]) -> Rows:
    """The parts of a kind as one table; ``start`` (n,) is where each line of the kind begins."""
    if len(parts) == 1:
        part = parts[0]
        pos = start[part.at]
        return Rows(name, pos, pos + part.length, part.values.T)
    at = np.concatenate([part.at for part in parts])
    n = len(at)
    length = np.empty(len(start), dtype=np.int64)
    for part in parts:
        length[part.at] = part.length
    if n == len(start):
        rank, pos, end = at, start, start + length
    else:
        here = np.zeros(len(start), dtype=bool)
        here[at] = True
        rank = np.cumsum(here)[at] - 1
        pos = start[here]
        end = pos + length[here]
    order = np.empty(n, dtype=np.int64)  # by counting, which costs less than a sort
    order[rank] = np.arange(n)
    values = np.concatenate([part.values for part in parts], axis=1)
    return Rows(name, pos, end, values.take(order, axis=1, mode="clip").T)


def read_layouts(text: bytes, book: LayoutBook, size: int | None = None) -> Tidy:
    """Read what fits a layout of the first ``size`` bytes of ``text`` (None: of all), which end with a line feed.

    ``book`` knows layouts and learns new ones.
    """
    size = len(text) if size is None else size
    if len(text) < size + MARGIN:
        text = text[:size] + bytes(MARGIN)
    every = np.frombuffer(text, dtype=np.uint8, count=size)
    stop = _line_feeds(every) + 1
    start = np.concatenate(([0], stop[:-1]))
    tidy = Tidy(start, stop, np.zeros(len(start), dtype=bool))
    length = stop - start if len(stop) else start[:0]
    able = (length >= SHORTEST) & (length <= LONGEST)
    if not able.any():
        return tidy
    line = None if able.all() else np.flatnonzero(able)
    begin, length = (start, length) if line is None else (start[line], length[line])
    # Lines of one formatter make a kind, by the four characters from its first letter on.
    head = np.ndarray((len(text) - 7,), "V4", text, 3, (1,))[begin].view("<u4")
    kind = (head * _MIX >> np.uint32(24)).astype(np.uint8)
    order = np.argsort(kind, kind="stable")
    kind, begin, size_of = kind[order], begin[order], length.astype(np.uint8)[order]
    line = order if line is None else line[order]
    plain = int(every.max()) < 128
    bounds = [0, *(np.flatnonzero(kind[1:] != kind[:-1]) + 1).tolist(), len(kind)]
    for a, b in pairwise(bounds):
        if b - a >= LEAST_LINES:
            _read_kind(tidy, book, _Kind(line[a:b], begin[a:b], int(kind[a]), plain), size_of[a:b], text)
    return tidy


def _line_feeds(text: Bytes) -> Ints:
    """Places of the line feeds. By eights first, since few bytes are line feeds."""
    here = text == _LF
    whole = len(here) // 8 * 8
    eights = here[:whole].view(np.uint64)
    at = np.flatnonzero(eights != 0)
    found = eights[at]
    if (found & (found - np.uint64(1))).any():  # two of them in one
        return np.flatnonzero(here)
    place = (found.astype(np.float64).view(np.int64) >> 55) - 127  # a power of two: its exponent tells the byte
    rest = np.flatnonzero(here[whole:]) + whole
    return np.concatenate((at * 8 + place, rest)) if len(rest) else at * 8 + place


def _read_kind(tidy: Tidy, book: LayoutBook, kind: _Kind, length: Bytes, text: bytes) -> None:
    counts = np.bincount(length)
    for size in np.flatnonzero(counts >= LEAST_LINES).tolist():
        if counts[size] == len(length):
            at, start = np.arange(len(length)), kind.start
        else:
            at = np.flatnonzero(length == size)
            start = kind.start[at]
        _read_group(tidy, book, kind, at, size, _records(text, start, size))
    tidy.note(kind)


def _records(text: bytes, start: Ints, size: int) -> Bytes:
    """The lines as (n, bytes), each with up to seven bytes more so that it is whole words."""
    width = -(-size // 8) * 8
    every = np.ndarray((len(text) - width + 1,), f"V{width}", text, 0, (1,))
    return every[start].view(np.uint8).reshape(len(start), width)


def _read_group(tidy: Tidy, book: LayoutBook, kind: _Kind, at: Ints, size: int, records: Bytes) -> None:
    for layout in book.known(kind.group, size):
        at, records = _take(tidy, layout, kind, at, records)
        if len(at) < LEAST_LINES:
            return
    for _ in range(_NEW_A_GROUP):
        new = book.new(kind.group, records[0, :size].tobytes())
        if new is None:
            at, records = at[1:], records[1:]
        else:
            at, records = _take(tidy, new, kind, at, records)
        if len(at) < LEAST_LINES:
            return


def _take(tidy: Tidy, layout: Layout, kind: _Kind, at: Ints, records: Bytes) -> tuple[Ints, Bytes]:
    """Read the lines that fit; the rest comes back."""
    fits = layout.fits(records, plain=kind.plain)
    n = int(np.count_nonzero(fits))
    layout.hits += n
    rest = (at[:0], records[:0])
    if n < len(at):
        rest = (at[~fits], records[~fits])
        at, records = at[fits], records[fits]
    if n < LEAST_LINES:
        return rest
    if layout.plan is None:
        tidy.by_formatter[layout.name] = tidy.by_formatter.get(layout.name, 0) + n
    else:
        values, ok = layout.plan.read(records)
        if ok is not None and not ok.all():
            at, values = at[ok], values[:, ok]
        if len(at):
            kind.parts.setdefault(layout.name, []).append(_Part(at, values, layout.star + 3))
    tidy.taken[kind.line[at]] = True
    return rest
