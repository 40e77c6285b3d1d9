"""Rover rows on the session's axis: a time of day becomes a moment, and a date is learnt where one is said."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from hubtack.engine.axis import DAY_MS, SessionAxis
from hubtack.epochs.columns import Epochs


@dataclass(slots=True)
class RowTimes:
    """Where the rows of one rover lie on an axis. ``segment`` is the running one, and what its ``tod`` starts at."""

    axis: SessionAxis
    segment: tuple[int, int] | None = None

    def place(self, epochs: Epochs) -> Epochs:
        """Put rows on the session's axis; a new segment starts on its date, else on the day nearest to the running time."""
        if not len(epochs):
            return epochs
        segment, origin_ns = self.segment if self.segment is not None else (-1, 0)
        starts = np.flatnonzero(np.concatenate(([epochs.segment[0] != segment], np.diff(epochs.segment) != 0)))
        bounds = [0, *(int(i) for i in starts if i), len(epochs)]
        for a, b in itertools.pairwise(bounds):
            if int(epochs.segment[a]) != segment:
                segment = int(epochs.segment[a])
                tod_ns = int(epochs.tod_ms[a]) * 1_000_000
                dated_ns = self.axis.place_date(tod_ns, float(epochs.date_day[a]))
                origin_ns = (self.axis.place_tod(tod_ns) if dated_ns is None else dated_ns) - tod_ns
            epochs.time_ns[a:b] = epochs.tod_ms[a:b] * 1_000_000 + origin_ns
            self._learn_date(epochs, a, b, origin_ns)
            self.axis.advance(int(epochs.time_ns[b - 1]))
        self.segment = (segment, origin_ns)
        return epochs

    def _learn_date(self, epochs: Epochs, a: int, b: int, origin_ns: int) -> None:
        """RMC and ZDA say on which day the midnight lies that ``tod_ms`` counts from; else a logger's stamp does."""
        known = np.flatnonzero(~np.isnan(epochs.date_day[a:b]))
        if len(known):
            self.axis.learn_date(int(epochs.date_day[a + known[0]]), origin_ns, "rmc")
            return
        stamped = np.flatnonzero(~np.isnan(epochs.stamp_utc_s[a:b]))
        if len(stamped) and self.axis.time_basis is None:
            i = a + int(stamped[0])
            self.axis.learn_date(round(epochs.stamp_utc_s[i] / 86400 - epochs.tod_ms[i] / DAY_MS), origin_ns, "stamp")

    def place_open(self, epochs: Epochs) -> Epochs:
        """The same for open rows, without moving the axis: a new segment is placed where it would come to lie."""
        if not len(epochs):
            return epochs
        segment, origin_ns = self.segment if self.segment is not None else (-1, 0)
        for i in range(len(epochs)):
            if int(epochs.segment[i]) != segment:
                segment = int(epochs.segment[i])
                tod_ns = int(epochs.tod_ms[i]) * 1_000_000
                dated_ns = self.axis.place_date(tod_ns, float(epochs.date_day[i]))
                near_ns = tod_ns if self.axis.now_ns is None else self.axis.place_tod(tod_ns)
                origin_ns = (near_ns if dated_ns is None else dated_ns) - tod_ns
            epochs.time_ns[i] = epochs.tod_ms[i] * 1_000_000 + origin_ns
        return epochs
