"""From episodes to findings: one finding a code and subject, effects folded under their causes, causes ranked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

from hubtack.diagnosis.episode import SEVERITY_ORDER, Episode, Finding, Severity
from hubtack.knowledge.explains import EXPLAINS
from hubtack.knowledge.findings import BY_CODE, ORDER

MOST_EPISODES = 20
_S = 1_000_000_000


def findings_of(episodes: Iterable[Episode], now_ns: int) -> list[Finding]:
    """Findings as seen at ``now_ns`` on the session's axis, root causes first.

    An episode is folded into the first cause, in table order, whose own episodes explain it. What all of a code's
    episodes are folded away is no finding of its own; it stands in its cause's evidence as a consequence, and its HOLD
    time counts for the cause.
    """
    by_code: dict[str, list[Episode]] = defaultdict(list)
    for episode in sorted(episodes, key=lambda e: (e.start_ns, ORDER[e.code], e.subject)):
        by_code[episode.code].append(episode)
    kept: dict[tuple[str, str], list[Episode]] = defaultdict(list)
    folded: dict[str, list[Episode]] = defaultdict(list)
    for code, group in by_code.items():
        for episode in group:
            cause = _root(code, episode, by_code, now_ns, frozenset((code,)))
            if cause is None:
                kept[code, episode.subject].append(episode)
            else:
                folded[cause].append(episode)
    found = [_finding(code, subject, group, folded.get(code, ()), now_ns) for (code, subject), group in kept.items()]
    return sorted(found, key=lambda f: (SEVERITY_ORDER[f.severity], -f.hold_ns, ORDER[f.code], f.subject))


def _root(
    code: str, episode: Episode, by_code: Mapping[str, list[Episode]], now_ns: int, seen: frozenset[str]
) -> str | None:
    """The cause that an episode is folded into, followed up to a cause that nothing explains."""
    if episode.stands_alone:
        return None
    for cause, effects in EXPLAINS.items():
        if cause in seen or code not in effects or cause not in by_code:
            continue
        lead_s, tail_s = effects[code]
        for candidate in by_code[cause]:
            if not candidate.explains:
                continue
            end_ns = now_ns if candidate.end_ns is None else candidate.end_ns
            if candidate.start_ns - lead_s * _S <= episode.start_ns <= end_ns + tail_s * _S:
                return _root(cause, candidate, by_code, now_ns, seen | {cause}) or cause
    return None


def _finding(code: str, subject: str, group: list[Episode], effects: Iterable[Episode], now_ns: int) -> Finding:
    rule = BY_CODE[code]
    spans = [(e.start_ns, now_ns if e.end_ns is None else e.end_ns) for e in group]
    lengths_s = [(end - start) / _S for start, end in spans]
    severity: Severity = min((e.severity or rule.floor for e in group), key=lambda s: SEVERITY_ORDER[s])
    longest = max(range(len(group)), key=lambda i: lengths_s[i])
    evidence: dict[str, Any] = {
        "count": len(group),
        "total_s": sum(lengths_s),
        "longest_s": max(lengths_s),
        **({"subject": subject} if subject else {}),
        **group[longest].evidence,
        "episodes": [{"start_ns": e.start_ns, "end_ns": e.end_ns} for e in group[:MOST_EPISODES]],
        "consequences": [
            {"code": e.code, "start_ns": e.start_ns, "end_ns": e.end_ns} for e in list(effects)[:MOST_EPISODES]
        ],
    }
    is_open = any(e.end_ns is None for e in group)
    return Finding(
        code=code,
        severity=severity,
        start_ns=group[0].start_ns,
        end_ns=None if is_open else max(end for _, end in spans),
        summary=fill(rule.summary, evidence),
        evidence=evidence,
        next_steps=rule.next_steps,
        subject=subject,
        open_at_end=is_open,
        hold_ns=sum(e.hold_ns for e in group) + sum(e.hold_ns for e in effects),
    )


class _Figures(dict[str, Any]):
    def __missing__(self, key: str) -> str:
        return "?"


def fill(summary: str, evidence: Mapping[str, Any]) -> str:
    """The summary with its figures; lists are joined, numbers rounded to what a person reads, gaps read "?"."""
    return summary.format_map(_Figures({key: _shown(value) for key, value in evidence.items()}))


def _shown(value: Any) -> str:
    if value is None:
        return "?"
    if isinstance(value, float):
        if value != value:
            return "?"
        return f"{value:.0f}" if abs(value) >= 100 else f"{value:.1f}" if abs(value) >= 10 else f"{value:.3g}"
    if isinstance(value, list | tuple):
        return ", ".join(str(v) for v in value)
    return str(value)
