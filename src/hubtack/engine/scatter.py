"""Does a fixed position of a standing machine scatter more than its sigmas admit?

Windows of half a minute in which every row is fixed and slow by Doppler. GNSS errors are correlated over tens of
seconds, so the scatter within a window is less than the sigma of a position, never more: the test errs on the side of
silence. One independent value every 3 s is assumed, ten a window, and the variance over sigma squared is compared with
the limit ``scatter_variance_ratio``, the chi-square point at 1e-7 for nine degrees of freedom. Two windows in a row
must fail in one of three axes: by chance that is less than once in the life of a fleet, and a machine that rocks for a
moment is none.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.quantities import Quantities
from hubtack.epochs.columns import Epochs
from hubtack.geo import ecef_offset_to_enu
from hubtack.knowledge.fix_types import FIXED

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
_S = 1_000_000_000
WINDOW_NS = 30 * _S
LEAST_ROWS, LEAST_SPAN_NS = 20, 25 * _S
_UNIT_M = 1e-4  # sums are of whole tenths of a millimetre, so that any cut gives the same


@dataclass(slots=True)
class _Window:
    """Sums over one window: rows, those that do not count, first and last time, offsets and squares, sigmas."""

    rows: int = 0
    bad: int = 0
    first_ns: int = 0
    last_ns: int = 0
    sums: Ints = field(default_factory=lambda: np.zeros(3, dtype=np.int64))
    squares: Ints = field(default_factory=lambda: np.zeros(3, dtype=np.int64))
    variances: Ints = field(default_factory=lambda: np.zeros(2, dtype=np.int64))  # horizontal, vertical; summed


@dataclass(slots=True)
class Scatter:
    """The test over a session. ``floor_*`` are the receiver's own constant + ppm, which no stated sigma undercuts. [m]

    ``worst_ratio`` is the largest scatter over sigma of a window that failed.
    """

    floor_horizontal_m: float
    floor_vertical_m: float
    slow_m_s: float
    most_ratio: float
    contradicts: bool = False
    worst_ratio: float = 0.0
    _origin: tuple[Floats, float, float] | None = None  # of the window's first row: ECEF, latitude, longitude
    _number: int | None = None
    _window: _Window = field(default_factory=_Window)
    _failed_before: int | None = None  # number of the newest window that failed

    def add(self, epochs: Epochs, q: Quantities) -> Bools:
        """Add N rows; whether the newest complete windows contradict the sigmas, at each of them."""
        n = len(epochs)
        flags = np.full(n, self.contradicts)
        if not n:
            return flags
        number = epochs.time_ns // WINDOW_NS
        starts = np.concatenate(([0], np.flatnonzero(number[1:] != number[:-1]) + 1, [n]))
        counts = (q.fix == FIXED) & (epochs.speed_m_s < self.slow_m_s) & ~np.isnan(q.pos_ecef_m[:, 0])
        for a, b in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True):
            if int(number[a]) != self._number:
                self._close()
                self._number, self._window, self._origin = int(number[a]), _Window(), None
                flags[a:] = self.contradicts
            self._take(epochs, q, counts, a, b)
        return flags

    def _take(self, epochs: Epochs, q: Quantities, counts: Bools, a: int, b: int) -> None:
        w = self._window
        if not w.rows:
            w.first_ns = int(epochs.time_ns[a])
        w.rows += b - a
        w.last_ns = int(epochs.time_ns[b - 1])
        bad = int(np.count_nonzero(~counts[a:b]))
        w.bad += bad
        if w.bad:
            return  # one row that moved, and the window says nothing
        if self._origin is None:
            self._origin = (
                q.pos_ecef_m[a].copy(), float(epochs.latitude_deg[a]), float(epochs.longitude_deg[a]),
            )  # fmt: skip
        at, lat, lon = self._origin
        offset = q.pos_ecef_m[a:b] - at
        enu = ecef_offset_to_enu(offset, np.full(b - a, lat), np.full(b - a, lon))
        units = np.round(np.clip(enu, -50.0, 50.0) / _UNIT_M).astype(np.int64)
        w.sums += units.sum(axis=0)
        w.squares += (units * units).sum(axis=0)
        stated_h = np.sqrt((epochs.sigma_north_m[a:b] ** 2 + epochs.sigma_east_m[a:b] ** 2) / 2.0)
        sigma_h = np.fmax(np.where(np.isnan(stated_h), 0.0, stated_h), self.floor_horizontal_m)
        sigma_v = np.fmax(
            np.where(np.isnan(epochs.sigma_up_m[a:b]), 0.0, epochs.sigma_up_m[a:b]), self.floor_vertical_m
        )
        for i, sigma in enumerate((sigma_h, sigma_v)):
            w.variances[i] += int(np.round(np.minimum(sigma, 50.0) ** 2 / _UNIT_M**2).astype(np.int64).sum())

    def _close(self) -> None:
        """Judge the window that has ended."""
        w = self._window
        if not w.rows or self._number is None:
            return
        if w.bad or w.rows < LEAST_ROWS or w.last_ns - w.first_ns < LEAST_SPAN_NS:
            self.contradicts = False
            return
        mean = w.sums / w.rows
        variance = (w.squares / w.rows - mean * mean) * w.rows / (w.rows - 1)
        allowed = np.array([w.variances[0], w.variances[0], w.variances[1]]) / w.rows
        ratio = float((variance / allowed).max())
        failed = ratio > self.most_ratio
        self.contradicts = failed and self._failed_before == self._number - 1
        if failed:
            self._failed_before = self._number
            self.worst_ratio = max(self.worst_ratio, float(np.sqrt(ratio)))
