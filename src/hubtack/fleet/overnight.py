"""``overnight_shift`` across sessions: where a machine went down in one log against where it came up in the next.

Each account carries its first and last stand (``provenance["stands"]``); this lays them side by side, machine by
machine. The same vector on two machines is the base, and is said so in the evidence.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from itertools import pairwise
from typing import Any

from hubtack.diagnosis.fold import fill
from hubtack.diagnosis.overnight import shift_figures
from hubtack.engine.parked import Shift, Stand, compare
from hubtack.fleet.account import SessionAccount
from hubtack.knowledge.findings import BY_CODE

SAME_VECTOR_M = 0.03
_SIGMAS_M = (0.010, 0.017)  # of one fixed position 2 km from its base, where a log does not say its own


def stands_of(
    first: Stand | None, last: Stand | None, day0: int | None, sigmas_m: tuple[float, float]
) -> dict[str, Any] | None:
    """First and last stand of a session as an account carries them; None without a date or a stand."""
    if day0 is None or (first is None and last is None):
        return None
    return {"first": _plain(first, day0), "last": _plain(last, day0), "sigmas_m": list(sigmas_m)}


def _plain(stand: Stand | None, day0: int) -> dict[str, Any] | None:
    if stand is None:
        return None
    heading = None if math.isnan(stand.heading_deg) else stand.heading_deg
    utc_s = day0 * 86_400 + stand.time_ns / 1e9
    return {"ecef_m": list(stand.ecef_m), "utc_s": utc_s, "heading_deg": heading, "n": stand.n}


def overnight_findings(accounts: Iterable[SessionAccount]) -> dict[str, dict[str, Any]]:
    """By key of the later session: the finding that it came up elsewhere, as JSON."""
    by_machine: dict[str, list[SessionAccount]] = defaultdict(list)
    for account in accounts:
        if account.document.get("machine") and account.provenance.get("stands") and account.document.get("start_utc"):
            by_machine[account.document["machine"]].append(account)
    shifts: dict[str, tuple[str, Shift]] = {}
    for machine, own in by_machine.items():
        own.sort(key=lambda a: str(a.document["start_utc"]))
        for earlier, later in pairwise(own):
            shift = _between(earlier.provenance["stands"], later.provenance["stands"])
            if shift is not None:
                shifts[later.key] = (machine, shift)
    return {key: _finding(machine, shift, shifts) for key, (machine, shift) in shifts.items()}


def _between(evening: Mapping[str, Any], morning: Mapping[str, Any]) -> Shift | None:
    before, after = evening["last"], morning["first"]
    if before is None or after is None:
        return None
    sigmas = [max(a, b) for a, b in zip(evening["sigmas_m"], morning["sigmas_m"], strict=True)] or list(_SIGMAS_M)
    return compare(_stand(before), _stand(after), after["utc_s"] - before["utc_s"], sigmas[0], sigmas[1])


def _stand(plain: Mapping[str, Any]) -> Stand:
    x, y, z = plain["ecef_m"]
    heading = plain["heading_deg"]
    return Stand((x, y, z), round(plain["utc_s"] * 1e9), math.nan if heading is None else heading, plain["n"])


def _finding(machine: str, shift: Shift, shifts: Mapping[str, tuple[str, Shift]]) -> dict[str, Any]:
    same = sorted(
        {
            other
            for other, its in shifts.values()
            if other != machine
            and abs(its.after.time_ns - shift.after.time_ns) < 12 * 3600 * 10**9
            and math.dist(its.enu_m, shift.enu_m) <= SAME_VECTOR_M
        }
    )
    rule = BY_CODE["overnight_shift"]
    start = _iso(shift.after.time_ns)
    evidence: dict[str, Any] = {
        "count": 1, "total_s": 0.0, "longest_s": 0.0, **shift_figures(shift), "before_utc": _iso(shift.before.time_ns),
        "episodes": [{"start_utc": start, "end_utc": None}], "consequences": [], "shared_with": same,
    }  # fmt: skip
    steps = list(rule.next_steps)
    if same:
        steps.insert(0, f"the same shift on {', '.join(same)}: it is the base")
    return {
        "code": "overnight_shift", "severity": "stop", "start_utc": start, "end_utc": None,
        "summary": fill(rule.summary, evidence), "evidence": evidence, "next_steps": steps, "open_at_end": True, "hold_s": 0.0,
    }  # fmt: skip


def _iso(utc_ns: int) -> str:
    moment = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=utc_ns // 10**9)
    return moment.isoformat().replace("+00:00", "Z")


def with_finding(account: SessionAccount, finding: Mapping[str, Any]) -> SessionAccount:
    """The account with one finding more, behind the others of its weight that were there."""
    findings = [f for f in account.document["findings"] if f["code"] != "overnight_shift"]
    stops = sum(f["severity"] == "stop" for f in findings)
    # A change that the stream itself tells is the cause; everything else that day may follow from the shift.
    at = stops if any(f["code"] in ("base_moved", "wrong_base", "two_bases", "base_misplaced") for f in findings) else 0
    findings.insert(at, dict(finding))
    document = {**account.document, "findings": findings}
    return SessionAccount(
        account.key, document, account.minutes, account.losses, account.bases, account.provenance
    )  # fmt: skip
