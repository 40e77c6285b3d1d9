"""Accounts added up: for a fleet, a machine, a day. Pure sums; how they are shown is the report's business.

Rates are sums over sums, never means of means. What a session does not say stays unknown: a share of nothing is None,
not zero.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from hubtack.fleet.account import SessionAccount
from hubtack.safe import safe_text

MINUTE_NS = 60_000_000_000
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
NOT_NAMED = "no name"


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums over sessions. [s], except counts.

    ``recorded_s`` runs from the first rover epoch to the last; ``no_data_s`` is the silence within it. ``cost`` is lost
    working time at the price in the site file, None where no session has one; ``unpriced_lost_s`` is what has none.
    """

    sessions: int = 0
    correction_only: int = 0
    undated: int = 0
    recorded_s: float = 0.0
    no_data_s: float = 0.0
    grade_s: float = 0.0
    rough_s: float = 0.0
    hold_s: float = 0.0
    fixed_s: float = 0.0
    fix_typed_s: float = 0.0
    working_s: float = 0.0
    lost_s: float = 0.0
    fix_losses: int = 0
    cost: float | None = None
    unpriced_lost_s: float = 0.0

    @property
    def grade_share(self) -> float | None:
        """GRADE as a share of the recorded time."""
        return share(self.grade_s, self.grade_s + self.rough_s + self.hold_s)

    @property
    def rough_share(self) -> float | None:
        """ROUGH as a share of the recorded time."""
        return share(self.rough_s, self.grade_s + self.rough_s + self.hold_s)

    @property
    def hold_share(self) -> float | None:
        """HOLD, silence included, as a share of the recorded time."""
        return share(self.hold_s, self.grade_s + self.rough_s + self.hold_s)

    @property
    def lost_share(self) -> float | None:
        """Lost working time as a share of working time."""
        return share(self.lost_s, self.working_s)

    @property
    def fixed_share(self) -> float | None:
        """RTK fixed as a share of the time that epochs speak for."""
        return share(self.fixed_s, self.fix_typed_s)

    @property
    def losses_per_working_h(self) -> float | None:
        """Losses of the fixed solution for each hour of work."""
        return None if self.working_s <= 0 else self.fix_losses / (self.working_s / 3600.0)


def share(part: float, whole: float) -> float | None:
    """``part / whole``; None where the whole is nothing."""
    return None if whole <= 0 else part / whole


def number(value: Any) -> float:
    """A figure of a document as a number; what is absent or no number counts as 0."""
    return float(value) if isinstance(value, int | float) and value == value else 0.0


def machine_of(account: SessionAccount) -> str:
    """The machine's name, safe to show; sessions without one share the words for that."""
    name = account.document.get("machine")
    return safe_text(str(name), 80) if name else NOT_NAMED


def utc_ns(text: Any) -> int | None:
    """Nanoseconds since 1970 of an ISO 8601 time; None where it is absent or no time."""
    if not isinstance(text, str):
        return None
    try:
        when = dt.datetime.fromisoformat(text)
    except ValueError:
        return None
    if when.tzinfo is None:
        when = when.replace(tzinfo=dt.UTC)
    return (when - _EPOCH) // dt.timedelta(microseconds=1) * 1000


def span_ns(account: SessionAccount) -> tuple[int, int] | None:
    """First and last moment of a dated session; None where the date is unknown."""
    start, end = utc_ns(account.document.get("start_utc")), utc_ns(account.document.get("end_utc"))
    return None if start is None else (start, start if end is None else max(start, end))


def cost_per_h(account: SessionAccount) -> float | None:
    """What an hour of this machine costs; None where the site file gives nothing (or 0, its default)."""
    for holder in (account.document, account.provenance):
        value = number(holder.get("cost_per_h"))
        if value > 0:
            return value
    return None


def column(account: SessionAccount, name: str) -> Sequence[Any]:
    """A column of the minutes; all None where the account lacks it."""
    values = account.minutes.get(name)
    return values if values is not None else [None] * len(account.minutes.get("minute_ns", ()))


def totals(accounts: Iterable[SessionAccount]) -> Totals:
    """The sums over some sessions."""
    sums: dict[str, float] = dict.fromkeys(
        ("recorded_s", "no_data_s", "grade_s", "rough_s", "hold_s", "fixed_s", "fix_typed_s", "working_s", "lost_s"),
        0.0,
    )
    sessions = correction_only = undated = losses = 0
    cost: float | None = None
    unpriced_s = 0.0
    for account in accounts:
        document = account.document
        verdicts: Mapping[str, Any] = document.get("verdict_seconds") or {}
        fixes: Mapping[str, Any] = document.get("fix_seconds") or {}
        lost_s = number(document.get("lost_working_s"))
        sessions += 1
        correction_only += not number(document.get("epochs"))
        undated += document.get("start_utc") is None
        losses += int(number(document.get("fix_losses")))
        sums["recorded_s"] += number(document.get("duration_s"))
        sums["no_data_s"] += sum(number(v) for v in column(account, "no_data_s"))
        for word in ("grade", "rough", "hold"):
            sums[f"{word}_s"] += number(verdicts.get(word))
        sums["fixed_s"] += number(fixes.get("rtk_fixed"))
        sums["fix_typed_s"] += sum(number(v) for v in fixes.values())
        sums["working_s"] += number(document.get("working_s"))
        sums["lost_s"] += lost_s
        price = cost_per_h(account)
        if price is None:
            unpriced_s += lost_s
        else:
            cost = (cost or 0.0) + lost_s / 3600.0 * price
    return Totals(
        sessions=sessions,
        correction_only=correction_only,
        undated=undated,
        fix_losses=losses,
        cost=cost,
        unpriced_lost_s=unpriced_s,
        **sums,
    )


def by_machine(accounts: Iterable[SessionAccount]) -> dict[str, list[SessionAccount]]:
    """Sessions by the machine's name, in the order in which the names come up."""
    out: dict[str, list[SessionAccount]] = {}
    for account in accounts:
        out.setdefault(machine_of(account), []).append(account)
    return out


def overlapping(accounts: Sequence[SessionAccount]) -> list[tuple[str, SessionAccount, SessionAccount]]:
    """Pairs of sessions of one name whose times overlap by more than a minute: two machines of one name, or one log twice.

    Only neighbours in time are compared, so a pair stands for its pile. Correction logs alone are no machine and left out.
    """
    found = []
    for machine, group in by_machine(a for a in accounts if number(a.document.get("epochs"))).items():
        dated = sorted(((span, a) for a in group if (span := span_ns(a)) is not None), key=lambda pair: pair[0])
        for ((_, end), one), ((start, _), other) in itertools.pairwise(dated):
            if start + MINUTE_NS < end:
                found.append((machine, one, other))
    return found
