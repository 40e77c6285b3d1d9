"""Where the machine stood when it was switched off, and where it says it stands when it is switched on again.

A machine that was not moved in between must come up where it went down. If it does not, the base was set up again
elsewhere, or an antenna was moved, and every design placed before is off by the same vector. Positions are taken
once a second while fixed; a stand is the stretch in which they stay within 0.10 m of one of its ends.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.quantities import Quantities
from hubtack.epochs.columns import Epochs
from hubtack.geo import ecef_offset_to_enu, ecef_to_geodetic
from hubtack.knowledge.fix_types import FIXED
from hubtack.knowledge.limits import LIMITS_BY_KEY

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_S = 1_000_000_000

LEAST_SAMPLES, MOST_SAMPLES = 10, 120
STAND_M = 0.10
HEADING_DEG = 3.0  # a house that was turned has moved its antenna


@dataclass(frozen=True, slots=True)
class NightLimits:
    """What counts as a night and as a shift: rows ``overnight_*`` of the limit table. [s, sigma, m]"""

    least_s: float
    most_s: float
    sigmas: float
    driven_m: float

    @classmethod
    def of(cls, limit: Callable[[str], float]) -> NightLimits:
        """Out of a site's limits by their keys."""
        return cls(
            limit("overnight_least_h") * 3600.0,
            limit("overnight_most_h") * 3600.0,
            limit("overnight_sigmas"),
            limit("overnight_driven_m"),
        )


DEFAULT_LIMITS = NightLimits.of(lambda key: LIMITS_BY_KEY[key].value)


@dataclass(frozen=True, slots=True)
class Stand:
    """A stretch of standing still while fixed: median position, when, and the heading, NaN where there is none.

    ``time_ns`` is on the session's axis, the end of it for the last stand and the start for the first. ``n`` counts
    the seconds that it rests on.
    """

    ecef_m: tuple[float, float, float]
    time_ns: int
    heading_deg: float
    n: int


@dataclass(frozen=True, slots=True)
class Shift:
    """A first position that differs from the last before the night: east, north and up, and what chance allows."""

    before: Stand
    after: Stand
    apart_s: float
    enu_m: tuple[float, float, float]
    allowed_horizontal_m: float
    allowed_vertical_m: float

    @property
    def length_m(self) -> float:
        """Length of the vector. [m]"""
        return float(np.sqrt(sum(v * v for v in self.enu_m)))


def compare(
    before: Stand,
    after: Stand,
    apart_s: float,
    sigma_h_m: float,
    sigma_v_m: float,
    limits: NightLimits = DEFAULT_LIMITS,
) -> Shift | None:
    """The shift from one stand to the next where it is more than chance allows; None where nothing can be said.

    ``apart_s`` is the time between them. ``sigma_h_m`` and ``sigma_v_m`` are those of one fixed position, per axis: the
    errors within a minute or two are correlated, so that a median of them is hardly better than one.
    """
    if not limits.least_s <= apart_s <= limits.most_s or min(before.n, after.n) < LEAST_SAMPLES:
        return None
    turned = abs((after.heading_deg - before.heading_deg + 180.0) % 360.0 - 180.0)
    if turned > HEADING_DEG:  # NaN: no heading, so nothing to say against
        return None
    offset = np.array([after.ecef_m]) - np.array([before.ecef_m])
    lat, lon, _ = ecef_to_geodetic(np.array([before.ecef_m]))
    enu = ecef_offset_to_enu(offset, lat, lon)[0]
    horizontal_m, up_m = float(np.hypot(enu[0], enu[1])), abs(float(enu[2]))
    allowed_h, allowed_v = (limits.sigmas * float(np.sqrt(2.0)) * s for s in (sigma_h_m, sigma_v_m))
    if (horizontal_m <= allowed_h and up_m <= allowed_v) or max(horizontal_m, up_m) > limits.driven_m:
        return None
    return Shift(before, after, apart_s, (float(enu[0]), float(enu[1]), float(enu[2])), allowed_h, allowed_v)


