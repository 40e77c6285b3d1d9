"""A base or a rover whose signals sink from day to day: what no single session can tell.

Water in the cable or a connector of an antenna takes decibels from all satellites alike, over weeks; the base goes on, and
fixes come slower until they stop. The signal strengths of the sessions are laid side by side, day by day: for a base the
median of each constellation in its stream, for a machine that of its high satellites. A day's own scatter is a decibel or
so (common practice, no source).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Any

from hubtack.diagnosis.episode import SEVERITY_ORDER, Episode
from hubtack.diagnosis.fold import findings_of
from hubtack.documents.finding import finding_document
from hubtack.engine.axis import SessionAxis
from hubtack.fleet.account import SessionAccount
from hubtack.knowledge.trend_limits import TREND

OVER_DAYS = "fell_db"  # evidence that only a look over days has
_SAME_BASE_M = 100.0  # a base of that ID farther off is another one
_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Day:
    """One day of one base: median signal strength by system [dB-Hz], and the last session of that day."""

    day: int  # since 1970
    cn0_dbhz: Mapping[str, float]
    satellites: float
    key: str


@dataclass(frozen=True, slots=True)
class Sink:
    """A steady fall: of the mean of all systems, between the first day and the last. ``chance``: of rank order alone."""

    days: int
    span_days: int
    fell_db: float
    now_dbhz: float
    satellites: float
    systems: tuple[str, ...]
    z: float
    key: str
    first_day: int


def heard_of(link: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """What a session's ``link`` says of the one base it heard, as a light account carries it; None where it is not one."""
    stations = [s for s in (link or {}).get("stations") or () if s.get("id") is not None]
    if link is None or len(stations) != 1 or stations[0].get("computed"):
        return None
    cn0 = {s["system"]: s["median_cn0_dbhz"] for s in link.get("systems") or () if s.get("median_cn0_dbhz") is not None}
    if not cn0 or (link.get("epochs") or 0) < TREND["least_epochs"]:
        return None
    satellites = sum(s.get("satellites") or 0.0 for s in link["systems"])
    return {
        "id": stations[0]["id"],
        "arp_ecef_m": stations[0].get("arp_ecef_m"),
        "cn0_dbhz": cn0,
        "satellites": satellites,
    }


def high_of(document: Mapping[str, Any]) -> float | None:
    """Signal strength of a session's high satellites at the rover [dB-Hz]; None where it does not speak for its day."""
    strength = document.get("high_cn0_dbhz")
    return None if strength is None or (document.get("epochs") or 0) < TREND["least_epochs"] else float(strength)


def sinking_signals(accounts: Sequence[SessionAccount]) -> dict[str, list[dict[str, Any]]]:
    """By key of a base's or a machine's newest session: the findings that its signals have sunk, as JSON."""
    found: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for (station, _), days in _by_base(accounts).items():
        sink = sink_of(days)
        if sink is not None:
            found[sink.key].append(_of_base(station, sink))
    for machine, days in _by_machine(accounts).items():
        sink = sink_of(days)
        if sink is not None:
            found[sink.key].append(_of_rover(machine, sink))
    return dict(found)


def _by_machine(accounts: Iterable[SessionAccount]) -> dict[str, list[Day]]:
    """Days of each machine in order."""
    sessions: dict[str, dict[int, list[tuple[str, float, str]]]] = defaultdict(lambda: defaultdict(list))
    for account in accounts:
        strength, start = account.provenance.get("high_cn0_dbhz"), account.document.get("start_utc")
        machine = account.document.get("machine")
        if strength is not None and start is not None and machine:
            sessions[machine][_day_of(start)].append((str(start), float(strength), account.key))
    return {
        machine: [
            Day(day, {"high satellites": median(s for _, s, _ in some)}, math.nan, max(some)[2])
            for day, some in sorted(by_day.items())
        ]
        for machine, by_day in sessions.items()
    }


