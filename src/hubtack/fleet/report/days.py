"""Minutes of all sessions laid out by machine and day: the rows that a strip draws. Minutes of one machine add up."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.fleet.account import SessionAccount
from hubtack.fleet.causes import charges
from hubtack.fleet.report.words import DAY_NS, Clock
from hubtack.fleet.totals import MINUTE_NS, by_machine, column

Floats = NDArray[np.float64]
SUMMED = (
    "no_data_s", "grade_s", "rough_s", "hold_s", "none_s", "autonomous_s", "differential_s", "rtk_float_s", "rtk_fixed_s",
    "other_s", "working_s", "lost_working_s",
)  # fmt: skip
MEASURED = ("age_median_s", "age_max_s", "baseline_median_m", "vertical_95_median_m")


@dataclass(frozen=True, slots=True)
class Day:
    """One machine on one day of the chosen zone (or one session without a date, whose times of day are UTC).

    ``columns`` holds one value for each of N minutes from ``first_ns`` on: sums in seconds (0 where there is no log) and
    measured figures (NaN where unknown). ``logged`` (N,) tells a minute with a log from one without.
    """

    machine: str
    label: str
    dated: bool
    first_ns: int
    columns: dict[str, Floats]
    logged: NDArray[np.bool_]
    charged: dict[str | None, float]

    @property
    def minutes(self) -> int:
        """How many minutes the strip is long."""
        return len(self.logged)

    def total_s(self, name: str) -> float:
        """The sum of a column. [s]"""
        return float(np.nansum(self.columns[name]))


def floats(values: Iterable[object]) -> Floats:
    """A column of an account as numbers, NaN where it is None or no number."""
    return np.array([v if isinstance(v, int | float) else np.nan for v in values], dtype=np.float64)


def days(accounts: Sequence[SessionAccount], clock: Clock) -> list[Day]:
    """Days of all machines, by machine and date. All machines of one date share their first and last minute."""
    parts: dict[tuple[str, str], list[tuple[NDArray[np.int64], dict[str, Floats]]]] = {}
    charged: dict[tuple[str, str], dict[str | None, float]] = {}
    undated: list[Day] = []
    for machine, group in by_machine(accounts).items():
        for account in group:
            times = np.array([int(t) for t in column(account, "minute_ns") if t is not None], dtype=np.int64)
            if not len(times) or len(times) != len(column(account, "minute_ns")):
                continue
            columns = {name: floats(column(account, name)) for name in (*SUMMED, *MEASURED)}
            if account.document.get("start_utc") is None:
                undated.append(_undated(account, machine, times, columns))
                continue
            labels = _labels(times, clock)
            for label in dict.fromkeys(labels):
                mine = np.array([text == label for text in labels])
                parts.setdefault((machine, label), []).append((times[mine], {k: v[mine] for k, v in columns.items()}))
            for charge in charges(account):
                row = charged.setdefault((machine, clock.date(charge.minute_ns)), {})
                row[charge.code] = row.get(charge.code, 0.0) + charge.lost_s
    spans: dict[str, tuple[int, int]] = {}
    for (_, label), pieces in parts.items():
        first, last = min(int(t.min()) for t, _ in pieces), max(int(t.max()) for t, _ in pieces)
        old = spans.get(label, (first, last))
        spans[label] = (min(old[0], first), max(old[1], last))
    dated = [
        _day(machine, label, True, *spans[label], pieces, charged.get((machine, label), {}))
        for (machine, label), pieces in parts.items()
    ]
    return sorted(dated, key=lambda d: (d.machine, d.first_ns)) + undated


def _labels(times: NDArray[np.int64], clock: Clock) -> list[str]:
    """The date of each minute; asked of the calendar once an hour, since no zone changes its date within one.

    Zones off by 30 or 45 minutes have midnight within an hour of UTC: hence quarters of an hour.
    """
    quarters = times // (15 * MINUTE_NS)
    known = {int(q): clock.date(int(q) * 15 * MINUTE_NS) for q in np.unique(quarters)}
    return [known[int(q)] for q in quarters]


def _undated(account: SessionAccount, machine: str, times: NDArray[np.int64], columns: dict[str, Floats]) -> Day:
    owed: dict[str | None, float] = {}
    for charge in charges(account):
        owed[charge.code] = owed.get(charge.code, 0.0) + charge.lost_s
    label = f"date unknown: {account.document.get('name') or account.key}"
    return _day(machine, label, False, int(times.min()), int(times.max()), [(times, columns)], owed)


def _day(
    machine: str,
    label: str,
    dated: bool,
    first_ns: int,
    last_ns: int,
    pieces: Sequence[tuple[NDArray[np.int64], dict[str, Floats]]],
    charged: dict[str | None, float],
) -> Day:
    n = int((last_ns - first_ns) // MINUTE_NS) + 1
    out = {name: np.zeros(n) for name in SUMMED} | {name: np.full(n, np.nan) for name in MEASURED}
    logged = np.zeros(n, dtype=bool)
    for times, columns in pieces:
        at = (times - first_ns) // MINUTE_NS
        logged[at] = True
        for name in SUMMED:
            np.add.at(out[name], at, np.nan_to_num(columns[name]))
        for name in MEASURED:  # of two sessions in one minute the worse is drawn
            out[name][at] = np.fmax(out[name][at], columns[name])
    return Day(machine, label, dated, first_ns, out, logged, charged)


def ticks(day: Day, clock: Clock, most: int = 9) -> list[tuple[float, str]]:
    """Marks on the time axis: place as a share of the strip, and the time of day (UTC where the date is unknown)."""
    steps = (1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360)
    step = next((s for s in steps if day.minutes / s <= most - 1), steps[-1])
    midnight_ns = clock.day_start_ns(day.first_ns) if day.dated else day.first_ns // DAY_NS * DAY_NS
    out = []
    first = -(-(day.first_ns - midnight_ns) // (step * MINUTE_NS))
    for k in range(first, first + most + 2):
        at_ns = midnight_ns + k * step * MINUTE_NS
        place = (at_ns - day.first_ns) / (day.minutes * MINUTE_NS)
        if place > 1:
            break
        if day.dated:
            text = clock.hhmm(at_ns)
        else:
            text = (dt.datetime(2000, 1, 1) + dt.timedelta(microseconds=at_ns % DAY_NS // 1000)).strftime("%H:%M")
        out.append((place, text))
    return out
