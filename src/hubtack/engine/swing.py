"""Where does the antenna stand on the house? A circle through its positions while the house swings.

On an excavator the course made good says nothing about heading; the swing does. With the heading psi (clockwise from
north) and the antenna ``forward`` and ``right`` of the swing axis, the antenna is at

    east  = east_0  + forward sin psi + right cos psi
    north = north_0 + forward cos psi - right sin psi

which is linear in the four unknowns. The direction from axis to antenna, less the heading, is atan2(right, forward):
a constant of the machine. Where the site file gives the antenna's place, it is checked against that; else spell
against spell.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.quantities import Quantities
from hubtack.epochs.columns import Epochs
from hubtack.geo import ecef_offset_to_enu
from hubtack.knowledge.fix_types import FIXED
from hubtack.knowledge.limits import LIMITS_BY_KEY

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_S = 1_000_000_000
MOST_SAMPLES = 20_000  # more than five hours of swinging at one a second
LEAST_TURN_DEG = 1.0  # a second in which the house turns less is no swing
_SWING_GAP_S = 5.0
LEAST_ARC_DEG, LEAST_SAMPLES, LEAST_RADIUS_M, MOST_RESIDUAL_M = 40.0, 8, 0.30, 0.05
# The direction is as good as the way is long beside a centimetre of noise: 60 degrees at the least radius, and less of
# a turn only as far as the antenna stands farther off the axis.
_LEAST_WAY_M = float(np.radians(60.0)) * LEAST_RADIUS_M


@dataclass(frozen=True, slots=True)
class SwingFit:
    """One swing: when, the antenna's direction from the axis less the heading [deg], its distance from the axis [m]."""

    start_ns: int
    end_ns: int
    direction_deg: float
    radius_m: float
    arc_deg: float
    residual_m: float


@dataclass(slots=True)
class Swings:
    """Positions and headings once a second while the house turns and the position is fixed."""

    time_s: array[float] = field(default_factory=lambda: array("d"))
    heading_deg: array[float] = field(default_factory=lambda: array("d"))
    east_m: array[float] = field(default_factory=lambda: array("d"))
    north_m: array[float] = field(default_factory=lambda: array("d"))
    _origin: tuple[float, float, float, float, float] | None = None  # ECEF, latitude, longitude of the first sample
    _last: tuple[int, float] | None = None  # second and heading of the sample before
    expected_deg: float | None = None  # the antenna's direction by the site file
    contradicts_deg: float = LIMITS_BY_KEY["heading_off_stop_deg"].value
    contradicts: bool = False  # by the newest swing that could be fitted
    _judged: int = 0  # samples whose swing has been judged

    def add(self, epochs: Epochs, q: Quantities) -> None:
        """Add N judged rows, in any cut."""
        usable = (q.fix == FIXED) & ~np.isnan(q.heading_deg) & ~np.isnan(q.pos_ecef_m[:, 0])
        # The heading must be the row's own: one that is held for two seconds lags behind the position.
        usable &= ~np.isnan(epochs.heading_deg)
        index = np.flatnonzero(usable)
        if not len(index):
            return
        second = epochs.time_ns[index] // _S
        opens = np.concatenate(([self._last is None or second[0] != self._last[0]], np.diff(second) != 0))
        index, second = index[opens], second[opens]
        if not len(index):
            return
        heading = q.heading_deg[index]
        before = np.concatenate(([self._last[1] if self._last else np.nan], heading[:-1]))
        gap = np.concatenate(([second[0] - self._last[0] if self._last else 99], np.diff(second)))
        turn = np.abs((heading - before + 180.0) % 360.0 - 180.0)
        swinging = (turn >= LEAST_TURN_DEG) & (gap == 1)
        self._last = (int(second[-1]), float(heading[-1]))
        keep = index[swinging][: MOST_SAMPLES - len(self.time_s)]
        if not len(keep):
            return
        if self._origin is None:
            x, y, z = (float(v) for v in q.pos_ecef_m[keep[0]])
            self._origin = (x, y, z, float(epochs.latitude_deg[keep[0]]), float(epochs.longitude_deg[keep[0]]))
        x, y, z, lat, lon = self._origin
        offset = q.pos_ecef_m[keep] - np.array([x, y, z])
        enu = ecef_offset_to_enu(offset, np.array([lat]), np.array([lon]))
        self.time_s.extend((epochs.time_ns[keep] / _S).tolist())
        self.heading_deg.extend(q.heading_deg[keep].tolist())
        self.east_m.extend(enu[:, 0].tolist())
        self.north_m.extend(enu[:, 1].tolist())

    def contradiction(self, epochs: Epochs) -> NDArray[np.bool_]:
        """Whether the heading contradicts the newest complete swing, at each of N rows; call once, after ``add``.

        A swing is complete five seconds after its last sample; what it says holds until the next one.
        """
        flags = np.full(len(epochs), self.contradicts)
        if self.expected_deg is None or not len(epochs):
            return flags
        now_s = float(epochs.time_ns[-1]) / _S
        t = np.array(self.time_s)[self._judged :]
        for part in np.split(np.arange(len(t)), np.flatnonzero(np.diff(t) > _SWING_GAP_S) + 1) if len(t) else []:
            ends_s = float(t[part[-1]]) + _SWING_GAP_S
            if ends_s >= now_s:
                break
            pick = part + self._judged
            fit = _fit(*(np.array(c)[pick] for c in (self.time_s, self.heading_deg, self.east_m, self.north_m)))
            if fit is not None:
                off_deg = (fit.direction_deg - self.expected_deg + 180.0) % 360.0 - 180.0
                self.contradicts = abs(off_deg) >= self.contradicts_deg
                flags[epochs.time_ns / _S > ends_s] = self.contradicts
        if len(t):
            done = np.flatnonzero(np.diff(np.append(t, now_s)) > _SWING_GAP_S)
            self._judged += int(done[-1]) + 1 if len(done) else 0
        return flags

    def fits(self) -> list[SwingFit]:
        """A fit of each swing that turned far enough about a standing axis."""
        if not self.time_s:
            return []
        t, h, e, n = (np.array(c) for c in (self.time_s, self.heading_deg, self.east_m, self.north_m))
        starts = np.concatenate(([0], np.flatnonzero(np.diff(t) > _SWING_GAP_S) + 1))
        return [fit for fit in _fits(t, h, e, n, starts) if fit is not None]