def _by_base(accounts: Iterable[SessionAccount]) -> dict[tuple[int, int], list[Day]]:
    """Days of each base in order; a base is its ID and, within 100 m, its place."""
    places: dict[int, list[list[float] | None]] = defaultdict(list)
    sessions: dict[tuple[int, int], dict[int, list[tuple[str, SessionAccount]]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for account in accounts:
        heard, start = account.provenance.get("heard"), account.document.get("start_utc")
        if heard is None or start is None:
            continue
        known = places[heard["id"]]
        arp = heard["arp_ecef_m"]
        at = next(
            (i for i, p in enumerate(known) if p is None or arp is None or math.dist(p, arp) < _SAME_BASE_M), None
        )
        if at is None:
            at = len(known)
            known.append(arp)
        sessions[heard["id"], at][_day_of(start)].append((str(start), account))
    return {base: [_day(day, some) for day, some in sorted(by_day.items())] for base, by_day in sessions.items()}


def _day_of(start_utc: str) -> int:
    import datetime as dt

    return (dt.datetime.fromisoformat(start_utc) - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)).days


def _day(day: int, some: list[tuple[str, SessionAccount]]) -> Day:
    some.sort(key=lambda pair: pair[0])
    values: dict[str, list[float]] = defaultdict(list)
    for _, account in some:
        for system, dbhz in account.provenance["heard"]["cn0_dbhz"].items():
            values[system].append(float(dbhz))
    satellites = median(float(account.provenance["heard"]["satellites"]) for _, account in some)
    return Day(day, {system: median(v) for system, v in values.items()}, satellites, some[-1][1].key)


def sink_of(days: list[Day]) -> Sink | None:
    """The fall of one base's signals over its days, where it is steady, large and of all systems alike; else None.

    Steady by the rank test of Mann (1945) and Kendall (1975) on 1 % (one-sided, normal approximation without ties); how
    much by the median of all slopes (Theil 1950, Sen 1968). All from memory.
    """
    if len(days) < TREND["least_days"]:
        return None
    systems = sorted(set.intersection(*(set(d.cn0_dbhz) for d in days)))
    if not systems:
        return None
    at = [float(d.day) for d in days]
    mean = [sum(d.cn0_dbhz[s] for s in systems) / len(systems) for d in days]
    z, span = _kendall_z(mean), at[-1] - at[0]
    fell_db = -_slope(at, mean) * span
    if z > -TREND["z"] or fell_db < TREND["fell_db"]:
        return None
    # A change of constellations' own makes one of them weaker; a cable takes from all.
    if any(-_slope(at, [d.cn0_dbhz[s] for d in days]) * span < 0.5 * fell_db for s in systems):
        return None
    newest = days[-1]
    return Sink(
        len(days), round(span), fell_db, mean[-1], newest.satellites, tuple(systems), z, newest.key, days[0].day
    )


def _kendall_z(values: list[float]) -> float:
    n = len(values)
    s = sum((b > a) - (b < a) for i, a in enumerate(values) for b in values[i + 1 :])
    spread = math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    return (s - (s > 0) + (s < 0)) / spread


def _slope(at: list[float], values: list[float]) -> float:
    return median((values[j] - values[i]) / (at[j] - at[i]) for i in range(len(at)) for j in range(i + 1, len(at)))


def _of_base(station: int, sink: Sink) -> dict[str, Any]:
    why = (
        f"{sink.fell_db:.0f} dB less than {sink.span_days} days ago on {', '.join(sink.systems)} alike, sinking from day to "
        "day: water in the cable or a connector of its antenna?"
    )
    evidence = {"satellites": sink.satellites, "cn0_dbhz": sink.now_dbhz, "why": why}
    return _document("base_obstructed", f"station {station}, over days", sink, evidence, None)


def _of_rover(machine: str, sink: Sink) -> dict[str, Any]:
    summary = (
        f"the signals of {machine} have sunk by {sink.fell_db:.0f} dB in {sink.span_days} days, on high satellites: water in "
        "the cable or a connector of its antenna?"
    )
    evidence = {"drop_db": sink.fell_db, "cn0_dbhz": sink.now_dbhz}
    return _document("signal_drop", f"{machine}, over days", sink, evidence, summary)


def _document(code: str, subject: str, sink: Sink, evidence: Mapping[str, Any], summary: str | None) -> dict[str, Any]:
    figures = {
        **evidence, OVER_DAYS: sink.fell_db, "days": sink.days, "span_days": sink.span_days, "rank_z": sink.z,
    }  # fmt: skip
    start_ns, end_ns = (sink.first_day * 86_400 * _S, (sink.first_day + sink.span_days + 1) * 86_400 * _S)
    (finding,) = findings_of([Episode(code, start_ns, end_ns, subject, severity="warn", evidence=figures)], end_ns)
    steps = ("look into the connectors of the antenna and its cable, and change them", *finding.next_steps)
    finding = replace(finding, next_steps=steps, summary=summary or finding.summary)
    return finding_document(finding, SessionAxis(day0=0))


def with_sinks(account: SessionAccount, told: Sequence[Mapping[str, Any]]) -> SessionAccount:
    """The account with these as its only findings over days; behind all that weighs as much or more."""
    findings = [f for f in account.document["findings"] if OVER_DAYS not in f["evidence"]]
    for finding in told:
        weight = SEVERITY_ORDER[finding["severity"]]
        findings.insert(sum(SEVERITY_ORDER[f["severity"]] <= weight for f in findings), dict(finding))
    if findings == account.document["findings"]:
        return account
    return replace(account, document={**account.document, "findings": findings})
