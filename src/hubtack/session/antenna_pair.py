"""Heading out of two position streams: where the second antenna stands from the first, epoch by epoch.

Rows of the two receivers belong together where they speak of the same time. Only two fixed positions make a heading.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Rows
from hubtack.engine.axis import SessionAxis, Unwrapped
from hubtack.epochs.assemble import Assembler
from hubtack.epochs.columns import QUALITY_FIXED, Epochs
from hubtack.geo import ecef_offset_to_enu, geodetic_to_ecef

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

FROM_POSITIONS = 3.0  # Epochs.heading_source
_SAME_TIME_NS = 5_000_000
_KEEP_NS = 10_000_000_000


@dataclass(slots=True)
class AntennaPair:
    """The second antenna's fixed positions by time, as far back as the first antenna's rows may still need them."""

    assembler: Assembler = field(default_factory=Assembler)
    time: Unwrapped = field(default_factory=Unwrapped)
    time_ns: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    pos_ecef_m: Floats = field(default_factory=lambda: np.zeros((0, 3)))

    def add(self, sentences: Mapping[str, Rows], axis: SessionAxis, *, final: bool = False) -> None:
        """Add the sentences of a stretch of the second antenna's stream."""
        parts = [self.assembler.feed(sentences)]
        if final:
            parts.append(self.assembler.close())
        rows = Epochs.concat(parts)
        if len(rows):
            times = self.time.place(rows.tod_ms.astype(np.float64), axis)
            self._keep(rows, times)

    def reached_ns(self) -> int | None:
        """How far on the axis the second antenna's rows have come."""
        return self.time.last_ns

    def _keep(self, rows: Epochs, times: Ints) -> None:
        fixed = rows.quality == QUALITY_FIXED
        self.time_ns = np.concatenate((self.time_ns, times[fixed]))
        self.pos_ecef_m = np.concatenate((self.pos_ecef_m, _positions(rows.take(fixed))))

    def fill(self, epochs: Epochs, *, forget: bool) -> None:
        """Give rows without a heading of their own the one of the pair, and all their separation."""
        if not len(epochs):
            return
        times, places = self.time_ns, self.pos_ecef_m
        still_open = self.assembler.open_rows()
        if len(still_open):
            fixed = still_open.quality == QUALITY_FIXED
            # Open rows come right behind the closed ones: nearest day to the row they are wanted for.
            tod_ns = still_open.tod_ms[fixed] * 1_000_000
            day_ns = 86_400_000_000_000
            near = epochs.time_ns[-1] + (tod_ns - epochs.time_ns[-1] + day_ns // 2) % day_ns - day_ns // 2
            times = np.concatenate((times, near))
            places = np.concatenate((places, _positions(still_open.take(fixed))))
        if len(times):
            self._fill(epochs, times, places)
        if forget:
            keep = self.time_ns >= epochs.time_ns[-1] - _KEEP_NS
            self.time_ns, self.pos_ecef_m = self.time_ns[keep], self.pos_ecef_m[keep]

    @staticmethod
    def _fill(epochs: Epochs, times: Ints, places: Floats) -> None:
        order = np.argsort(times, kind="stable")
        times, places = times[order], places[order]
        at = np.minimum(np.searchsorted(times, epochs.time_ns - _SAME_TIME_NS), len(times) - 1)
        same = (np.abs(times[at] - epochs.time_ns) <= _SAME_TIME_NS) & (epochs.quality == QUALITY_FIXED)
        offset = places[at] - _positions(epochs)
        enu = ecef_offset_to_enu(offset, epochs.latitude_deg, epochs.longitude_deg)
        separation = np.sqrt(enu[:, 0] ** 2 + enu[:, 1] ** 2 + enu[:, 2] ** 2)
        heading = np.degrees(np.arctan2(enu[:, 0], enu[:, 1])) % 360.0
        epochs.separation_m[same] = separation[same]
        own = same & np.isnan(epochs.heading_deg)
        epochs.heading_deg[own] = heading[own]
        epochs.heading_source[own] = FROM_POSITIONS


def _positions(rows: Epochs) -> Floats:
    return geodetic_to_ecef(rows.latitude_deg, rows.longitude_deg, rows.h_geoid_m + rows.geoid_separation_m)
