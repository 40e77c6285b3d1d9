"""Rover epochs from decoded sentences, for any cut of the input the same.

``Assembler.feed`` takes the sentences decoded from the next stretch of one source and gives the rows that content has
closed; what belongs to rows still open waits. ``open_rows`` shows those as they stand, without touching them: that is
how a live screen never waits for a successor. ``close`` gives them out for good.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Rows
from hubtack.epochs.columns import KIND_BIT, KINDS, Epochs
from hubtack.epochs.fill import FILL
from hubtack.epochs.grouping import DROPPED, Grouped, group
from hubtack.epochs.place import Filling, Place

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TIMED = ("GGA", "GNS", "RMC", "GST", "GBS")
UNTIMED = ("HDT", "THS", "GSA", "GSV", "VTG", "ZDA")
MAIN_SILENT_MS = 3_000  # rows without GGA or GNS count as epochs only where neither has come for this long
_FEW = 8  # closed rows up to which the open ones are made along with them


@dataclass(slots=True)
class _Carry:
    """What one call leaves for the next, beside the sentences of the open rows themselves."""

    anchor_ms: int | None = None
    segment: int = 0
    last_main_ms: int | None = None  # time of the newest closed row with GGA or GNS, in its segment
    last_main_segment: int = -1
    gst: tuple[int, int, tuple[float, ...]] | None = None  # (segment, tod_ms, values) of the newest closed GST


@dataclass(slots=True)
class Assembler:
    """Puts the sentences of one rover source into rows. No I/O, no clock.

    Attributes
    ----------
    n_late : int
        Timed sentences that came too late; they are dropped, as are untimed ones before the first epoch.
    gst_hold_ms : int
        How long a GST that comes more slowly than the position serves for the rows after it.
    """

    pending: dict[str, Rows] = field(default_factory=dict)
    carry: _Carry = field(default_factory=_Carry)
    n_late: int = 0
    gst_hold_ms: int = 2_000
    _open: Epochs | None = None  # the open rows, where they have been made since the last sentence

    def feed(self, sentences: Mapping[str, Rows]) -> Epochs:
        """Rows closed by ``sentences``, which must follow all those fed before."""
        news = False
        for kind in KINDS:
            rows = sentences.get(kind)
            if rows is not None and len(rows):
                held = self.pending.get(kind)
                self.pending[kind] = Rows.concat([held, rows]) if held is not None and len(held) else rows
                news = True
        return self._run(final=False) if news else Epochs.blank(0)

    def close(self) -> Epochs:
        """The rows that are still open, closed by the end of input."""
        return self._run(final=True)

    def open_rows(self) -> Epochs:
        """The open rows as they stand, the caller's own; a later sentence may still add to them."""
        if self._open is None:
            self._open = self._twin()._run(final=True)
        return self._open.copy()

    def _twin(self) -> Assembler:
        """Another that goes on from here."""
        carry = self.carry
        return Assembler(
            dict(self.pending),
            _Carry(carry.anchor_ms, carry.segment, carry.last_main_ms, carry.last_main_segment, carry.gst),
            gst_hold_ms=self.gst_hold_ms,
        )

    def _run(self, *, final: bool) -> Epochs:
        self._open = None
        timed = [(kind, rows) for kind in TIMED if (rows := self.pending.get(kind)) is not None and len(rows)]
        times = [rows["time_ms"] for _, rows in timed]
        known = [_known(t) for t in times]
        parts = [rows.end[k] for (_, rows), k in zip(timed, known, strict=True)]
        ends: Ints = np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)
        if len(ends) == 0:
            self._drop_strays()
            return Epochs.blank(0)
        order = np.argsort(ends, kind="stable")
        time_ms = np.concatenate([t[k] for t, k in zip(times, known, strict=True)])[order].astype(np.int64)
        grouped = group(time_ms, self.carry.anchor_ms, self.carry.segment)
        self.n_late += grouped.n_late
        row_of_timed = np.empty(len(order), dtype=np.int64)
        row_of_timed[order] = grouped.row

        n_rows = len(grouped.opens)
        n_closed = n_rows if final else _closed_rows(grouped)
        rows_by_kind: dict[str, Ints] = {}
        at = 0
        for (kind, rows), k, part in zip(timed, known, parts, strict=True):
            assigned = row_of_timed[at : at + len(part)]
            at += len(part)
            if len(part) < len(rows):
                assigned, some = np.full(len(rows), DROPPED, dtype=np.int64), assigned
                assigned[k] = some
            rows_by_kind[kind] = assigned
        opened_at = ends[order[grouped.opens]]
        for kind in UNTIMED:
            rows = self.pending.get(kind)
            if rows is not None and len(rows):
                assigned = _row_before(opened_at, rows)
                rows_by_kind[kind] = assigned

        # A live row closes alone, and what is open then is looked at next: one step makes them all.
        n_made = n_rows if 0 < n_closed <= _FEW else n_closed
        epochs = self._build(grouped, n_made, rows_by_kind, opened_at)
        self._keep_open(grouped, n_closed, rows_by_kind)
        if n_made == n_closed:
            return self._main_rows(epochs)
        still_open = epochs.take(slice(n_closed, None))
        closed = self._main_rows(epochs.take(slice(0, n_closed)))
        self._open = self._twin()._main_rows(still_open)
        return closed

    def _drop_strays(self) -> None:
        """Without an open row there is nothing an untimed sentence, or one whose time is empty, could join."""
        for kind in KINDS:
            self.pending.pop(kind, None)

    def _keep_open(self, grouped: Grouped, n_closed: int, rows_by_kind: Mapping[str, Ints]) -> None:
        """Hold back the sentences of open rows; everything else has been used or counted."""
        for kind, assigned in rows_by_kind.items():
            self.pending[kind] = self.pending[kind].take(_span(assigned >= n_closed))
        if n_closed < len(grouped.opens):
            self.carry.anchor_ms = int(grouped.tod_ms[n_closed])
            self.carry.segment = int(grouped.segment[n_closed])

    def _build(self, grouped: Grouped, n: int, rows_by_kind: Mapping[str, Ints], opened_at: Ints) -> Epochs:
        filling = Filling.of(n)
        epochs = filling.epochs
        next_opened = np.concatenate((opened_at[1:], [np.iinfo(np.int64).max]))
        epochs.tod_ms[:] = grouped.tod_ms[:n]
        epochs.segment[:] = grouped.segment[:n]
        epochs.pos[:] = np.iinfo(np.int64).max
        for kind, assigned in rows_by_kind.items():
            use = _span((assigned >= 0) & (assigned < n))
            rows, row = self.pending[kind].take(use), assigned[use]
            if not len(row):
                continue
            place = Place.of(row, n, rows["talker"])
            place.keep_least(epochs.pos, rows.pos)
            place.keep_most(epochs.end, rows.end)
            place.mark(epochs.kinds, KIND_BIT[kind])
            early = rows.end < next_opened[row]
            if early.all():
                place.mark(epochs.kinds_early, KIND_BIT[kind])
            else:
                np.bitwise_or.at(epochs.kinds_early, row[early], KIND_BIT[kind])
            FILL[kind](filling, place, rows)
        return filling.finish()

    def _main_rows(self, epochs: Epochs) -> Epochs:
        """Epochs are the rows with GGA or GNS; others only where neither has come for 3 s. GST is held for 2 s."""
        if not len(epochs):
            return epochs
        self._hold_gst(epochs)
        main = (epochs.kinds & (KIND_BIT["GGA"] | KIND_BIT["GNS"])) != 0
        if main.all():
            keep = main
        else:
            # Per row, the time of the newest main row before it in the same segment.
            clock = np.where(main, np.arange(len(epochs)), -1)
            newest = np.maximum.accumulate(clock)
            carried = self.carry.last_main_ms
            same = newest >= 0
            since = np.where(
                same,
                epochs.tod_ms - epochs.tod_ms[np.maximum(newest, 0)],
                epochs.tod_ms - carried if carried is not None else MAIN_SILENT_MS + 1,
            )
            segment_of = np.where(same, epochs.segment[np.maximum(newest, 0)], self.carry.last_main_segment)
            alone = (since > MAIN_SILENT_MS) | (segment_of != epochs.segment)
            keep = main | (alone & ((epochs.kinds & KIND_BIT["RMC"]) != 0))
        last = np.flatnonzero(main)
        if len(last):
            self.carry.last_main_ms = int(epochs.tod_ms[last[-1]])
            self.carry.last_main_segment = int(epochs.segment[last[-1]])
        return epochs if keep.all() else epochs.take(keep)

    def _hold_gst(self, epochs: Epochs) -> None:
        names = ("sigma_major_m", "sigma_minor_m", "orientation_deg", "sigma_north_m", "sigma_east_m", "sigma_up_m")
        has = (epochs.kinds & KIND_BIT["GST"]) != 0
        if has.all():
            self._note_gst(epochs, len(epochs) - 1, names)
            return
        newest = np.maximum.accumulate(np.where(has, np.arange(len(epochs)), -1))
        source = np.maximum(newest, 0)
        fresh = (newest >= 0) & (epochs.segment == epochs.segment[source])
        fresh &= epochs.tod_ms - epochs.tod_ms[source] <= self.gst_hold_ms
        fill = ~has & fresh
        for name in names:
            column = getattr(epochs, name)
            column[fill] = column[source[fill]]
        if self.carry.gst is not None:
            segment, tod_ms, values = self.carry.gst
            fill = (newest < 0) & (epochs.segment == segment) & (epochs.tod_ms - tod_ms <= self.gst_hold_ms)
            for name, value in zip(names, values, strict=True):
                getattr(epochs, name)[fill] = value
        at = int(newest[-1])
        if at >= 0:
            self._note_gst(epochs, at, names)

    def _note_gst(self, epochs: Epochs, at: int, names: tuple[str, ...]) -> None:
        values = tuple(float(getattr(epochs, name)[at]) for name in names)
        self.carry.gst = (int(epochs.segment[at]), int(epochs.tod_ms[at]), values)


