"""What the figures rest on: software, site file, limits, files and their hashes, and what was not covered."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from hubtack.fleet.account import SessionAccount
from hubtack.fleet.report import words
from hubtack.fleet.totals import machine_of, number
from hubtack.knowledge.limits import LIMITS_BY_KEY


def rulesets(accounts: Iterable[SessionAccount]) -> list[dict[str, Any]]:
    """Sessions grouped by what they were judged with: software, content of the site file, and limits."""
    groups: dict[str, dict[str, Any]] = {}
    for account in accounts:
        p = account.provenance
        limits: Mapping[str, Any] = p.get("limits") or {}
        key = json.dumps([p.get("software"), p.get("site_sha256"), limits], sort_keys=True, default=str)
        row = groups.setdefault(
            key,
            {
                "software": p.get("software") or words.NONE,
                "site_files": {},
                "site_sha256": p.get("site_sha256") or words.NONE,
                "limits": _limits(limits),
                "sessions": 0,
                "machines": set(),
            },
        )
        row["sessions"] += 1
        row["machines"].add(machine_of(account))
        row["site_files"][p.get("site_file") or "none: defaults"] = None
    for row in groups.values():
        row["machines"], row["site_files"] = sorted(row["machines"]), sorted(row["site_files"])
        row["changed"] = [limit for limit in row["limits"] if limit["changed"]]
    return sorted(groups.values(), key=lambda r: -r["sessions"])


def _limits(limits: Mapping[str, Any]) -> list[dict[str, Any]]:
    out = []
    for key, value in sorted(limits.items()):
        rule = LIMITS_BY_KEY.get(str(key))
        out.append(
            {
                "key": str(key),
                "value": f"{value:g}" if isinstance(value, int | float) else str(value),
                "unit": rule.unit if rule else "",
                "effect": rule.effect if rule else "",
                "default": f"{rule.value:g}" if rule else words.NONE,
                "changed": rule is not None and value != rule.value,
            }
        )
    return out


def not_covered(accounts: Iterable[SessionAccount]) -> list[tuple[str, int]]:
    """What could not be told, and in how many sessions; the commonest first."""
    count = Counter(str(text) for a in accounts for text in dict.fromkeys(a.provenance.get("not_covered") or ()))
    return sorted(count.items(), key=lambda pair: (-pair[1], pair[0]))


def files(accounts: Sequence[SessionAccount]) -> list[dict[str, Any]]:
    """Every file that was read, with size and SHA-256."""
    return [
        {
            "machine": machine_of(account),
            "session": account.document.get("name") or account.key,
            "path": str(entry.get("path")),
            "bytes": words.count(entry.get("bytes")),
            "sha256": entry.get("sha256") or words.NONE,
        }
        for account in accounts
        for entry in account.provenance.get("files") or ()
    ]


_VERDICTS = ("grade", "rough", "hold")


def shown_rows(accounts: Iterable[SessionAccount]) -> dict[str, list[dict[str, Any]]]:
    """What screens showed beside what the logs give now: by machine, and by session; those without a verdict log left out."""
    sums: dict[str, dict[str, Any]] = {}
    sessions = []
    for account in accounts:
        shown = account.provenance.get("as_shown")
        if not isinstance(shown, Mapping):
            continue
        now: Mapping[str, Any] = account.document.get("verdict_seconds") or {}
        values = [number(shown.get(f"{w}_s")) for w in _VERDICTS], [number(now.get(w)) for w in _VERDICTS]
        machine, broken = machine_of(account), shown.get("broken_at")
        row = sums.setdefault(
            machine, {"machine": machine, "sessions": 0, "broken": 0, "pairs": ([0.0] * 3, [0.0] * 3)}
        )
        row["sessions"] += 1
        row["broken"] += broken is not None
        row["pairs"] = tuple(
            [a + b for a, b in zip(*both, strict=True)] for both in zip(row["pairs"], values, strict=True)
        )
        sessions.append(
            {
                "machine": machine,
                "session": account.document.get("name") or account.key,
                "pairs": values,
                "chain": "whole" if broken is None else f"broken at line {broken}: do not rely on it",
            }
        )
    machines = list(sums.values())
    for row in (*machines, *sessions):
        row["shown"], row["now"] = ([words.span(s) for s in side] for side in row["pairs"])
    return {"machines": machines, "sessions": sessions}
