"""This period beside the one before: rates, because no two periods are of one length.

A figure that rests on less than an hour of work is given and marked as too little to compare.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from hubtack.fleet.account import SessionAccount
from hubtack.fleet.causes import rank_causes
from hubtack.fleet.totals import Totals, by_machine, share, totals

ENOUGH_S = 3600.0  # common practice, no source


@dataclass(frozen=True, slots=True)
class Pair:
    """One name in both periods; a machine that was not there in one has no sessions in it."""

    name: str
    now: Totals
    before: Totals

    @property
    def enough(self) -> bool:
        """Both periods hold at least an hour of work."""
        return min(self.now.working_s, self.before.working_s) >= ENOUGH_S


@dataclass(frozen=True, slots=True)
class CausePair:
    """Lost working time of one cause as a share of all working time, in both periods. None: no work on record."""

    code: str | None
    now_s: float
    before_s: float
    now_share: float | None
    before_share: float | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two periods side by side. ``repeated`` sessions are in both; they count for this period only."""

    fleet: Pair
    machines: tuple[Pair, ...]
    causes: tuple[CausePair, ...]
    repeated: int


def compare(accounts: Sequence[SessionAccount], before: Sequence[SessionAccount]) -> Comparison:
    """``accounts`` beside ``before``, for the fleet, by machine (name) and by cause (loss of this period, largest first)."""
    keys = {account.key for account in accounts}
    old = [account for account in before if account.key not in keys]
    now_by, old_by = by_machine(accounts), by_machine(old)
    fleet = Pair("all machines", totals(accounts), totals(old))
    machines = tuple(
        Pair(name, totals(now_by.get(name, ())), totals(old_by.get(name, ())))
        for name in sorted(now_by.keys() | old_by)
    )
    now_s, old_s = ({c.code: c.lost_s for c in rank_causes(some)} for some in (accounts, old))
    causes = [
        CausePair(
            code,
            now_s.get(code, 0.0),
            old_s.get(code, 0.0),
            share(now_s.get(code, 0.0), fleet.now.working_s),
            share(old_s.get(code, 0.0), fleet.before.working_s),
        )
        for code in now_s.keys() | old_s.keys()
    ]
    causes.sort(key=lambda c: (c.code is None, -c.now_s, -c.before_s, c.code or ""))
    return Comparison(fleet, machines, tuple(causes), len(before) - len(old))
