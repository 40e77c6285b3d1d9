"""``overnight_shift`` across sessions: where a machine went down in one log against where it came up in the next.

Each account carries its first and last stand (``provenance["stands"]``); this lays them side by side, machine by
machine. The same vector on two machines is the base, and is said so in the evidence.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import replace
from itertools import pairwise
from typing import Any

from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.fold import findings_of
from hubtack.diagnosis.overnight import shift_figures
from hubtack.documents.finding import finding_document
from hubtack.engine.axis import SessionAxis
from hubtack.engine.parked import Shift, Stand, compare
from hubtack.fleet.account import SessionAccount

SAME_VECTOR_M = 0.03  # two machines' own noise over a night: common practice, no source
BETWEEN_LOGS = "before_utc"  # evidence that only a shift between two logs has: when the machine was parked
_SAYS_SO_ITSELF = frozenset({"base_moved", "wrong_base", "two_bases", "base_misplaced"})
_CALENDAR = SessionAxis(day0=0)  # an axis whose zero is 1970: times are UTC nanoseconds


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
    sigmas = [max(a, b) for a, b in zip(evening["sigmas_m"], morning["sigmas_m"], strict=True)]
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
    at_ns = shift.after.time_ns
    evidence = {**shift_figures(shift), BETWEEN_LOGS: _CALENDAR.utc_iso(shift.before.time_ns), "shared_with": same}
    episode = Episode("overnight_shift", at_ns, None, severity="stop", evidence=evidence)
    (finding,) = findings_of([episode], at_ns)
    if same:
        steps = (f"the same shift on {', '.join(same)}: it is the base", *finding.next_steps)
        finding = replace(finding, next_steps=steps)
    return finding_document(finding, _CALENDAR)


def with_finding(account: SessionAccount, finding: Mapping[str, Any] | None) -> SessionAccount:
    """The account with this as its only finding of that kind between logs, or with none.

    It stands first, but behind a base that says itself that it was moved: everything else that day may follow from it.
    """
    findings = [f for f in account.document["findings"] if BETWEEN_LOGS not in f["evidence"]]
    if finding is not None:
        said = any(f["code"] in _SAYS_SO_ITSELF for f in findings)
        stops = sum(f["severity"] == "stop" for f in findings)
        findings.insert(stops if said else 0, dict(finding))
    if findings == account.document["findings"]:
        return account
    return replace(account, document={**account.document, "findings": findings})
