"""The lines of a block that fit a layout (decode.layouts), read a layout at a time; which lines are left is told."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.layouts import LONGEST, SHORTEST, Layout, LayoutBook
from hubtack.decode.tables import Rows

Bytes = NDArray[np.uint8]
Longs = NDArray[np.uint64]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_LINES = 6  # of a layout in a block; fewer cost the scalar reader less
_NEW_A_GROUP = 8  # layouts looked at anew for one group of a block; who changes them at every line has none
_LF = 10
_MARGIN = LONGEST + 8
_FORMATTER = np.uint64(0xFFFFFF)
_MIX, _MIX_LENGTH = np.uint64(0x9E3779B97F4A7C15), np.uint64(0xC2B2AE3D27D4EB4F)


@dataclass(slots=True)
class _Part:
    """Lines of one layout: their numbers, columns (columns, n) and the length up to the checksum's end."""

    line: Ints
    values: Floats
    length: int


@dataclass(slots=True)
class Tidy:
    """A block by its lines, of which ``taken`` are read.

    Attributes
    ----------
    start, stop : (n,) int64
        First byte of each line and one past its line feed.
    taken : (n,) bool
        Lines that fit a layout and have been read or counted.
    """

    start: Ints
    stop: Ints
    taken: Bools
    by_formatter: dict[str, int] = field(default_factory=dict)
    parts: dict[str, list[_Part]] = field(default_factory=dict)

    def tables(self, base: int) -> dict[str, Rows]:
        """A table for each formatter, in the order of the lines; ``base`` is the block's offset in the stream."""
        return {name: self._table(name, parts, base) for name, parts in self.parts.items()}

    def _table(self, name: str, parts: list[_Part], base: int) -> Rows:
        if len(parts) == 1:
            part = parts[0]
            pos = self.start[part.line] + base
            return Rows(name, pos, pos + part.length, part.values.T)
        line = np.concatenate([part.line for part in parts])
        length = np.repeat([part.length for part in parts], [len(part.line) for part in parts])
        # The order of the lines by counting, which costs less than a sort.
        here = np.zeros(len(self.start), dtype=bool)
        here[line] = True
        order = np.empty(len(line), dtype=np.int64)
        order[np.cumsum(here)[line] - 1] = np.arange(len(line))
        pos = self.start[line[order]] + base
        values = np.concatenate([part.values for part in parts], axis=1)
        return Rows(name, pos, pos + length[order], values.take(order, axis=1).T)


def read_layouts(block: bytes, book: LayoutBook) -> Tidy:
    """Read what fits a layout of a block that ends with a line feed; ``book`` knows layouts and learns new ones."""
    padded = block + bytes(_MARGIN)
    stop = np.flatnonzero(np.frombuffer(padded, dtype=np.uint8, count=len(block)) == _LF) + 1
    start = np.concatenate(([0], stop[:-1]))
    tidy = Tidy(start, stop, np.zeros(len(start), dtype=bool))
    length = stop - start
    able = np.flatnonzero((length >= SHORTEST) & (length <= LONGEST))
    if not len(able):
        return tidy
    able_length = length[able]
    # Lines of one formatter and length make a group. Two that meet in one number are told apart by the layouts.
    heads = np.ndarray((len(padded) - 8,), "<u8", padded, 0, (1,))[start[able]]
    mixed = (heads >> np.uint64(24) & _FORMATTER) * _MIX
    mixed += able_length.astype(np.uint64) * _MIX_LENGTH
    group = (mixed >> np.uint64(48)).astype(np.uint16)
    order = np.argsort(group, kind="stable")
    group, able, able_length = group[order], able[order], able_length[order]
    bounds = [0, *(np.flatnonzero(group[1:] != group[:-1]) + 1).tolist(), len(group)]
    for a, b in pairwise(bounds):
        line, size = able[a:b], int(able_length[a])
        if b - a < LEAST_LINES:
            continue
        if (able_length[a:b] != size).any():
            line = line[able_length[a:b] == size]
        _read_group(tidy, book, int(group[a]), line, size, _records(padded, start[line], size))
    return tidy


def _records(padded: bytes, start: Ints, size: int) -> Bytes:
    """The lines as (n, bytes), each with up to seven bytes more so that it is whole words."""
    width = -(-size // 8) * 8
    every = np.ndarray((len(padded) - width,), f"V{width}", padded, 0, (1,))
    return every[start].view(np.uint8).reshape(len(start), width)


def _read_group(tidy: Tidy, book: LayoutBook, group: int, line: Ints, size: int, records: Bytes) -> None:
    for layout in book.known(group, size):
        line, records = _take(tidy, layout, line, records)
        if len(line) < LEAST_LINES:
            return
    for _ in range(_NEW_A_GROUP):
        new = book.new(group, records[0, :size].tobytes())
        if new is None:
            line, records = line[1:], records[1:]
        else:
            line, records = _take(tidy, new, line, records)
        if len(line) < LEAST_LINES:
            return


def _take(tidy: Tidy, layout: Layout, line: Ints, records: Bytes) -> tuple[Ints, Bytes]:
    """Read the lines that fit; the rest comes back."""
    words = np.ascontiguousarray(records.view("<u8").T)
    fits = layout.fits(words, records)
    n = int(np.count_nonzero(fits))
    layout.hits += n
    rest = (line[:0], records[:0])
    if n < len(line):
        rest = (line[~fits], records[~fits])
        line, records = line[fits], records[fits]
    if n < LEAST_LINES:
        return rest
    if layout.plan is None:
        tidy.by_formatter[layout.name] = tidy.by_formatter.get(layout.name, 0) + n
    else:
        values, ok = layout.plan.read(records)
        if ok is not None and not ok.all():
            line, values = line[ok], values[:, ok]
        if len(line):
            tidy.parts.setdefault(layout.name, []).append(_Part(line, values, layout.star + 3))
    tidy.taken[line] = True
    return rest
