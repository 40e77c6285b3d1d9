"""One time axis for a session, and the calendar as an offset on it.

Times count in nanoseconds from the midnight (UTC) before the session's first timed datum. Rover and corrections both
know the time of day; neither need know the date. The date is learnt whenever it is said and is applied at output, so
that a date that comes late changes no row.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

DAY_NS = 86_400_000_000_000
DAY_MS = 86_400_000
MOST_DAYS_AHEAD = 10  # a longer silence, or a date that jumps farther, is no night and no weekend
_EPOCH = dt.date(1970, 1, 1)
# Who may overrule whom on the date, best first.
DATE_SOURCES = ("rmc", "zda", "1013", "ephemeris", "stamp", "arrival", "given")


@dataclass(slots=True)
class SessionAxis:
    """The axis of one session. ``day0`` is the date of its zero, as days since 1970; None while nobody has said it."""

    now_ns: int | None = None
    day0: int | None = None
    time_basis: str | None = None

    def place_tod(self, tod_ns: int) -> int:
        """A time of day on the axis: on the day nearest to the running time, or on the first day. [ns]"""
        if self.now_ns is None:
            self.now_ns = tod_ns
            return tod_ns
        return self.now_ns + (tod_ns - self.now_ns + DAY_NS // 2) % DAY_NS - DAY_NS // 2

    def place_date(self, tod_ns: int, day: float) -> int | None:
        """A time of day on a stated day (days since 1970), where that lies ahead and not too far; else None. [ns]

        A night is longer than half a day: by the time of day alone, the next morning would lie before the evening.
        """
        if self.day0 is None or self.now_ns is None or self.time_basis not in ("rmc", "zda") or day != day:
            return None
        at_ns = (int(day) - self.day0) * DAY_NS + tod_ns
        return at_ns if 0 < at_ns - self.now_ns < MOST_DAYS_AHEAD * DAY_NS else None

    def advance(self, time_ns: int) -> None:
        """Content has reached ``time_ns``; the running time never goes back."""
        self.now_ns = time_ns if self.now_ns is None else max(self.now_ns, time_ns)

    def learn_date(self, day: int, time_ns: int, basis: str) -> None:
        """The datum at ``time_ns`` on the axis lies on ``day`` (days since 1970), says ``basis``."""
        rank = DATE_SOURCES.index(basis)
        if self.time_basis is not None and DATE_SOURCES.index(self.time_basis) <= rank:
            return
        self.day0 = day - time_ns // DAY_NS
        self.time_basis = basis

    def utc_iso(self, time_ns: int | None) -> str | None:
        """ISO 8601 of a time on the axis, to the millisecond; None while the date is unknown."""
        if time_ns is None or self.day0 is None:
            return None
        ms = (time_ns + 500_000) // 1_000_000
        day, tod_ms = divmod(ms, DAY_MS)
        try:
            date = _EPOCH + dt.timedelta(days=self.day0 + int(day))
        except OverflowError:
            return None
        s, milli = divmod(int(tod_ms), 1000)
        fraction = f".{milli:03d}" if milli else ""
        return f"{date.isoformat()}T{s // 3600:02d}:{s % 3600 // 60:02d}:{s % 60:02d}{fraction}Z"


@dataclass(slots=True)
class Unwrapped:
    """Times of day of one stream as they run on over midnight, for any cut the same."""

    last_ns: int | None = None

    def place(self, tod_ms: Floats, axis: SessionAxis) -> Ints:
        """Axis times of (N,) times of day; NaN takes the time before it, and before the first the axis's own. [ns]"""
        n = len(tod_ms)
        known = ~np.isnan(tod_ms)
        out = np.full(n, 0 if self.last_ns is None else self.last_ns, dtype=np.int64)
        if known.any():
            tod_ns = (tod_ms[known] * 1e6).astype(np.int64)
            first = axis.place_tod(int(tod_ns[0])) if self.last_ns is None else self._nearest(int(tod_ns[0]))
            steps = (np.diff(tod_ns) + DAY_NS // 2) % DAY_NS - DAY_NS // 2
            values = first + np.concatenate(([0], np.cumsum(steps)))
            newest = np.cumsum(known) - 1
            before = out[0] if self.last_ns is not None else first
            out = np.where(newest >= 0, values[np.maximum(newest, 0)], before)
            self.last_ns = int(values[-1])
            axis.advance(int(values.max()))
        elif self.last_ns is None and axis.now_ns is not None:
            out[:] = axis.now_ns
        return out

    def _nearest(self, tod_ns: int) -> int:
        assert self.last_ns is not None
        return self.last_ns + (tod_ns - self.last_ns + DAY_NS // 2) % DAY_NS - DAY_NS // 2
