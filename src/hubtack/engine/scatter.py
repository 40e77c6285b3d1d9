"""Does a fixed position of a standing machine scatter more than its sigmas admit?

Windows of half a minute in which every row is fixed and slow by Doppler. GNSS errors are correlated over tens of
seconds, so the scatter within a window is less than the sigma of a position, never more: the test errs on the side of
silence. One independent value every 3 s is assumed, ten a window, and the variance over sigma squared is compared with
the limit ``scatter_variance_ratio``, the chi-square point at 1e-7 for nine degrees of freedom. Two windows in a row
must fail in one of three axes: by chance that is less than once in the life of a fleet, and a machine that rocks for a
moment is none. What the receiver rounds away is no contradiction: heights to the decimetre scatter by half of one.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.quantities import MINUTE_OF_ARC_M, Quantities, last_digit
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
    sums: list[int] = field(default_factory=lambda: [0, 0, 0])
    squares: list[int] = field(default_factory=lambda: [0, 0, 0])
    variances: list[int] = field(default_factory=lambda: [0, 0])  # horizontal, vertical; summed


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
        starts = np.concatenate(([0], np.flatnonzero(number[1:] != number[:-1]) + 1))
        counts = (q.fix == FIXED) & (epochs.speed_m_s < self.slow_m_s) & ~np.isnan(q.pos_ecef_m[:, 0])
        bad = np.add.reduceat(~counts, starts, dtype=np.int64)
        numbers, first_ns = number[starts].tolist(), epochs.time_ns[starts].tolist()
        stops = [*starts[1:].tolist(), n]
        last_ns = epochs.time_ns[np.array(stops) - 1].tolist()
        continues = numbers[0] == self._number
        # One row that moved, and the window says nothing.
        good = np.flatnonzero(bad == 0)
        if continues and self._window.bad:
            good = good[good > 0]
        sums = self._sums(epochs, q, starts, np.array(stops), good, continues) if len(good) else {}
        for i, (a, b) in enumerate(zip(starts.tolist(), stops, strict=True)):
            if numbers[i] != self._number:
                was = self.contradicts
                self._close()
                self._number, self._window, self._origin = numbers[i], _Window(), None
                if self.contradicts != was:
                    flags[a:] = self.contradicts
            w = self._window
            if not w.rows:
                w.first_ns = first_ns[i]
            w.rows += b - a
            w.last_ns = last_ns[i]
            w.bad += int(bad[i])
            if i in sums:
                if self._origin is None:
                    self._origin = (
                        q.pos_ecef_m[a].copy(), float(epochs.latitude_deg[a]), float(epochs.longitude_deg[a]),
                    )  # fmt: skip
                for total, more in zip((w.sums, w.squares, w.variances), sums[i], strict=True):
                    total[:] = [x + y for x, y in zip(total, more, strict=True)]
        return flags

    def _sums(
        self, epochs: Epochs, q: Quantities, starts: Ints, stops: Ints, good: Ints, continues: bool
    ) -> dict[int, tuple[list[int], list[int], list[int]]]:
        """Sums, squares and variances of the ``good`` of the windows of these rows, by number of the window."""
        length = (stops - starts)[good]
        first = np.cumsum(length) - length  # of each good window among the rows that are taken
        of = np.repeat(np.arange(len(good)), length)
        rows = np.arange(len(of)) - first[of] + starts[good][of]
        origin, lat, lon = (c[starts[good]] for c in (q.pos_ecef_m, epochs.latitude_deg, epochs.longitude_deg))
        if continues and good[0] == 0 and self._origin is not None:
            origin[0], lat[0], lon[0] = self._origin
        enu = ecef_offset_to_enu(q.pos_ecef_m[rows] - origin[of], lat[of], lon[of])
        units = np.rint(np.clip(enu, -50.0, 50.0) / _UNIT_M).astype(np.int64)
        sums, squares = (np.add.reduceat(u, first, axis=0).tolist() for u in (units, units * units))
        stated_h = np.sqrt((epochs.sigma_north_m[rows] ** 2 + epochs.sigma_east_m[rows] ** 2) / 2.0)
        variances = []
        step_h_m = last_digit(epochs.minute_decimals[rows]) * MINUTE_OF_ARC_M
        step_v_m = last_digit(epochs.height_decimals[rows])
        for stated, floor_m, step_m in (
            (stated_h, self.floor_horizontal_m, step_h_m), (epochs.sigma_up_m[rows], self.floor_vertical_m, step_v_m)
        ):  # fmt: skip
            sigma = np.minimum(np.fmax(stated, floor_m), 50.0)
            # What is rounded goes to and fro between two steps: no variance within a step is above a quarter of its
            # square (Popoviciu's inequality).
            allowed = sigma**2 + step_m**2 / 4.0
            variances.append(np.add.reduceat(np.rint(allowed / _UNIT_M**2).astype(np.int64), first).tolist())
        return {i: (sums[k], squares[k], [variances[0][k], variances[1][k]]) for k, i in enumerate(good.tolist())}

    def _close(self) -> None:
        """Judge the window that has ended."""
        w = self._window
        if not w.rows or self._number is None:
            return
        if w.bad or w.rows < LEAST_ROWS or w.last_ns - w.first_ns < LEAST_SPAN_NS:
            self.contradicts = False
            return
        ratio = 0.0
        for total, square, allowed in zip(w.sums, w.squares, (w.variances[0], *w.variances), strict=True):
            mean = total / w.rows
            variance = (square / w.rows - mean * mean) * w.rows / (w.rows - 1)
            ratio = max(ratio, variance / (allowed / w.rows))
        failed = ratio > self.most_ratio
        self.contradicts = failed and self._failed_before == self._number - 1
        if failed:
            self._failed_before = self._number
            self.worst_ratio = max(self.worst_ratio, float(np.sqrt(ratio)))
