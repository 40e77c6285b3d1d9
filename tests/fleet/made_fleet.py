"""Accounts for tests: real ones of the sample logs, moved to another machine and time, and small ones made by hand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from hubtack.audit.one import run_task
from hubtack.fleet.account import MINUTE_COLUMNS, SessionAccount
from hubtack.fleet.plan import Place, Settings, plan_place

SAMPLES = Path(__file__).parents[2] / "sample_logs"
T0 = dt.datetime(2031, 3, 3, 19, 0, tzinfo=dt.UTC)
LAT_DEG, LON_DEG = -45.03, 170.01


@cache
def sample(name: str) -> SessionAccount:
    """The account of one of the sample logs, as the audit makes it."""
    place = Place(SAMPLES / name, SAMPLES, True)
    (task,) = plan_place(place, Settings()).tasks
    (account,) = run_task(task).accounts
    return account


def iso(moment: dt.datetime) -> str:
    return moment.isoformat().replace("+00:00", "Z")


def moved(account: SessionAccount, start: dt.datetime, machine: str, key: str) -> SessionAccount:
    """The same session on another machine at another time."""
    by = start - dt.datetime.fromisoformat(account.document["start_utc"])
    by_ns = by // dt.timedelta(microseconds=1) * 1000

    def walk(value: Any) -> Any:
        if isinstance(value, dict):
            return {
                k: iso(dt.datetime.fromisoformat(v) + by) if k.endswith("_utc") and isinstance(v, str) else walk(v)
                for k, v in value.items()
            }
        return [walk(v) for v in value] if isinstance(value, list) else value

    minutes = dict(account.minutes)
    minutes["minute_ns"] = [ns + by_ns for ns in minutes["minute_ns"]]
    minutes["minute_utc"] = [iso(dt.datetime.fromisoformat(t) + by) for t in minutes["minute_utc"]]
    document = {**walk(account.document), "machine": machine, "name": f"{machine} {key}"}
    return replace(
        account, key=key, document=document, minutes=minutes, losses=walk(account.losses), bases=walk(account.bases)
    )


def fleet() -> list[SessionAccount]:
    """Two machines on two days; the link stalls on both at once on the second."""
    day = dt.timedelta(days=1)
    return [
        moved(sample("sky_blocked"), T0, "Digger 7", "a1"),
        moved(sample("good_day"), T0 + dt.timedelta(minutes=20), "Digger 7", "a2"),
        moved(sample("good_day"), T0 + dt.timedelta(minutes=2), "Dozer 2", "b1"),
        moved(sample("link_stalled"), T0 + day, "Digger 7", "a3"),
        moved(sample("link_stalled"), T0 + day + dt.timedelta(seconds=2), "Dozer 2", "b2"),
    ]


def finding(
    code: str, spans: Sequence[tuple[float, float | None]], severity: str = "stop", **more: Any
) -> dict[str, Any]:
    """A finding whose episodes are given in seconds from ``T0``."""
    episodes = [{"start_utc": at(a), "end_utc": None if b is None else at(b)} for a, b in spans]
    ends = [b for _, b in spans]
    evidence = {"count": len(spans), "total_s": None, "longest_s": None, "episodes": episodes, "consequences": []}
    return {
        "code": code, "severity": severity, "start_utc": at(spans[0][0]),
        "end_utc": None if None in ends else at(max(b for b in ends if b is not None)), "summary": f"about {code}",
        "evidence": evidence | more.pop("evidence", {}), "next_steps": ["look"], "open_at_end": None in ends, "hold_s": 0.0, **more,
    }  # fmt: skip


def at(seconds: float) -> str:
    """ISO 8601 of so many seconds after ``T0``."""
    return iso(T0 + dt.timedelta(seconds=seconds))


def loss(seconds: float, **more: Any) -> dict[str, Any]:
    """A loss of the fix at so many seconds after ``T0``."""
    return {
        "start_utc": at(seconds), "end_utc": at(seconds + 30), "start_ns": 0, "latitude_deg": LAT_DEG, "longitude_deg": LON_DEG,
        "from_fix": "rtk_fixed", "to_fix": "rtk_float", "working": True, "cause": None, **more,
    }  # fmt: skip


def made(
    machine: str | None,
    minutes: int = 10,
    *,
    key: str = "",
    start_s: float = 0.0,
    lost: dict[int, float] | None = None,
    working: float = 60.0,
    findings: Sequence[dict[str, Any]] = (),
    losses: Sequence[dict[str, Any]] = (),
    dated: bool = True,
    **provenance: Any,
) -> SessionAccount:
    """A session of whole minutes; ``lost`` gives seconds of lost work (which are HOLD) by minute."""
    lost = lost or {}
    start = T0 + dt.timedelta(seconds=start_s)
    first_ns = int(start.timestamp()) * 1_000_000_000 if dated else 19 * 3600 * 1_000_000_000
    columns: dict[str, list[Any]] = {name: [0.0] * minutes for name in MINUTE_COLUMNS}
    columns["minute_ns"] = [first_ns + i * 60_000_000_000 for i in range(minutes)]
    columns["minute_utc"] = [iso(start + dt.timedelta(minutes=i)) if dated else None for i in range(minutes)]
    columns["lost_working_s"] = [lost.get(i, 0.0) for i in range(minutes)]
    columns["hold_s"] = list(columns["lost_working_s"])
    columns["grade_s"] = [60.0 - h for h in columns["hold_s"]]
    columns["rtk_fixed_s"] = [60.0] * minutes
    columns["working_s"] = [working] * minutes
    columns["latitude_deg"], columns["longitude_deg"] = [LAT_DEG] * minutes, [LON_DEG] * minutes
    held = sum(columns["hold_s"])
    document = {
        "name": f"session {key}", "machine": machine, "files": [], "epochs": 60 * minutes,
        "start_utc": iso(start) if dated else None, "end_utc": iso(start + dt.timedelta(minutes=minutes)) if dated else None,
        "duration_s": 60.0 * minutes, "verdict_seconds": {"grade": 60.0 * minutes - held, "rough": 0.0, "hold": held},
        "fix_seconds": {"rtk_fixed": 60.0 * minutes}, "fix_losses": len(losses), "working_s": working * minutes,
        "lost_working_s": sum(columns["lost_working_s"]), "findings": list(findings),
    }  # fmt: skip
    return SessionAccount(key or f"{machine}-{start_s}", document, columns, list(losses), [], provenance)
