"""Control checks over a session: which rows were checked, and when a check confirmed the base again.

Checks come from the control record beside the site file; they have dates, so nothing is checked before the session
knows its own. Whether a check counts is the control record's own rule (``LatestCheck.counts_at``).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.control.latest import LatestCheck

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


def _utc_ns(at: dt.datetime) -> int:
    return (at - _EPOCH) // dt.timedelta(microseconds=1) * 1000


def _moment(utc_ns: int) -> dt.datetime:
    return _EPOCH + dt.timedelta(microseconds=utc_ns // 1000)


@dataclass(slots=True)
class Checking:
    """The checks of one machine, oldest first. ``expected`` says that this site works with control marks at all."""

    valid_h: float
    checks: tuple[LatestCheck, ...] = ()
    expected: bool = False

    def know(self, checks: Sequence[LatestCheck], *, expected: bool = False) -> None:
        """Take the checks as the record has them now; ``expected`` as the site file has it, or once one was made."""
        self.checks = tuple(sorted(checks, key=lambda check: check.at))
        self.expected = expected or self.expected or bool(self.checks)

    def at_rows(self, utc_ns: Ints, base_id: Floats, arp_ecef_m: Floats, computed: Bools) -> Bools:
        """Whether a check counts at each of N rows, given the base that was in use then (NaN where not known)."""
        n = len(utc_ns)
        if not self.checks or not n:
            return np.zeros(n, dtype=bool)
        times = np.array([_utc_ns(check.at) for check in self.checks], dtype=np.int64)
        newest = np.searchsorted(times, utc_ns, side="right") - 1
        # What a check depends on changes seldom: it is asked at the ends of each stretch in which nothing does.
        state = np.column_stack((newest, base_id, arp_ecef_m, computed))
        same = (state[1:] == state[:-1]) | (np.isnan(state[1:]) & np.isnan(state[:-1]))
        starts = np.concatenate(([0], np.flatnonzero(~same.all(axis=1)) + 1))
        flags = np.zeros(n, dtype=bool)
        for a, b in zip(starts, [*starts[1:], n], strict=True):
            if newest[a] < 0:
                continue
            check = self.checks[int(newest[a])]
            if self._counts(check, int(utc_ns[a]), base_id[a], arp_ecef_m[a], bool(computed[a])):
                end_ns = times[newest[a]] + int(self.valid_h * 3600e9)
                flags[a:b] = utc_ns[a:b] <= end_ns
        return flags

    def _counts(self, check: LatestCheck, utc_ns: int, base_id: float, arp: Floats, computed: bool) -> bool:
        known = not np.isnan(arp).any()
        return check.counts_at(
            _moment(utc_ns),
            valid_h=self.valid_h,
            base_id=None if np.isnan(base_id) else int(base_id),
            arp_ecef_m=[float(v) for v in arp] if known else None,
            base_computed=computed,
        )

    def newest_at(self, utc_ns: int) -> LatestCheck | None:
        """The newest check not after that moment, whether it passed or failed."""
        before = [check for check in self.checks if _utc_ns(check.at) <= utc_ns]
        return before[-1] if before else None

    def passed_between(self, after_ns: int, until_ns: int) -> list[int]:
        """Moments of passed checks after one moment and not after another. [UTC ns]"""
        times = [_utc_ns(check.at) for check in self.checks if check.passed]
        return [t for t in times if after_ns < t <= until_ns]
