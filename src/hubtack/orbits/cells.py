"""Epochs of observations out of decoded frames, in the order of their bytes; only epochs that are due are kept.

Most epochs of a stream say nothing new about where its base is. So an epoch's cells are gathered only when somebody
wants that epoch, and what costs is paid for those alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import SATELLITE_COLUMNS, Decoded
from hubtack.orbits.ephemeris import DAY_S, WEEK_S

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
# A frame with cells: its byte, UTC time of week [ms], message number, station, and its rows of the cell table, from
# and to. A plain tuple, for there are four of them a second.
Frame = tuple[int, float, float, float, int, int]

_COLUMN = {name: i for i, name in enumerate(SATELLITE_COLUMNS)}
_DAY_ONLY = frozenset((1009, 1010, 1011, 1012))  # these give a time of day without its day
_SAME_EPOCH_S = 1e-4


class Wanted(NamedTuple):
    """What an epoch is wanted for: a position, a look for moves, a look at the sky."""

    solve: bool = False
    phases: bool = False
    look: bool = False


_NOTHING = Wanted()


class Cells:
    """Cells of one epoch, (N,) columns by name; ``t_s`` is GPS time of week counted on over a week's end. [s]

    ``wanted`` is what ``EpochSieve`` was told that the epoch is wanted for; ``end_pos`` is where the frame starts that
    ended the epoch, or the last frame taken.
    """

    __slots__ = ("_ints", "_values", "end_pos", "t_s", "wanted")

    def __init__(self, t_s: float, values: Floats, wanted: Wanted, end_pos: int) -> None:
        self.t_s, self._values, self.wanted, self.end_pos = t_s, values, wanted, end_pos
        self._ints: dict[str, Ints] = {}

    def __getitem__(self, name: str) -> Floats:
        """One column."""
        return self._values[:, _COLUMN[name]]

    def ints(self, name: str) -> Ints:
        """A column of whole numbers; 99 for unknown."""
        if name not in self._ints:
            values = self[name]
            self._ints[name] = np.where(np.isfinite(values), values, 99.0).astype(np.int64)
        return self._ints[name]


class EpochSieve:
    """Groups frames of one epoch, asks once whether the epoch is wanted, and hands it out when the next one begins.

    Parameters
    ----------
    leap_s : float
        GPS time less UTC, the same that the decoder used. [s]
    wants : callable
        Called with the time of each new epoch; says what it is wanted for.
    """

    def __init__(self, leap_s: float, wants: Callable[[float], Wanted]) -> None:
        self._leap_s = leap_s
        self._wants = wants
        self.t_s = float("nan")  # newest epoch
        self.next_s = -np.inf  # nothing is wanted before this time; whoever wants sets it
        self._open_s = float("nan")
        self._wanted = _NOTHING
        self.gathers = False  # the open epoch is wanted
        self.utc_ms = float("nan")  # of the open epoch, as its frames give it
        self._parts: list[tuple[Floats, float]] = []
        self._pos = 0

    def frames(self, decoded: Decoded) -> Iterator[Frame]:
        """Frames of a stretch that hold cells, in order. NaN times are left out."""
        cells, frames = decoded.satellites, decoded.frames
        if not len(cells):
            return iter(())
        frame = cells["frame"].astype(np.int64)
        starts = np.flatnonzero(np.concatenate(([True], np.diff(frame) != 0)))
        ends = np.concatenate((starts[1:], [len(frame)]))
        of = frame[starts]
        known = np.isfinite(frames["utc_ms_of_week"][of])
        of, starts, ends = of[known], starts[known], ends[known]
        return zip(
            frames.pos[of].tolist(), frames["utc_ms_of_week"][of].tolist(), frames["type"][of].tolist(),
            frames["station_id"][of].tolist(), starts.tolist(), ends.tolist(), strict=True,
        )  # fmt: skip

    def take(self, decoded: Decoded, frame: Frame) -> Cells | None:
        """Add one frame of ``frames``; returns the epoch before it, if it has ended with this and was wanted."""
        pos, utc_ms, kind, _, a, b = frame
        ended = None
        self._pos = pos
        if utc_ms != self.utc_ms:
            t_s = self._unwrapped(utc_ms / 1e3 + self._leap_s, DAY_S if kind in _DAY_ONLY else WEEK_S)
            if not abs(t_s - self._open_s) <= _SAME_EPOCH_S:
                ended = self.close()
                # A time before the open epoch is asked about as well: the stream has begun anew.
                asks = t_s >= self.next_s or not t_s > self._open_s
                self._open_s, self._wanted = t_s, self._wants(t_s) if asks else _NOTHING
                self.gathers = asks and any(self._wanted)
            self.utc_ms = utc_ms
        if self.gathers:
            self._parts.append((decoded.satellites.values[a:b], kind))
        return ended

    def close(self) -> Cells | None:
        """The open epoch, if it was wanted; it is not handed out again."""
        parts, wanted = self._parts, self._wanted
        self._parts, self._wanted, self.gathers = [], _NOTHING, False
        return fullest(self._open_s, parts, wanted, self._pos) if parts else None

    def _unwrapped(self, t_s: float, period_s: float) -> float:
        """Time of week (or day) continued from the epoch before, so that it never jumps back by a week."""
        if self.t_s == self.t_s:
            t_s = self.t_s + (t_s - self.t_s + period_s / 2.0) % period_s - period_s / 2.0
        elif period_s == DAY_S:
            return t_s  # the day is not known yet, and only GLONASS depends on it
        self.t_s = round(t_s, 4)
        return self.t_s


def fullest(t_s: float, parts: list[tuple[Floats, float]], wanted: Wanted, end_pos: int) -> Cells:
    """Cells of an epoch out of its frames' rows and message numbers, of each constellation its fullest message alone.

    A base may send one epoch twice, as 1004 and MSM4 or as MSM6 and MSM7, and the two need not share a receiver
    clock: they lie 108 km apart in one recorded stream.
    """
    best: dict[float, float] = {}
    for values, kind in parts:
        system = values[0, _COLUMN["system"]]
        best[system] = max(best.get(system, 0.0), kind)
    kept = [values for values, kind in parts if kind == best[values[0, _COLUMN["system"]]]]
    return Cells(t_s, kept[0] if len(kept) == 1 else np.concatenate(kept), wanted, end_pos)
