"""Where the rover was when a correction epoch came or did not: its place once a second, and the epochs' own times.

Both are kept apart and joined only when somebody asks, since an epoch that is lost leaves no moment of its own at which
a row could be looked up.
"""

from __future__ import annotations

from array import array
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.link_ledger import COMPLETE, INCOMPLETE, LOST, Ledger
from hubtack.geo import ecef_offset_to_enu, ecef_to_geodetic

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

S_NS = 1_000_000_000
MOST_PLACES = 1_000_000  # seconds: eleven days; beyond it no more are kept
HELD_NS = 5 * S_NS  # beyond the ends of the track a place serves for this long
BRIDGED_NS = 60 * S_NS  # over a longer silence nobody knows where the machine went


@dataclass(slots=True)
class PlaceTrack:
    """The rover's place in the first row of every second, in decimetres: 16 bytes a second."""

    second: array[int] = field(default_factory=lambda: array("q"))
    _ecef_dm: array[int] = field(default_factory=lambda: array("i"))
    _last: int | None = None
    answer: tuple[bytes, Mapping[str, Any]] | None = None  # the last that was asked of this track, for its asker

    def add(self, time_ns: Ints, pos_ecef_m: Floats) -> None:
        """Add the rows (N,), (N, 3) that follow; rows without a position are passed over."""
        known = np.flatnonzero(~np.isnan(pos_ecef_m[:, 0]))
        if not len(known):
            return
        second = time_ns[known] // S_NS
        opens = np.ones(len(known), dtype=bool)
        opens[1:] = second[1:] != second[:-1]
        opens[0] = second[0] != self._last
        self._last = int(second[-1])
        place_dm, second = np.rint(pos_ecef_m[known[opens]] * 10.0), second[opens]
        on_earth = (np.abs(place_dm) <= 1e9).all(axis=1)  # and what an integer of 32 bits can hold
        room = MOST_PLACES - len(self.second)
        self.second.frombytes(second[on_earth][:room].astype(np.int64).tobytes())
        self._ecef_dm.frombytes(place_dm[on_earth][:room].astype(np.intc).tobytes())

    def at(self, time_ns: Ints) -> Floats:
        """Place at each time (M,), between two seconds in a straight line; NaN where it is not known. (M, 3) [m]"""
        out = np.full((len(time_ns), 3), np.nan)
        if not len(self.second) or not len(time_ns):
            return out
        second = np.array(self.second, dtype=np.int64)
        place_m = np.array(self._ecef_dm, dtype=np.float64).reshape(-1, 3) / 10.0
        order = np.argsort(second, kind="stable")
        at_ns, place_m = second[order] * S_NS, place_m[order]
        after = np.clip(np.searchsorted(at_ns, time_ns, side="left"), 0, len(at_ns) - 1)
        before = np.clip(np.searchsorted(at_ns, time_ns, side="right") - 1, 0, len(at_ns) - 1)
        gap_ns = at_ns[after] - at_ns[before]
        share = np.where(gap_ns > 0, (time_ns - at_ns[before]) / np.maximum(gap_ns, 1), 0.0)
        placed = place_m[before] + (place_m[after] - place_m[before]) * share[:, None]
        nearest_ns = np.minimum(np.abs(time_ns - at_ns[before]), np.abs(at_ns[after] - time_ns))
        usable = (nearest_ns <= HELD_NS) | ((gap_ns > 0) & (gap_ns <= BRIDGED_NS))
        out[usable] = placed[usable]
        return out


def timed_slots(ledger: Ledger, longest_s: float) -> tuple[Ints, NDArray[np.int8]]:
    """Time and state of every epoch that came or should have come, as ``Ledger.slots`` with its moments. [ns]

    Silence of ``longest_s`` and more is not the air's doing and is left out.
    """
    interval_ms = ledger.interval_s() * 1000
    steps = ledger.steps()
    if not len(steps) or np.isnan(interval_ms) or interval_ms <= 0 or ledger.first_ns is None:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int8)
    complete = ledger.complete()[: len(steps)]
    usable = (steps > 0) & (steps < longest_s * 1000)
    count = np.where(usable, np.maximum(np.round(steps / interval_ms).astype(np.int64) - 1, 0), 0) + 1
    first = np.cumsum(count) - count
    owner = np.repeat(np.arange(len(steps)), count)
    nth = np.arange(len(owner)) - first[owner]
    began_ns = ledger.first_ns + (np.cumsum(steps) - steps) * 1_000_000
    time_ns = began_ns[owner] + np.round(nth * interval_ms * 1e6).astype(np.int64)
    state = np.full(len(owner), LOST, dtype=np.int8)
    state[first] = np.where(complete, COMPLETE, INCOMPLETE)
    return time_ns, state


def from_base(place_ecef_m: Floats, base_ecef_m: tuple[float, float, float]) -> tuple[Floats, Floats, Floats]:
    """Horizontal distance, bearing and height of each place (M, 3) as seen from the base; NaN stays. [m, deg, m]"""
    base = np.array([base_ecef_m])
    lat, lon, _ = ecef_to_geodetic(base)
    n = len(place_ecef_m)
    enu = ecef_offset_to_enu(place_ecef_m - base, np.full(n, lat[0]), np.full(n, lon[0]))
    range_m = np.hypot(enu[:, 0], enu[:, 1])
    return range_m, np.degrees(np.arctan2(enu[:, 0], enu[:, 1])) % 360.0, enu[:, 2]
