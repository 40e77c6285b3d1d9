"""Epochs of observations out of decoded frames, in the order of their bytes; only epochs that are due are kept.

Most epochs of a stream say nothing new about where its base is. So an epoch's cells are gathered only when somebody
wants that epoch, and what costs is paid for those alone; the epochs in between are stepped over in one stroke.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import SATELLITE_COLUMNS, Decoded
from hubtack.orbits.ephemeris import DAY_S, WEEK_S

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_COLUMN = {name: i for i, name in enumerate(SATELLITE_COLUMNS)}
_DAY_ONLY = (1009, 1010, 1011, 1012)  # these give a time of day without its day
_NEVER_MS = -(1 << 60)
_SYSTEMS = 16
_DAY_MS, _WEEK_MS = round(DAY_S * 1000), round(WEEK_S * 1000)


class Wanted(NamedTuple):
    """What an epoch is wanted for: a position, a look for moves, a look at the sky."""

    solve: bool = False
    phases: bool = False
    look: bool = False


@dataclass(frozen=True, slots=True)
class Ended:
    """An epoch that has ended: ``t_s`` is GPS time of week counted on over a week's end, what it is wanted for, its
    cells as they came, and where the frame starts that ended it, or the last frame taken.
    """

    t_s: float
    wanted: Wanted
    parts: tuple[_Part, ...]
    end_pos: int

    def held(self) -> Ended:
        """The same, without the stretch of the stream that it came with."""
        return replace(self, parts=tuple(part.held() for part in self.parts))


@dataclass(frozen=True, slots=True)
class _Part:
    """Frames of an epoch: as numbers in a decoded stretch, or their cells (n, columns) with their message numbers."""

    decoded: Decoded | None
    frames: Ints
    values: Floats
    kind: Ints

    def held(self) -> _Part:
        if self.decoded is None:
            return self
        values = self.decoded.cells_of(self.frames)
        kind = self.decoded.frames["type"][values[:, 0].astype(np.int64)].astype(np.int64)
        return _Part(None, self.frames, values, kind)


_NO_CELLS, _NO_KIND = np.zeros((0, len(SATELLITE_COLUMNS))), np.zeros(0, dtype=np.int64)


class Cells:
    """Cells of epochs, (N,) columns by name; ``of`` (N,) is the epoch of each cell, in ascending order."""

    __slots__ = ("_columns", "_rows", "_values", "of")

    def __init__(self, values: Floats, of: Ints, rows: Ints | None = None) -> None:
        self._values, self.of, self._rows = values, of, rows
        self._columns: dict[str, Floats | Ints] = {}

    @classmethod
    def joined(cls, epochs: Sequence[Ended]) -> Cells:
        """Cells of epochs in their order, of each constellation those of its fullest message alone."""
        values, kinds, of = [], [], []
        asked: dict[int, tuple[Decoded, list[Ints], list[int]]] = {}
        for k, epoch in enumerate(epochs):
            for part in epoch.parts:
                if part.decoded is None:
                    values.append(part.values)
                    kinds.append(part.kind)
                    of.append(np.full(len(part.kind), k))
                else:
                    _, frames, owners = asked.setdefault(id(part.decoded), (part.decoded, [], []))
                    frames.append(part.frames)
                    owners.append(k)
        for decoded, frames, owners in asked.values():  # all that a stretch is asked for at once
            every = np.concatenate(frames)
            owner = np.zeros(len(decoded.frames), dtype=np.int64)
            owner[every] = np.repeat(owners, [len(some) for some in frames])
            got = decoded.cells_of(every)
            frame = got[:, 0].astype(np.int64)
            values.append(got)
            kinds.append(decoded.frames["type"][frame].astype(np.int64))
            of.append(owner[frame])
        whole, kind, epoch_of = np.concatenate(values), np.concatenate(kinds), np.concatenate(of)
        keep = np.flatnonzero(fullest(whole, kind, epoch_of, len(epochs)))
        if len(values) > 1:
            keep = keep[np.argsort(epoch_of[keep], kind="stable")]
        return cls(whole, epoch_of[keep], keep)

    def __len__(self) -> int:
        return len(self.of)

    def __getitem__(self, name: str) -> Floats:
        """One column."""
        if name not in self._columns:
            values = self._values[:, _COLUMN[name]]
            self._columns[name] = values if self._rows is None else values[self._rows]
        return self._columns[name].view(np.float64)

    def ints(self, name: str) -> Ints:
        """A column of whole numbers; 99 for unknown."""
        key = f"{name} as a whole number"
        if key not in self._columns:
            values = self[name]
            self._columns[key] = np.where(np.isfinite(values), values, 99.0).astype(np.int64)
        return self._columns[key].view(np.int64)

    def picked(self, epochs: Sequence[int], n_epochs: int) -> Cells:
        """Cells of some epochs, which are then numbered from 0 on in the order given."""
        place = np.full(n_epochs, -1, dtype=np.int64)
        place[list(epochs)] = np.arange(len(epochs))
        of = place[self.of]
        rows = np.flatnonzero(of >= 0)
        return Cells(self._values, of[rows], rows if self._rows is None else self._rows[rows])


@dataclass(frozen=True, slots=True)
class Frames:
    """Frames of a stretch that hold cells: (F,) arrays in their order.

    ``number`` is that in the stretch, ``pos`` where each starts, ``utc_ms`` its UTC time of week, ``kind`` its message.
    """

    number: Ints
    pos: Ints
    utc_ms: Ints
    kind: Ints
    station: Floats

    @classmethod
    def of(cls, decoded: Decoded) -> Frames:
        """All frames with cells whose time is known."""
        count = np.bincount(decoded.satellites["frame"].astype(np.int64), minlength=len(decoded.frames))
        utc_ms = decoded.frames["utc_ms_of_week"]
        of = np.flatnonzero((count > 0) & np.isfinite(utc_ms))
        return cls(of, decoded.frames.pos[of], np.rint(utc_ms[of]).astype(np.int64),
                   decoded.frames["type"][of].astype(np.int64), decoded.frames["station_id"][of])  # fmt: skip

    def __len__(self) -> int:
        return len(self.pos)

    def take(self, index: Ints | slice) -> Frames:
        """Some of them."""
        return Frames(*(getattr(self, name)[index] for name in self.__slots__))


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
        self._leap_ms = round(leap_s * 1000)
        self._wants = wants
        self._t_ms: int | None = None  # newest epoch, and the time counted on from
        self.next_s = -np.inf  # nothing is wanted before this time; whoever wants sets it
        self._open_ms: int | None = None
        self._wanted = Wanted()
        self._utc_ms: int | None = None  # of the open epoch, as its frames give it
        self._parts: list[_Part] = []  # of the open epoch, if it is wanted
        self._pos = 0

    @property
    def t_s(self) -> float:
        """Time of the newest epoch, in seconds of the GPS week that count on over its end; NaN before the first. [s]"""
        return float("nan") if self._t_ms is None else self._t_ms / 1000.0

    def sift(self, decoded: Decoded, frames: Frames) -> Iterator[tuple[int, Ended]]:
        """Take frames in their order; gives each wanted epoch that ends, with the number of the frame that ended it.

        To be gone through to its end. What the taker does with an epoch may change what is wanted of the next.
        """
        if not len(frames):
            return
        before = self._utc_ms if self._utc_ms is not None else -1
        runs = np.flatnonzero(np.concatenate(([frames.utc_ms[0] != before], np.diff(frames.utc_ms) != 0)))
        t_ms = self._counted_on(frames.utc_ms[runs], frames.kind[runs])
        open_ms = _NEVER_MS if self._open_ms is None else self._open_ms
        moves = np.diff(np.concatenate(([open_ms], t_ms))) != 0
        begins, t_ms = runs[moves].tolist(), t_ms[moves]
        begins.append(len(frames))
        self._utc_ms = int(frames.utc_ms[-1])
        self._gather(decoded, frames, 0, begins[0])
        if not len(t_ms):
            self._parts = [part.held() for part in self._parts]
            return
        # Most epochs are not wanted: from each that was asked about straight to the next one that must be.
        t_s = t_ms / 1000.0
        back = np.flatnonzero(np.diff(np.concatenate(([open_ms], t_ms))) < 0)
        yield from self._ended(frames, begins[0])
        k = self._asked(t_s, back, 0)
        while k < len(t_s):
            self._open_ms, self._wanted = int(t_ms[k]), self._wants(float(t_s[k]))
            self._gather(decoded, frames, begins[k], begins[k + 1])
            if begins[k + 1] < len(frames):
                yield from self._ended(frames, begins[k + 1])
            k = self._asked(t_s, back, k + 1)
        self._open_ms = int(t_ms[-1])
        self._parts = [part.held() for part in self._parts]

    def _asked(self, t_s: Floats, back: Ints, k: int) -> int:
        """The first epoch from ``k`` on that is due, or that lies before the one before it: the stream began anew."""
        if self.next_s == -np.inf or k >= len(t_s):
            return k
        anew = int(np.searchsorted(back, k))
        end = int(back[anew]) if anew < len(back) else len(t_s)  # up to there times only grow
        return min(k + int(np.searchsorted(t_s[k:end], self.next_s)), end)

    def _gather(self, decoded: Decoded, frames: Frames, a: int, b: int) -> None:
        """Keep the rows of frames ``a`` to ``b``, if the open epoch is wanted."""
        if a == b or not any(self._wanted):
            return
        self._pos = int(frames.pos[b - 1])
        self._parts.append(_Part(decoded, frames.number[a:b], _NO_CELLS, _NO_KIND))

    def _ended(self, frames: Frames, by: int) -> Iterator[tuple[int, Ended]]:
        """The open epoch ends with frame ``by``."""
        if any(self._wanted):
            self._pos = int(frames.pos[by])
            ended = self.close()
            if ended is not None:
                yield by, ended

    def close(self) -> Ended | None:
        """The open epoch, if it was wanted; it is not handed out again."""
        parts, wanted = self._parts, self._wanted
        self._parts, self._wanted = [], Wanted()
        if not parts or self._open_ms is None:
            return None
        return Ended(self._open_ms / 1000.0, wanted, tuple(parts), self._pos)

    def _counted_on(self, utc_ms: Ints, kind: Ints) -> Ints:
        """Times of week (or day) continued from the epoch before, so that they never jump back by a week. [ms]"""
        raw = utc_ms + self._leap_ms
        day_only = np.isin(kind, _DAY_ONLY)
        if day_only.any() or not len(raw):
            return self._one_by_one(raw.tolist(), day_only.tolist())
        first = int(raw[0])
        if self._t_ms is not None:
            first = self._t_ms + (first - self._t_ms + _WEEK_MS // 2) % _WEEK_MS - _WEEK_MS // 2
        steps = (np.diff(raw) + _WEEK_MS // 2) % _WEEK_MS - _WEEK_MS // 2
        t_ms = first + np.concatenate(([0], np.cumsum(steps)))
        self._t_ms = int(t_ms[-1])
        return t_ms

    def _one_by_one(self, raw: list[int], day_only: list[bool]) -> Ints:
        out = []
        for t_ms, is_day in zip(raw, day_only, strict=True):
            period = _DAY_MS if is_day else _WEEK_MS
            if self._t_ms is not None:
                t_ms = self._t_ms + (t_ms - self._t_ms + period // 2) % period - period // 2
                self._t_ms = t_ms
            elif not is_day:  # until the day is known only GLONASS depends on it
                self._t_ms = t_ms
            out.append(t_ms)
        return np.array(out, dtype=np.int64)


def fullest(values: Floats, kind: Ints, of: Ints, n_epochs: int) -> Bools:
    """Which cells count: of each epoch and constellation those of its fullest message (highest number) alone.

    A base may send one epoch twice, as 1004 and MSM4 or as MSM6 and MSM7, and the two need not share a receiver
    clock: they lie 108 km apart in one recorded stream.
    """
    system = np.nan_to_num(values[:, _COLUMN["system"]]).astype(np.int64)
    group = of * _SYSTEMS + system
    best = np.zeros(n_epochs * _SYSTEMS, dtype=np.int64)
    np.maximum.at(best, group, kind)
    return np.asarray(kind == best[group])
