"""Events by their place in the merged sequence, kept as far back as a row may still ask.

A row is judged with what was known at its own place, however much later it is judged.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_TRIM_AT = 512  # events; fewer are all kept
_FEW = 8  # rows that ask at once: below this a search in the list costs less than arrays of it


@dataclass(slots=True)
class Events:
    """Values of ``width`` numbers by key; the newest one before the kept stretch is always kept too."""

    width: int
    key: list[int] = field(default_factory=list)
    value: list[tuple[float, ...]] = field(default_factory=list)
    _made: tuple[Ints, Floats] | None = None

    def add(self, key: int, *value: float) -> None:
        """Add one event; keys never go back."""
        self.key.append(key)
        self.value.append(value)

    def extend(self, key: Ints, value: Ints) -> None:
        """Add many events of one value each."""
        self.key.extend(key.tolist())
        self.value.extend((float(v),) for v in value.tolist())

    def at(self, key: Ints) -> Floats:
        """Value of the newest event at or before each key (N,), as (N, width); NaN where there is none."""
        if len(key) <= _FEW:
            nothing = (np.nan,) * self.width
            index = [bisect_right(self.key, k) - 1 for k in key.tolist()]
            return np.array([self.value[i] if i >= 0 else nothing for i in index]).reshape(-1, self.width)
        if not self.key:
            return np.full((len(key), self.width), np.nan)
        keys, table = self._arrays()
        found = np.searchsorted(keys, key, side="right") - 1
        return np.where((found >= 0)[:, None], table[np.maximum(found, 0)], np.nan)

    def _arrays(self) -> tuple[Ints, Floats]:
        if self._made is None or len(self._made[0]) != len(self.key):
            self._made = (
                np.array(self.key, dtype=np.int64),
                np.array(self.value, dtype=np.float64).reshape(len(self.value), self.width),
            )
        return self._made

    def forget_before(self, key: int) -> None:
        """No row will ask about anything before ``key`` any more."""
        if len(self.key) > _TRIM_AT:
            keep = max(0, bisect_right(self.key, key) - 1)
            if keep:
                del self.key[:keep], self.value[:keep]
                self._made = None


@dataclass(slots=True)
class Latches:
    """What has been latched, by place, in sets of flags (bits).

    Two may latch: what the stream says, which it may also take back (``agree``), and what the base's observations
    show, which only a person or a control check takes back (``confirm``). Every change is kept as what it clears and
    what it sets, so that one that is told of late, or of an earlier place, comes into its order.
    """

    _key: list[int] = field(default_factory=list)
    _change: list[tuple[int, int]] = field(default_factory=list)  # (flags kept, flags set)
    _state: list[int] = field(default_factory=list)  # after each change
    _before: int = 0  # of what has been forgotten

    def latch(self, flag: int, key: int, *, observed: bool = False) -> None:
        """From ``key`` on the flag stands."""
        self._insert(key, -1, flag << _OBSERVED if observed else flag)

    def agree(self, key: int) -> None:
        """From ``key`` on nothing stands that the stream itself had said."""
        if self.stated:
            self._insert(key, ~_STATED, 0)

    def confirm(self, key: int) -> None:
        """From ``key`` on nothing stands that was latched before it; what was latched at it or after still does."""
        at = bisect_left(self._key, key)
        self._insert_at(at, key, 0, 0)

    @property
    def stated(self) -> int:
        """Flags in force now of what the stream said."""
        return self._now & _STATED

    @property
    def any(self) -> int:
        """All flags in force now."""
        return _both(self._now)

    @property
    def _now(self) -> int:
        return self._state[-1] if self._state else self._before

    def at(self, key: Ints) -> Ints:
        """Flags in force at each key (N,)."""
        if not self._key:
            return np.full(len(key), _both(self._before), dtype=np.int64)
        if len(key) <= _FEW:
            index = [bisect_right(self._key, k) for k in key.tolist()]
            return np.array([_both(self._state[i - 1] if i else self._before) for i in index], dtype=np.int64)
        found = np.searchsorted(np.array(self._key, dtype=np.int64), key, side="right")
        return np.array([_both(self._before), *map(_both, self._state)], dtype=np.int64)[found]

    def forget_before(self, key: int) -> None:
        """No row will ask about anything before ``key`` any more."""
        if len(self._key) > _TRIM_AT:
            keep = bisect_right(self._key, key)
            if keep:
                self._before = self._state[keep - 1]
                del self._key[:keep], self._change[:keep], self._state[:keep]

    def _insert(self, key: int, kept: int, flags: int) -> None:
        self._insert_at(bisect_right(self._key, key), key, kept, flags)

    def _insert_at(self, at: int, key: int, kept: int, flags: int) -> None:
        self._key.insert(at, key)
        self._change.insert(at, (kept, flags))
        self._state.insert(at, 0)
        state = self._state[at - 1] if at else self._before
        for i in range(at, len(self._key)):
            keeps, sets = self._change[i]
            state = self._state[i] = (state & keeps) | sets


_OBSERVED = 16  # flags of what the observations show stand this many bits higher
_STATED = (1 << _OBSERVED) - 1


def _both(state: int) -> int:
    return (state | state >> _OBSERVED) & _STATED
