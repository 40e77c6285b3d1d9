"""The ledger of correction epochs: which came whole, which in part, which not at all. One step and one byte an epoch.

Whether an epoch is whole can only be told when it is known what this base usually sends, so the ledger keeps which
message types each epoch held and judges at read-out: a type is due in every epoch if it usually comes in every epoch.
Nothing here depends on how the stream was cut.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

SAME_EPOCH_NS = 10_000_000  # an epoch can lie a millisecond off the second, differently by system
MOST_EPOCHS = 1_000_000  # eleven days at one a second; beyond it the ledger stops and says so
LATE_NS = 30_000_000_000  # a frame of an older epoch, up to this much, is late; further back the clock has jumped
COMPLETE, INCOMPLETE, LOST = 0, 1, 2
_MOST_SETS = 255
_FEW = 64  # frames: below this a plain loop is faster than arrays
_MOST_STEP_MS = int(np.iinfo(np.int32).max)
_SWITCHED_OFF = 20  # epochs: a type that stays away longer was not lost in the air


@dataclass(slots=True)
class Ledger:
    """Correction epochs in the order in which they began."""

    epochs: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    late_frames: int = 0
    closed: int = 0  # epochs whose last message came: the one that says no more will follow
    steps_ms: array[int] = field(default_factory=lambda: array("i"))
    sets: list[frozenset[int]] = field(default_factory=list)  # distinct sets of message types
    _number_of: dict[frozenset[int], int] = field(default_factory=dict)
    _set_no: bytearray = field(default_factory=bytearray)  # of each epoch that has ended
    _running: set[int] = field(default_factory=set)
    _running_closed: bool = False

    def add(self, time_ns: Ints, number: Ints, more: Ints) -> None:
        """Add N observation frames, duplicates left out: epoch on the session's axis, type, multiple-message bit."""
        if len(time_ns) > _FEW and self._add_in_order(time_ns, number, more):
            return
        for at, kind, follows in zip(time_ns.tolist(), number.tolist(), more.tolist(), strict=True):
            if self._begin(at):
                self._running.add(kind)
                self._close(not follows)

    def _begin(self, at: int) -> bool:
        """Start an epoch at ``at`` unless it is the running one; False for a frame of an older epoch."""
        last = self.last_ns
        if last is None:
            self.first_ns = self.last_ns = at
            self.epochs = 1
        elif abs(at - last) > SAME_EPOCH_NS:
            if 0 < last - at <= LATE_NS:
                self.late_frames += 1
                return False
            self._end()
            if len(self.steps_ms) < MOST_EPOCHS:
                self.steps_ms.append(max(-_MOST_STEP_MS, min(_MOST_STEP_MS, round((at - last) / 1_000_000))))
            self.epochs += 1
            self.last_ns = at
        return True

    def _close(self, closes: bool) -> None:
        if closes and not self._running_closed:
            self._running_closed = True
            self.closed += 1

    def _add_in_order(self, time_ns: Ints, number: Ints, more: Ints) -> bool:
        """The same epoch by epoch, where the frames are in order of time and epochs clear of each other; else False."""
        kinds = np.unique(number)
        steps = np.diff(time_ns)
        if len(kinds) > 62 or (steps < 0).any() or (self.last_ns is not None and int(time_ns[0]) < self.last_ns):
            return False
        starts = np.flatnonzero(np.concatenate(([True], steps > SAME_EPOCH_NS)))
        ends = np.concatenate((starts[1:], [len(time_ns)])) - 1
        before_ns = self.last_ns if self.last_ns is not None else int(time_ns[0])
        if (time_ns[ends] - time_ns[starts] > SAME_EPOCH_NS).any() or (
            0 < int(time_ns[0]) - before_ns <= SAME_EPOCH_NS and int(time_ns[ends[0]]) - before_ns > SAME_EPOCH_NS
        ):
            return False
        masks = np.bitwise_or.reduceat(np.int64(1) << np.searchsorted(kinds, number), starts)
        closes = np.bitwise_or.reduceat((more == 0).astype(np.int64), starts)
        sets = {m: {int(k) for i, k in enumerate(kinds) if m >> i & 1} for m in np.unique(masks).tolist()}
        begins = time_ns[starts]
        # The first epoch may be the running one; the last one runs on. Those between are counted together.
        self._begin(int(begins[0]))
        assert self.last_ns is not None
        begins[0] = self.last_ns  # the running epoch may have begun some milliseconds before this stretch
        self._running |= sets[int(masks[0])]
        self._close(bool(closes[0]))
        if len(begins) > 1:
            self._end()
            self._between(masks[1:-1], sets)
            steps_ms = np.clip(np.round(np.diff(begins) / 1_000_000), -_MOST_STEP_MS, _MOST_STEP_MS).astype(np.int32)
            self.steps_ms.frombytes(steps_ms[: max(0, MOST_EPOCHS - len(self.steps_ms))].tobytes())
            self.epochs += len(begins) - 1
            self.last_ns = int(begins[-1])
            self._running = set(sets[int(masks[-1])])
            self._running_closed = bool(closes[-1])
            self.closed += int(np.count_nonzero(closes[1:]))
        return True

    def _between(self, masks: Ints, sets: dict[int, set[int]]) -> None:
        """Note the sets of epochs that began and ended; a set is numbered when it first occurs."""
        found, first, inverse = np.unique(masks, return_index=True, return_inverse=True)
        numbers = np.zeros(len(found), dtype=np.uint8)
        for i in np.argsort(first).tolist():
            numbers[i] = self._number(frozenset(sets[int(found[i])]))
        room = max(0, MOST_EPOCHS - len(self._set_no))
        self._set_no += numbers[inverse.reshape(-1)][:room].tobytes()

    def _end(self) -> None:
        number = self._number(frozenset(self._running))
        self._running = set()
        self._running_closed = False
        if len(self._set_no) < MOST_EPOCHS:
            self._set_no.append(number)

    def _number(self, held: frozenset[int]) -> int:
        """Number of a set of message types; those that come after many others share the last."""
        number = self._number_of.get(held)
        if number is None:
            number = min(len(self.sets), _MOST_SETS)
            if number < _MOST_SETS:
                self.sets.append(held)
                self._number_of[held] = number
        return number

    def steps(self) -> Ints:
        """Intervals between epochs in order; negative where the clock jumped back. [ms]"""
        return np.array(self.steps_ms, dtype=np.int64)

    def interval_s(self) -> float:
        """Median interval of the epochs; NaN with fewer than two. [s]"""
        steps = np.sort(self.steps())
        steps = steps[steps > 0]
        return float(steps[(len(steps) - 1) // 2]) / 1000.0 if len(steps) else float("nan")

    def gaps(self, factor: float = 1.5) -> list[tuple[int, int, int]]:
        """Gaps over ``factor`` median intervals: (start, end, epochs lost); start is the last epoch before it. [ns]"""
        steps, interval_s = self.steps(), self.interval_s()
        if not len(steps) or np.isnan(interval_s) or self.first_ns is None:
            return []
        ends = self.first_ns + np.cumsum(steps) * 1_000_000
        long = np.flatnonzero(steps > factor * interval_s * 1000)
        return [
            (int(ends[i] - steps[i] * 1_000_000), int(ends[i]), max(0, round(steps[i] / (interval_s * 1000)) - 1))
            for i in long
        ]

    def due(self) -> frozenset[int]:
        """Message types that usually come with every epoch: seen in two epochs running more often than not."""
        if len(self._set_no) < 8:
            return frozenset()
        numbers = np.frombuffer(bytes(self._set_no), dtype=np.uint8)
        due = []
        for kind in frozenset().union(*self.sets):
            holds = np.array([kind in held for held in self.sets] + [False] * (256 - len(self.sets)))[numbers]
            seen = int(np.count_nonzero(holds[:-1]))
            again = int(np.count_nonzero(holds[1:] & holds[:-1]))
            # A type that comes every second epoch never follows itself; one that is lost half of the time does so.
            if seen and again >= 0.25 * seen and int(np.count_nonzero(holds)) >= 0.2 * len(numbers):
                due.append(kind)
        return frozenset(due)

    def complete(self) -> NDArray[np.bool_]:
        """Whether each epoch that has ended held every type that is due."""
        numbers = np.frombuffer(bytes(self._set_no), dtype=np.uint8)
        complete = np.ones(len(numbers), dtype=bool)
        for kind in self.due():
            absent = ~np.array([kind in held for held in self.sets] + [True] * (256 - len(self.sets)))[numbers]
            complete &= ~(absent & ~_in_long_runs(absent))
        return complete

    def slots(self, stalled_ms: float) -> NDArray[np.int8]:
        """One entry a slot of the median interval: COMPLETE, INCOMPLETE or LOST.

        Stretches of ``stalled_ms`` and more without an epoch are stalls, a finding of their own; they are left out.
        """
        interval_ms = self.interval_s() * 1000
        steps = self.steps()
        if not len(steps) or np.isnan(interval_ms):
            return np.zeros(0, dtype=np.int8)
        complete = self.complete()[: len(steps)]
        usable = (steps > 0) & (steps < stalled_ms)
        missing = np.where(usable, np.maximum(np.round(steps / interval_ms).astype(np.int64) - 1, 0), 0)
        out = np.full(int(len(steps) + missing.sum()), LOST, dtype=np.int8)
        at = np.cumsum(missing + 1) - missing - 1
        out[at] = np.where(complete, COMPLETE, INCOMPLETE)
        return out


def _in_long_runs(absent: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where a type stays away for long: its satellites have set or it was switched off, and no frame was lost."""
    edges = np.diff(np.concatenate(([0], absent.astype(np.int8), [0])))
    out = np.zeros(len(absent), dtype=bool)
    for a, b in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        if b - a > _SWITCHED_OFF:
            out[a:b] = True
    return out
