"""Did several machines fail at once? Then look at the base, the channel or the network, not at any one machine.

Two starts within 10 s on two machines are taken as one event. By chance alone that happens too, and in a large fleet
often: hence the number to expect of events that have nothing to do with each other.
"""

from __future__ import annotations

import copy
from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from hubtack.fleet.account import SessionAccount
from hubtack.fleet.totals import machine_of, number, span_ns, utc_ns
from hubtack.knowledge.findings import BY_CODE, LINK_CODES

WITHIN_NS = 10_000_000_000  # common practice, no source: clocks of logs and time-outs of receivers differ by seconds
EFFECT_NS = 120_000_000_000  # receivers hold a fix for 10 to 60 s after the stream stops: common practice, no source
HOUR_NS = 3_600_000_000_000
SHARED_CODES: frozenset[str] = LINK_CODES | {c for c, rule in BY_CODE.items() if rule.family == "fix"}


@dataclass(frozen=True, slots=True)
class Event:
    """A start that may be shared: when, on which machine, what (a finding's code, or ``fix_loss``)."""

    start_ns: int
    machine: str
    what: str


@dataclass(frozen=True, slots=True)
class Incident:
    """Starts on two machines or more within 10 s of the first."""

    start_ns: int
    machines: tuple[str, ...]
    recording: tuple[str, ...]
    what: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """Where to look first, in words."""
        if len(self.machines) == len(self.recording):
            return "all machines on record: base, channel or network"
        if 2 * len(self.machines) >= len(self.recording):
            return "most machines on record: base, channel or network first"
        return "some machines: a shared place or channel, or chance"


def common_cause(accounts: Sequence[SessionAccount]) -> list[SessionAccount]:
    """The accounts with ``shared_with`` (names of machines) in each loss, and in the evidence of link and fix findings.

    An empty list says that the start was compared and no other machine had one; sessions without a date cannot be
    compared and get None. The accounts given are not changed.
    """
    events = _events(accounts)
    starts = [event.start_ns for event in events]

    def others(start_utc: Any, machine: str) -> set[str] | None:
        start = utc_ns(start_utc)
        if start is None:
            return None
        near = events[bisect_left(starts, start - WITHIN_NS) : bisect_right(starts, start + WITHIN_NS)]
        return {event.machine for event in near} - {machine}

    out = []
    for account in accounts:
        machine = machine_of(account)
        document = dict(account.document)
        document["findings"] = [_shared_finding(f, machine, others) for f in document.get("findings") or []]
        losses = [
            {
                **loss,
                "shared_with": None if (found := others(loss.get("start_utc"), machine)) is None else sorted(found),
            }
            for loss in account.losses
        ]
        out.append(replace(account, document=document, losses=losses))
    return out


def _shared_finding(finding: dict[str, Any], machine: str, others: Any) -> dict[str, Any]:
    if finding.get("code") not in SHARED_CODES:
        return finding
    evidence = copy.copy(finding.get("evidence") or {})
    groups = [others(start, machine) for start in _starts(finding)]
    known = [group for group in groups if group is not None]
    evidence["shared_with"] = sorted(set().union(*known)) if known else None
    evidence["shared_episodes"] = sum(bool(group) for group in known)
    return {**finding, "evidence": evidence}


def _starts(finding: dict[str, Any]) -> list[Any]:
    episodes = (finding.get("evidence") or {}).get("episodes") or ()
    return [episode.get("start_utc") for episode in episodes] or [finding.get("start_utc")]


def _events(accounts: Iterable[SessionAccount]) -> list[Event]:
    """All starts with a date, in the order of time."""
    found: set[tuple[int, str, str]] = set()
    for account in accounts:
        machine = machine_of(account)
        for finding in account.document.get("findings") or []:
            if finding.get("code") in SHARED_CODES:
                found.update(
                    (ns, machine, str(finding["code"])) for s in _starts(finding) if (ns := utc_ns(s)) is not None
                )
        for loss in account.losses:
            ns = utc_ns(loss.get("start_utc"))
            if ns is not None:
                found.add((ns, machine, "fix_loss"))
    return [Event(*event) for event in sorted(found)]


def incidents(accounts: Sequence[SessionAccount]) -> list[Incident]:
    """Events on two machines or more, in the order of time; each is anchored at its first start.

    Losses of the fix that follow on the same machines within two minutes are an effect, and part of the incident.
    """
    by_hour = _machines_by_hour(accounts)
    out: list[Incident] = []
    group: list[Event] = []

    def close() -> None:
        machines = {event.machine for event in group}
        if len(machines) > 1:
            at = group[0].start_ns
            there = {
                name
                for start, end, name in by_hour.get(at // HOUR_NS, ())
                if start - WITHIN_NS <= at <= end + WITHIN_NS
            }
            what = tuple(sorted({event.what for event in group}))
            last = out[-1] if out else None
            if what == ("fix_loss",) and last and at - last.start_ns <= EFFECT_NS and machines <= set(last.machines):
                out[-1] = replace(last, what=tuple(sorted({*last.what, "fix_loss"})))
                return
            out.append(Incident(at, tuple(sorted(machines)), tuple(sorted(there | machines)), what))

    for event in _events(accounts):
        if group and event.start_ns - group[0].start_ns > WITHIN_NS:
            close()
            group = []
        group.append(event)
    if group:
        close()
    return out


def _machines_by_hour(accounts: Iterable[SessionAccount]) -> dict[int, list[tuple[int, int, str]]]:
    """Spans of sessions that hold rover data, under every hour since 1970 that they touch."""
    out: dict[int, list[tuple[int, int, str]]] = defaultdict(list)
    for account in accounts:
        span = span_ns(account)
        if span and number(account.document.get("epochs")):
            for hour in range((span[0] - WITHIN_NS) // HOUR_NS, (span[1] + WITHIN_NS) // HOUR_NS + 1):
                out[hour].append((*span, machine_of(account)))
    return out


def coincidences(accounts: Sequence[SessionAccount]) -> tuple[int, float]:
    """Pairs of starts on two machines within 10 s: how many there are, and how many chance alone would make.

    Returns
    -------
    (int, float)
        The second is the sum, over the hours of the clock and over pairs of machines, of n1 n2 (2 w) / 1 h, with n
        the starts of each in the hour and w = 10 s: steady Poisson processes that know nothing of each other. Starts
        of one machine within 10 s of its last count as one.
    """
    last: dict[str, int] = {}
    kept: list[tuple[int, str]] = []
    per_hour: dict[int, Counter[str]] = defaultdict(Counter)
    for event in _events(accounts):
        if event.start_ns - last.get(event.machine, -HOUR_NS) > WITHIN_NS:
            last[event.machine] = event.start_ns
            kept.append((event.start_ns, event.machine))
            per_hour[event.start_ns // HOUR_NS][event.machine] += 1
    seen, first = 0, 0
    for i, (start_ns, machine) in enumerate(kept):
        while start_ns - kept[first][0] > WITHIN_NS:
            first += 1
        seen += sum(name != machine for _, name in kept[first:i])
    expected = 0.0
    for counts in per_hour.values():
        every = sum(counts.values())
        pairs = (every * every - sum(n * n for n in counts.values())) / 2
        expected += pairs * 2 * WITHIN_NS / HOUR_NS
    return seen, expected