@dataclass(slots=True)
class Parked:
    """First and last stand of each stretch of work, in any cut; a silence of a night ends a stretch.

    ``before`` is the last stand of an earlier session with its age at this session's first row, where one is known.
    """

    sigma_h_m: float
    sigma_v_m: float
    limits: NightLimits = DEFAULT_LIMITS
    before: tuple[Stand, float] | None = None
    first: Stand | None = None  # of the whole session
    shifts: list[Shift] = field(default_factory=list)
    contradicts: bool = False
    _start_ns: int | None = None  # first row of the session
    _last_row_ns: int | None = None
    _last_second: int | None = None
    _opening: list[tuple[int, float, float, float, float]] = field(default_factory=list)
    _opened: bool = False
    _tail: Floats = field(default_factory=lambda: np.zeros((0, 5), dtype=np.float64))

    def add(self, epochs: Epochs, q: Quantities) -> Bools:
        """Add N judged rows; tells at which of them an unexplained shift of this session was known."""
        n = len(epochs)
        flags = np.full(n, self.contradicts)
        if not n:
            return flags
        if self._start_ns is None:
            self._start_ns = int(epochs.time_ns[0])
        last_ns = epochs.time_ns[0] if self._last_row_ns is None else self._last_row_ns
        before = np.concatenate(([last_ns], epochs.time_ns[:-1]))
        nights = [int(i) for i in np.flatnonzero(epochs.time_ns - before > int(self.limits.least_s * _S))]
        if nights and nights[0] == 0:
            self._end_stretch()
        starts = [0, *(i for i in nights if i)]
        for start, end in zip(starts, [*starts[1:], n], strict=True):
            if start:
                self._end_stretch()
            known_at = self._stretch(epochs, q, start, end)
            if known_at is not None and self.contradicts:
                flags[known_at:] = True
        self._last_row_ns = int(epochs.time_ns[-1])
        return flags

    def last(self) -> Stand | None:
        """Where the machine stands now, or stood when the data ended."""
        near = self._still()
        if len(near) < LEAST_SAMPLES:
            return None
        return _stand(near, int(self._tail[-1, 0]))

    def clear(self) -> None:
        """A person or a control check has confirmed the position."""
        self.contradicts = False

    def _end_stretch(self) -> None:
        last = self.last()
        # Without a stand at its end the machine was at work when it was switched off: the one before is no use then.
        self.before = None if last is None else (last, 0.0)
        self._opening, self._opened = [], False
        self._tail = np.zeros((0, 5))

    def _stretch(self, epochs: Epochs, q: Quantities, start: int, end: int) -> int | None:
        """Take the rows from ``start`` to ``end``; the row at which the first stand was complete, if it was now."""
        part = slice(start, end)
        usable = (q.fix[part] == FIXED) & ~np.isnan(q.pos_ecef_m[part, 0])
        index = np.flatnonzero(usable) + start
        if not len(index):
            return None
        second = epochs.time_ns[index] // _S
        opens = np.concatenate(([self._last_second is None or second[0] != self._last_second], np.diff(second) != 0))
        index = index[opens]
        self._last_second = int(second[-1])
        samples = np.column_stack((epochs.time_ns[index], q.pos_ecef_m[index], q.heading_deg[index]))
        self._tail = np.asarray(np.concatenate((self._tail, samples))[-MOST_SAMPLES:], dtype=np.float64)
        if self._opened:
            return None
        for i, sample in zip(index, samples, strict=True):
            first = self._opening[0] if self._opening else None
            moved = first is not None and _apart(first, sample) > STAND_M
            if not moved:
                self._opening.append(tuple(float(v) for v in sample))  # type: ignore[arg-type]
            if moved or len(self._opening) >= 3 * LEAST_SAMPLES:
                self._opened = True
                self._judge()
                return int(i)
        return None

    def _judge(self) -> None:
        if len(self._opening) < LEAST_SAMPLES:
            return
        after = _stand(np.array(self._opening), int(self._opening[0][0]))
        if self.first is None:
            self.first = after
        if self.before is None:
            return
        stand, age_s = self.before
        # Of an earlier session the age at this one's first row is known; within a session both are on one axis.
        apart_s = (
            age_s + (after.time_ns - (self._start_ns or 0)) / _S if age_s else (after.time_ns - stand.time_ns) / _S
        )
        shift = compare(stand, after, apart_s, self.sigma_h_m, self.sigma_v_m, self.limits)
        if shift is not None:
            self.shifts.append(shift)
            self.contradicts = True

    def _still(self) -> Floats:
        """The newest samples, back to the last one that lies elsewhere."""
        if not len(self._tail):
            return self._tail
        d = self._tail[:, 1:4] - self._tail[-1, 1:4]
        away = np.flatnonzero(np.sqrt((d * d).sum(axis=1)) > STAND_M)
        return self._tail[away[-1] + 1 :] if len(away) else self._tail


def _apart(a: tuple[float, ...], b: Floats) -> float:
    return float(np.sqrt(sum((p - r) ** 2 for p, r in zip(a[1:4], b[1:4].tolist(), strict=True))))


def _stand(samples: Floats, time_ns: int) -> Stand:
    middle = np.median(samples[:, 1:4], axis=0)
    headings = samples[~np.isnan(samples[:, 4]), 4]
    heading = float(headings[-1]) if len(headings) else float("nan")
    return Stand((float(middle[0]), float(middle[1]), float(middle[2])), time_ns, heading, len(samples))