def _fit(t_s: Floats, heading_deg: Floats, east_m: Floats, north_m: Floats) -> SwingFit | None:
    return _fits(t_s, heading_deg, east_m, north_m, np.zeros(1, dtype=np.int64))[0]


def _fits(
    t_s: Floats, heading_deg: Floats, east_m: Floats, north_m: Floats, starts: NDArray[np.int64]
) -> list[SwingFit | None]:
    """A fit of each swing that begins at ``starts``, all at once.

    east = E + f sin psi + r cos psi, north = N + f cos psi - r sin psi. Taken from their means, f and r have no cross
    term in the normal equations, so each is one quotient of sums.
    """
    stops = np.append(starts[1:], len(t_s))
    count = stops - starts
    # Headings without the step at north: whole turns are counted, so that nothing is rounded.
    step = np.diff(heading_deg, prepend=heading_deg[:1])
    turns = np.cumsum((step < -180.0).astype(np.int64) - (step > 180.0).astype(np.int64))
    unwrapped = heading_deg + 360.0 * (turns - np.repeat(turns[starts], count))
    arc = np.maximum.reduceat(unwrapped, starts) - np.minimum.reduceat(unwrapped, starts)

    def centred(values: Floats) -> Floats:
        return np.asarray(values - np.repeat(np.add.reduceat(values, starts) / count, count))

    psi = np.radians(heading_deg)
    sin, cos, east, north = centred(np.sin(psi)), centred(np.cos(psi)), centred(east_m), centred(north_m)
    weight = np.add.reduceat(sin * sin + cos * cos, starts)
    weight = np.where(weight > 0, weight, np.nan)  # a single sample turns nowhere
    forward = np.add.reduceat(east * sin + north * cos, starts) / weight
    right = np.add.reduceat(east * cos - north * sin, starts) / weight
    f, r = np.repeat(forward, count), np.repeat(right, count)
    off_east, off_north = east - f * sin - r * cos, north - f * cos + r * sin
    residual_m = np.sqrt(np.add.reduceat(off_east * off_east + off_north * off_north, starts) / (2 * count))
    radius_m = np.hypot(forward, right)
    good = (count >= LEAST_SAMPLES) & (arc >= LEAST_ARC_DEG)
    good &= (
        (radius_m >= LEAST_RADIUS_M) & (radius_m * np.radians(arc) >= _LEAST_WAY_M) & (residual_m <= MOST_RESIDUAL_M)
    )
    direction = np.degrees(np.arctan2(right, forward))
    found: list[SwingFit | None] = [None] * len(starts)
    for i in np.flatnonzero(good).tolist():
        a, b = int(starts[i]), int(stops[i]) - 1
        found[i] = SwingFit(
            int(t_s[a] * _S), int(t_s[b] * _S), float(direction[i]), float(radius_m[i]), float(arc[i]),
            float(residual_m[i]),
        )  # fmt: skip
    return found