def _closed_rows(grouped: Grouped) -> int:
    """Rows closed by content: all but the last two of the running segment."""
    n = len(grouped.opens)
    in_last = int(np.count_nonzero(grouped.segment == grouped.segment[-1]))
    return n - min(2, in_last)


def _known(time_ms: Floats) -> slice | NDArray[np.bool_]:
    """Where there is a time: a slice where there always is, which costs no copy."""
    known = ~np.isnan(time_ms)
    return slice(None) if known.all() else known


def _row_before(opened_at: Ints, rows: Rows) -> Ints:
    """The newest of the epochs (k,) that were open at the end of each of (n,) sentences, all in order; -1 for none."""
    n, k, end = len(rows), len(opened_at), rows.end
    if k - 1 <= n <= k and (end > opened_at[:n]).all() and (end[: k - 1] < opened_at[1 : n + 1]).all():
        return np.arange(n)  # one a row
    return rows.newest_before(opened_at, by_end=True)


def _span(mask: NDArray[np.bool_]) -> slice | Ints:
    """A mask as a slice where it picks one stretch, which costs no copy; else as indices."""
    n = int(np.count_nonzero(mask))
    if not n:
        return slice(0, 0)
    first = int(np.argmax(mask))
    return slice(first, first + n) if mask[first : first + n].all() else np.flatnonzero(mask)
