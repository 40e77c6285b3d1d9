"""Where the values of one kind of sentence go among the rows, worked out once for all its columns."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import pack_text
from hubtack.epochs.columns import FLOAT_COLUMNS, Epochs

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TALKER_GN = pack_text(b"GN")


_MOST_RUNS = 12
_FEW = 64  # rows that are blanked at once and not column by column


@dataclass(slots=True)
class Filling:
    """Rows in the making. ``fresh`` are the columns that nobody has written yet: what is in them means nothing."""

    epochs: Epochs
    fresh: set[str] = field(default_factory=set)

    @classmethod
    def of(cls, n: int) -> Filling:
        """``n`` rows of which nothing is known."""
        if n <= _FEW:
            return cls(Epochs.blank(n))
        return cls(Epochs.blank(n, filled=False), set(FLOAT_COLUMNS))

    def column(self, name: str) -> Floats:
        """A column to write in, NaN where nothing has been written."""
        target: Floats = getattr(self.epochs, name)
        if name in self.fresh:
            target.fill(np.nan)
            self.fresh.discard(name)
        return target

    def first_valid(self, place: Place, name: str, value: Floats) -> None:
        """Give each row of a column the first value that is there (``Place.first_valid``)."""
        if place.runs is None or name not in self.fresh:
            place.first_valid(self.column(name), value)
            return
        target = getattr(self.epochs, name) if len(place.row) == place.n_rows else self.column(name)
        for there, here in place.runs:
            target[there] = value[here]
        self.fresh.discard(name)

    def finish(self) -> Epochs:
        """The rows, when all has been filled in."""
        for name in tuple(self.fresh):
            self.column(name)
        return self.epochs


@dataclass(slots=True)
class Place:
    """Rows of n sentences of one kind.

    In nearly every log a row has at most one GGA, one HDT and so on, and mostly exactly one; then no value needs to be
    looked for. ``once`` says that rows grow from sentence to sentence; ``runs`` are the stretches, (rows, sentences), in
    which they do so one by one, where there are few of them. ``order`` is the order of preference where a row has
    several: by row, talker GN first, then as they came.
    """

    row: Ints
    n_rows: int
    once: bool
    runs: list[tuple[slice, slice]] | None
    order: Ints | None = None
    _first: Ints | None = None  # of each row's sentences, in that order

    @classmethod
    def of(cls, row: Ints, n_rows: int, talker: Floats) -> Place:
        """Place of sentences in ``row`` (n,) of ``n_rows``."""
        step = row[1:] - row[:-1]
        once = bool((step > 0).all())
        place = cls(row, n_rows, once, _runs(row, step) if once else None)
        if not once:
            gn = talker == TALKER_GN
            mixed = bool(gn.any()) and not bool(gn.all())
            if mixed or bool((step < 0).any()):
                place.order = np.lexsort((np.arange(len(row)), ~gn, row))
        return place

    def first_valid(self, target: Floats, value: Floats) -> None:
        """Give each row the first value that is there; empty never counts, and what a row has it keeps."""
        if self.runs is not None:
            for there, here in self.runs:
                held = target[there]
                np.copyto(held, value[here], where=np.isnan(held))
            return
        row = self.row
        if not self.once:
            valid = ~np.isnan(value)
            if valid.all():
                first = self._firsts()
                row, value = row[first], value[first]
            else:
                if self.order is not None:
                    row, value, valid = row[self.order], value[self.order], valid[self.order]
                row, value = row[valid], value[valid]
                if not len(row):
                    return
                leads = _leads(row)
                row, value = row[leads], value[leads]
        held = target[row]
        missing = np.isnan(held)
        target[row] = value if missing.all() else np.where(missing, value, held)

    def _firsts(self) -> Ints:
        if self._first is None:
            row = self.row if self.order is None else self.row[self.order]
            first = np.flatnonzero(_leads(row))
            self._first = first if self.order is None else self.order[first]
        return self._first

    def keep_least(self, target: Ints, value: Ints) -> None:
        """Keep the least of what each row has and is given."""
        if self.runs is not None:
            for there, here in self.runs:
                np.minimum(target[there], value[here], out=target[there])
        elif self.once:
            target[self.row] = np.minimum(target[self.row], value)
        else:
            np.minimum.at(target, self.row, value)

    def keep_most(self, target: Ints, value: Ints) -> None:
        """Keep the most of what each row has and is given."""
        if self.runs is not None:
            for there, here in self.runs:
                np.maximum(target[there], value[here], out=target[there])
        elif self.once:
            target[self.row] = np.maximum(target[self.row], value)
        else:
            np.maximum.at(target, self.row, value)

    def mark(self, target: Ints, bit: int) -> None:
        """Set a bit in every row that has a sentence."""
        if self.runs is not None:
            for there, _ in self.runs:
                target[there] |= bit
        else:
            target[self.row] |= bit  # twice the same row gives the same bit

    def total(self, counts: Floats) -> Ints:
        """Sum of whole numbers by row (n_rows,); exact, so the order cannot matter."""
        return np.bincount(self.row, weights=counts, minlength=self.n_rows).astype(np.int64)

    def seen(self) -> Bools:
        """Rows that have such a sentence."""
        has = np.zeros(self.n_rows, dtype=bool)
        has[self.row] = True
        return has


def _runs(row: Ints, step: Ints) -> list[tuple[slice, slice]] | None:
    """Stretches of rows that grow one by one; None where there are many. ``row`` (n,) grows, n > 0."""
    if int(row[-1]) - int(row[0]) == len(step):
        return [(slice(int(row[0]), int(row[-1]) + 1), slice(0, len(row)))]
    breaks = np.flatnonzero(step != 1) + 1
    if len(breaks) >= _MOST_RUNS:
        return None
    bounds = [0, *breaks.tolist(), len(row)]
    first = row[bounds[:-1]].tolist()
    return [(slice(r, r + b - a), slice(a, b)) for r, a, b in zip(first, bounds, bounds[1:], strict=False)]


def _leads(row: Ints) -> Bools:
    """Where another row begins."""
    leads = np.empty(len(row), dtype=bool)
    leads[:1] = True
    np.not_equal(row[1:], row[:-1], out=leads[1:])
    return leads
