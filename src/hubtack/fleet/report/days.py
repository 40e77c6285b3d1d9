"""Minutes of all sessions laid out by machine and day: the rows that a strip draws. Minutes of one machine add up."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

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
    if isinstance(values, np.ndarray) and values.dtype == np.float64:
        return values
    return np.array([v if isinstance(v, int | float) else np.nan for v in values], dtype=np.float64)


@dataclass(slots=True)
class _Pile:
    """What belongs on one strip: which minutes of which sessions, and what they cost."""

    machine: str
    label: str
    dated: bool
    first_ns: int
    last_ns: int
    pieces: list[tuple[SessionAccount, NDArray[np.int64]]] = field(default_factory=list)  # indices of minutes
    lost_s: float = 0.0


def days(accounts: Sequence[SessionAccount], clock: Clock, most: int | None = None) -> tuple[list[Day], int]:
    """Days of all machines, by machine and date; those of no date last.

    All machines of one date share their first and last minute. With ``most`` only so many are made, those with most lost
    working time; the second value says how many were left out.
    """
    piles: dict[tuple[str, str], _Pile] = {}
    for machine, group in by_machine(accounts).items():
        for account in group:
            _pile_up(piles, account, machine, clock)
    spans: dict[str, tuple[int, int]] = {}
    for pile in piles.values():
        old = spans.get(pile.label, (pile.first_ns, pile.last_ns))
        spans[pile.label] = (min(old[0], pile.first_ns), max(old[1], pile.last_ns))
    ranked = sorted(piles.values(), key=lambda p: -p.lost_s)[:most]
    found = [
        _day(pile, *(spans[pile.label] if pile.dated else (pile.first_ns, pile.last_ns)), clock) for pile in ranked
    ]
    return sorted(found, key=lambda d: (not d.dated, d.machine, d.first_ns)), len(piles) - len(found)


def _pile_up(piles: dict[tuple[str, str], _Pile], account: SessionAccount, machine: str, clock: Clock) -> None:
    times = _times(account)
    if not len(times):
        return
    dated = account.document.get("start_utc") is not None
    labels = np.array(_labels(times, clock) if dated else _undated_labels(times, account))
    lost = np.nan_to_num(floats(column(account, "lost_working_s")))
    for label in dict.fromkeys(labels.tolist()):
        mine = np.flatnonzero(labels == label)
        first, last = int(times[mine].min()), int(times[mine].max())
        pile = piles.setdefault((machine, label), _Pile(machine, label, dated, first, last))
        pile.first_ns, pile.last_ns = min(pile.first_ns, first), max(pile.last_ns, last)
        pile.pieces.append((account, mine))
        pile.lost_s += float(lost[mine].sum())


def _times(account: SessionAccount) -> NDArray[np.int64]:
    return np.asarray(column(account, "minute_ns"), dtype=np.int64)


def _labels(times: NDArray[np.int64], clock: Clock) -> list[str]:
    """The date of each minute; asked of the calendar once an hour, since no zone changes its date within one.

    Zones off by 30 or 45 minutes have midnight within an hour of UTC: hence quarters of an hour.
    """
    quarters = times // (15 * MINUTE_NS)
    known = {int(q): clock.date(int(q) * 15 * MINUTE_NS) for q in np.unique(quarters)}
    return [known[int(q)] for q in quarters]


def _undated_labels(times: NDArray[np.int64], account: SessionAccount) -> list[str]:
    """A day of its axis each, so that a clock that jumps in a log makes several strips and not one without end."""
    name = f"date unknown: {account.document.get('name') or account.key}"
    number_of = {int(day): i for i, day in enumerate(np.unique(times // DAY_NS), start=1)}
    if len(number_of) == 1:
        return [name] * len(times)
    return [f"{name}, day {number_of[int(day)]}" for day in times // DAY_NS]


def _day(pile: _Pile, first_ns: int, last_ns: int, clock: Clock) -> Day:
    n = int((last_ns - first_ns) // MINUTE_NS) + 1
    out = {name: np.zeros(n) for name in SUMMED} | {name: np.full(n, np.nan) for name in MEASURED}
    logged = np.zeros(n, dtype=bool)
    charged: dict[str | None, float] = {}
    for account, mine in pile.pieces:
        times = _times(account)
        at = (times[mine] - first_ns) // MINUTE_NS
        logged[at] = True
        for name in SUMMED:
            np.add.at(out[name], at, np.nan_to_num(floats(column(account, name))[mine]))
        for name in MEASURED:  # of two sessions in one minute the worse is drawn
            out[name][at] = np.fmax(out[name][at], floats(column(account, name))[mine])
        own = set(times[mine].tolist())
        for charge in charges(account):
            if charge.minute_ns in own:
                charged[charge.code] = charged.get(charge.code, 0.0) + charge.lost_s
    return Day(pile.machine, pile.label, pile.dated, first_ns, out, logged, charged)


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
