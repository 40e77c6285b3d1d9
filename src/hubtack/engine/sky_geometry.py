"""Where the rover's satellites stand, once a minute, and the dilution of precision that follows from it.

A receiver says its own DOP, and how it counts is its own affair. This one is worked out from azimuth and elevation of
the satellites it uses (GSV for where they are, GSA for which are used), each constellation with its own clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.link_content import N_SATELLITES, SKY_BIN_NS, SkySets
from hubtack.geo.dop import dop

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
MINUTE_NS = 60_000_000_000
MOST_MINUTES = 2_880  # two days; then the oldest are let go
_AT_ONCE = 240  # minutes solved in one step, so that memory does not grow with the log


@dataclass(slots=True)
class SkyGeometry:
    """Directions to the satellites of the first turn of GSV in each minute: (n, 3) of code, azimuth, elevation."""

    minutes: dict[int, Floats] = field(default_factory=dict)
    turn_ns: int | None = None  # time of the turn that stands for the running minute
    _newest: tuple[tuple[object, ...], float] | None = None  # what the newest minute's PDOP was worked out from, and it

    def add(self, time_ns: Ints, code: Ints, azimuth_deg: Floats, elevation_deg: Floats) -> None:
        """Add N satellites in view in the order of their bytes; a turn may come in any number of pieces."""
        if not len(time_ns):
            return
        minute = time_ns // MINUTE_NS
        opens = np.flatnonzero(np.concatenate(([True], minute[1:] != minute[:-1])))
        ends = np.append(opens[1:], len(minute))
        known = (elevation_deg >= 0) & (azimuth_deg >= 0) & (azimuth_deg <= 360)
        found: Floats = np.column_stack((code, azimuth_deg, elevation_deg)).astype(np.float64)
        for a, b, number in zip(opens.tolist(), ends.tolist(), minute[opens].tolist(), strict=True):
            if self.turn_ns is None or self.turn_ns // MINUTE_NS != number:
                self.turn_ns = int(time_ns[a])
            some = found[a:b][known[a:b] & (time_ns[a:b] == self.turn_ns)]
            if len(some):
                held = self.minutes.get(number)
                self.minutes[number] = some if held is None else np.concatenate((held, some))
        while len(self.minutes) > MOST_MINUTES:
            self.minutes.pop(next(iter(self.minutes)))

    def table(self, used: SkySets, newest: int | None = None) -> tuple[Ints, Floats, Floats]:
        """Start of each minute [ns], PDOP and HDOP of the satellites used; NaN where they give no position.

        ``newest`` takes only that many minutes from the end. Without GSA all satellites in view count, which is the
        best that the sky could give.
        """
        numbers = sorted(self.minutes)[-newest if newest else 0 :]
        pdop = np.full(len(numbers), np.nan)
        hdop = np.full(len(numbers), np.nan)
        for first in range(0, len(numbers), _AT_ONCE):
            part = numbers[first : first + _AT_ONCE]
            skies = [self._used_sky(number, used) for number in part]
            width = max(len(sky) for sky in skies)
            grid = np.full((3, len(part), max(width, 1)), np.nan)
            for i, sky in enumerate(skies):
                grid[:, i, : len(sky)] = sky.T
            system = np.where(np.isnan(grid[0]), 0, grid[0] // N_SATELLITES).astype(np.int64)
            got = dop(np.radians(grid[1]), np.radians(grid[2]), system=system)
            pdop[first : first + len(part)] = got.pdop
            hdop[first : first + len(part)] = got.hdop
        return np.array(numbers, dtype=np.int64) * MINUTE_NS, pdop, hdop

    def newest_pdop(self, used: SkySets) -> float:
        """PDOP of the newest minute as ``table`` has it, worked out anew only where something has come; NaN without one."""
        if not self.minutes:
            return float("nan")
        number = max(self.minutes)
        masks = (tuple(mask.items()) for mask in self._masks(number, used))
        known = (number, len(self.minutes[number]), *masks)
        if self._newest is None or self._newest[0] != known:
            self._newest = (known, float(self.table(used, newest=1)[1][-1]))
        return self._newest[1]

    @staticmethod
    def _masks(number: int, used: SkySets) -> list[dict[int, int]]:
        """Satellites used in the pieces of a minute."""
        per_minute = MINUTE_NS // SKY_BIN_NS
        return [used.bins.get(number * per_minute + k, {}) for k in range(per_minute)]

    def _used_sky(self, number: int, used: SkySets) -> Floats:
        sky = self.minutes[number]
        # A satellite is listed once for each of its signals: one direction is enough.
        _, first = np.unique(sky[:, 0], return_index=True)
        sky = sky[first]
        masks = self._masks(number, used)
        if not any(masks):
            return sky
        codes = sky[:, 0].astype(np.int64)
        system, within = codes // N_SATELLITES, codes % N_SATELLITES
        kept = [any(m.get(int(s), 0) >> int(w) & 1 for m in masks) for s, w in zip(system, within, strict=True)]
        return np.asarray(sky[np.array(kept, dtype=bool)], dtype=np.float64)
