"""What lost working time is charged to: each second to one cause, the root finding in force when it was lost.

A finding is in force during its episodes and those of what is folded under it. A receiver needs up to two minutes to be
fit again after a fault has gone (settling, fixing anew), so a loss that starts in no episode falls to the one that ended
last within that time. What no finding explains is kept apart as unexplained: that is a result, not a gap.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from hubtack.fleet.account import SessionAccount
from hubtack.fleet.totals import MINUTE_NS, column, cost_per_h, machine_of, number, utc_ns

# Common practice, no source: 10 s of settling after up to a minute or two of fixing anew.
AFTER_NS = 120_000_000_000
_FOREVER = 1 << 62


@dataclass(frozen=True, slots=True)
class Charge:
    """Lost working time of one minute (or of a whole session without a date), and the finding it is charged to."""

    minute_ns: int
    code: str | None
    lost_s: float


@dataclass(slots=True)
class Cause:
    """One cause over the fleet: what it cost and where. ``code`` None is time that no finding explains."""

    code: str | None
    lost_s: float = 0.0
    machines: dict[str, float] = field(default_factory=dict)
    sessions: int = 0
    cost: float | None = None
    shared_with: set[str] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class _Span:
    start_ns: int
    end_ns: int
    code: str


def charges(account: SessionAccount) -> list[Charge]:
    """Where the lost working time of a session goes, minute by minute; sums to its ``lost_working_s``.

    The grain is a minute: of two causes within one, the one that the session ranks first takes it. Without a date,
    findings cannot be laid beside minutes; then each takes at most the HOLD time it owns, in the order of rank.
    """
    findings = [f for f in account.document.get("findings") or [] if f.get("severity") != "note"]
    times, seconds = column(account, "minute_ns"), column(account, "lost_working_s")
    lost = [(int(ns), float(s)) for ns, s in zip(times, seconds, strict=False) if s is not None and s > 0]
    whole_s = number(account.document.get("lost_working_s"))
    starts = [int(times[0])] if len(times) else []
    first_ns = lost[0][0] if lost else starts[0] if starts else utc_ns(account.document.get("start_utc")) or 0
    if account.document.get("start_utc") is None:
        return _by_held_time(findings, whole_s, first_ns)
    layers = [_spans(finding) for finding in findings]
    out = [Charge(ns, _in_force(layers, ns), s) for ns, s in lost]
    rest_s = whole_s - sum(s for _, s in lost)
    if rest_s > 0.5:  # an account without minutes, or rounding beyond half a second
        out.append(Charge(first_ns, findings[0]["code"] if findings and not lost else None, rest_s))
    return out


def _by_held_time(findings: Iterable[Mapping[str, Any]], lost_s: float, first_ns: int) -> list[Charge]:
    out = []
    for finding in findings:
        take_s = min(lost_s, number(finding.get("hold_s")))
        if take_s > 0:
            out.append(Charge(first_ns, str(finding["code"]), take_s))
            lost_s -= take_s
    if lost_s > 0:
        out.append(Charge(first_ns, None, lost_s))
    return out


def _spans(finding: Mapping[str, Any]) -> list[_Span]:
    """When a finding was in force. Its list of episodes is cut at 20; past the last one listed, it is taken as a whole."""
    code, evidence = str(finding["code"]), finding.get("evidence") or {}
    listed = list(evidence.get("episodes") or ())
    spans = []
    for episode in (*listed, *(evidence.get("consequences") or ())):
        start = utc_ns(episode.get("start_utc"))
        if start is not None:
            end = utc_ns(episode.get("end_utc"))
            spans.append(_Span(start, _FOREVER if end is None else end, code))
    if number(evidence.get("count")) > len(listed) or not spans:
        last_listed = utc_ns(listed[-1].get("start_utc")) if listed else None
        start = last_listed if last_listed is not None else utc_ns(finding.get("start_utc"))
        if start is not None:
            end = utc_ns(finding.get("end_utc"))
            spans.append(_Span(start, _FOREVER if end is None else end, code))
    return spans


def _in_force(layers: Iterable[list[_Span]], minute_ns: int) -> str | None:
    """The first-ranked finding with an episode in the minute, else the one that ended last shortly before it."""
    until = minute_ns + MINUTE_NS
    latest: _Span | None = None
    for spans in layers:
        for span in spans:
            if span.start_ns < until and span.end_ns >= minute_ns:
                return span.code
            if minute_ns - AFTER_NS <= span.end_ns < minute_ns and (latest is None or span.end_ns > latest.end_ns):
                latest = span
    return latest.code if latest else None


def rank_causes(accounts: Iterable[SessionAccount]) -> list[Cause]:
    """Causes by lost working time, the dearest first; what is unexplained comes last whatever its size."""
    found: dict[str | None, Cause] = {}
    for account in accounts:
        machine, price = machine_of(account), cost_per_h(account)
        sums: dict[str | None, float] = defaultdict(float)
        for charge in charges(account):
            sums[charge.code] += charge.lost_s
        for code, lost_s in sums.items():
            cause = found.setdefault(code, Cause(code))
            cause.lost_s += lost_s
            cause.sessions += 1
            cause.machines[machine] = cause.machines.get(machine, 0.0) + lost_s
            if price is not None:
                cause.cost = (cause.cost or 0.0) + lost_s / 3600.0 * price
            for finding in account.document.get("findings") or []:
                if finding.get("code") == code:
                    cause.shared_with.update((finding.get("evidence") or {}).get("shared_with") or ())
    return sorted(found.values(), key=lambda c: (c.code is None, -c.lost_s, c.code or ""))
