"""What the figures rest on: software, site file, limits, files and their hashes, and what was not covered."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from hubtack.fleet.account import SessionAccount
from hubtack.fleet.report import words
from hubtack.fleet.totals import machine_of
from hubtack.knowledge.limits import LIMITS_BY_KEY


def rulesets(accounts: Iterable[SessionAccount]) -> list[dict[str, Any]]:
    """Sessions grouped by what they were judged with: software, site file and limits."""
    groups: dict[str, dict[str, Any]] = {}
    for account in accounts:
        p = account.provenance
        limits: Mapping[str, Any] = p.get("limits") or {}
        key = json.dumps(
            [p.get("software"), p.get("site_file"), p.get("site_sha256"), limits], sort_keys=True, default=str
        )
        row = groups.setdefault(
            key,
            {
                "software": p.get("software") or words.NONE,
                "site_file": p.get("site_file") or "none: defaults",
                "site_sha256": p.get("site_sha256") or words.NONE,
                "limits": _limits(limits),
                "sessions": 0,
                "machines": set(),
            },
        )
        row["sessions"] += 1
        row["machines"].add(machine_of(account))
    for row in groups.values():
        row["machines"] = sorted(row["machines"])
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


def shown_rows(accounts: Iterable[SessionAccount]) -> list[dict[str, Any]]:
    """What screens showed beside what the logs give now; sessions without a verdict log are left out."""
    out = []
    for account in accounts:
        shown = account.provenance.get("as_shown")
        if not isinstance(shown, Mapping):
            continue
        now = account.document.get("verdict_seconds") or {}
        broken = shown.get("broken_at")
        out.append(
            {
                "machine": machine_of(account),
                "session": account.document.get("name") or account.key,
                "shown": [words.span(shown.get(f"{w}_s")) for w in ("grade", "rough", "hold")],
                "now": [words.span(now.get(w)) for w in ("grade", "rough", "hold")],
                "chain": "whole" if broken is None else f"broken at line {broken}: do not rely on it",
            }
        )
    return out
