"""The report's parts as plain rows for the page. Figures come from the pure functions beside it; this only words them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from hubtack.diagnosis.episode import SEVERITY_ORDER
from hubtack.fleet.account import SessionAccount
from hubtack.fleet.causes import Cause, charges, rank_causes
from hubtack.fleet.common_cause import coincidences, incidents
from hubtack.fleet.compare import Comparison
from hubtack.fleet.report import words
from hubtack.fleet.report.days import Day, days, ticks
from hubtack.fleet.report.plan import SQUARE_M, SitePlan, plan_svg, site_plans
from hubtack.fleet.report.strips import age_svg, baseline_svg, lanes_svg
from hubtack.fleet.report.words import Clock
from hubtack.fleet.totals import Totals, by_machine, machine_of, number, span_ns, totals, utc_ns
from hubtack.knowledge.findings import BY_CODE

Row = dict[str, Any]
MOST_STRIPS, MOST_FINDINGS, MOST_INCIDENTS, MOST_PLACES = 400, 40, 25, 10
OPEN_MACHINES = 3
SEVERITY_MARK = {"stop": "■ stop", "warn": "▲ warn", "note": "○ note"}


def cause_name(code: str | None) -> str:
    """A finding's code as words."""
    return "unexplained" if code is None else code.replace("_", " ")


def figures(t: Totals) -> Row:
    """The sums of some sessions in words."""
    return {
        "sessions": t.sessions,
        "recorded": words.span(t.recorded_s),
        "no_data": words.span(t.no_data_s),
        "working": words.span(t.working_s),
        "lost": words.span(t.lost_s),
        "lost_share": words.percent(t.lost_share),
        "grade": words.percent(t.grade_share),
        "rough": words.percent(t.rough_share),
        "hold": words.percent(t.hold_share),
        "fixed": words.percent(t.fixed_share),
        "losses": words.count(t.fix_losses),
        "cost": words.NONE if t.cost is None else words.count(t.cost),
        "bar": [] if t.hold_share is None else [t.grade_share, t.rough_share, t.hold_share],
    }


def machine_rows(accounts: Sequence[SessionAccount]) -> list[Row]:
    """Machines, the one with most lost working time first."""
    rows = []
    for name, group in by_machine(accounts).items():
        t, causes = totals(group), rank_causes(group)
        if t.correction_only == t.sessions:
            continue  # correction logs of a base: no machine
        first = next((c for c in causes if c.lost_s > 0), None)
        rows.append({"name": name, "t": t, **figures(t), "cause": cause_name(first.code) if first else words.NONE})
    rows.sort(key=lambda r: (-r["t"].lost_s, -(r["t"].lost_share or 0.0), r["name"]))
    return rows


def cause_rows(causes: Sequence[Cause]) -> list[Row]:
    """Causes with their share of the whole loss."""
    whole = sum(c.lost_s for c in causes)
    top = max((c.lost_s for c in causes), default=0.0)
    out = []
    for cause in causes:
        rule = BY_CODE.get(cause.code) if cause.code else None
        worst = sorted(cause.machines.items(), key=lambda m: (-m[1], m[0]))
        out.append(
            {
                "code": cause.code,
                "name": cause_name(cause.code),
                "lost": words.span(cause.lost_s),
                "share": words.percent(cause.lost_s / whole if whole else None),
                "width": f"{100 * cause.lost_s / top:.1f}" if top else "0",
                "machines": len(cause.machines),
                "worst": ", ".join(f"{name} {words.span(s)}" for name, s in worst[:3]),
                "cost": None if cause.cost is None else words.count(cause.cost),
                "next": rule.next_steps[0] if rule and rule.next_steps else "",
                "shared": sorted(cause.shared_with),
            }
        )
    return out


def common_section(accounts: Sequence[SessionAccount], clock: Clock) -> Row:
    """Incidents on several machines, the widest and latest kept where there are too many to print."""
    found = incidents(accounts)
    seen, expected = coincidences(accounts)
    kept = sorted(found, key=lambda i: (-len(i.machines), i.start_ns))[:MOST_INCIDENTS]
    return {
        "machines": len({machine_of(a) for a in accounts if span_ns(a) and number(a.document.get("epochs"))}),
        "incidents": [
            {
                "when": clock.both(i.start_ns),
                "hit": list(i.machines),
                "recording": len(i.recording),
                "what": ", ".join(cause_name(w) for w in i.what),
                "verdict": i.verdict,
            }
            for i in sorted(kept, key=lambda i: i.start_ns)
        ],
        "left_out": len(found) - len(kept),
        "seen": seen,
        "expected": words.fixed(expected, 1 if expected >= 0.95 else 2),
    }


def site_sections(accounts: Sequence[SessionAccount]) -> list[Row]:
    """A plan and the worst places of each site."""
    return [_site(number_, plan) for number_, plan in enumerate(site_plans(accounts), start=1)]


def _site(number_: int, plan: SitePlan) -> Row:
    return {
        "number": number_,
        "machines": plan.machines,
        "origin": plan.origin_is,
        "latitude": words.fixed(plan.origin_deg[0], 6),
        "longitude": words.fixed(plan.origin_deg[1], 6),
        "svg": plan_svg(plan) if plan.has_drawing else None,
        "losses": len(plan.losses_m),
        "working": int(plan.working.sum()),
        "unplaced": plan.unplaced,
        "square": f"{SQUARE_M:g} m",
        "places": [
            {
                "east": f"{p.east_m:.0f}",
                "north": f"{p.north_m:.0f}",
                "losses": p.losses,
                "working": p.working,
                "out": words.span(p.out_of_fix_s),
                "machines": ", ".join(p.machines),
                "causes": ", ".join(f"{cause_name(c)} {n}" for c, n in p.causes),
            }
            for p in plan.places[:MOST_PLACES]
        ],
        "more_places": max(0, len(plan.places) - MOST_PLACES),
    }


# Base findings that say where a base is; what its stream lacks is a matter of the link.
_OF_PLACE = frozenset({"base_moved", "base_disturbed", "base_misplaced", "wrong_base", "two_bases", "overnight_shift"})


def base_findings(accounts: Sequence[SessionAccount], clock: Clock) -> list[Row]:
    """What sessions found on the place of their base; the same sentence of several sessions is one row."""
    rows: dict[tuple[str, str, str], Row] = {}
    for account in accounts:
        for finding in account.document.get("findings") or ():
            code, severity = str(finding.get("code")), str(finding.get("severity"))
            if code not in _OF_PLACE:
                continue
            start, summary = utc_ns(finding.get("start_utc")), str(finding.get("summary") or "")
            row = rows.setdefault(
                (code, severity, summary),
                {
                    "code": code,
                    "name": cause_name(code),
                    "summary": summary,
                    "severity": severity,
                    "starts": [],
                    "on": set(),
                    "count": 0,
                },
            )
            row["count"] += 1
            row["on"].add(machine_of(account))
            if start is not None:
                row["starts"].append(start)
    for row in rows.values():
        row["mark"] = SEVERITY_MARK.get(row["severity"], row["severity"])
        row["first"] = clock.both(min(row["starts"], default=None))
        row["machines"] = sorted(row["on"])
    return sorted(rows.values(), key=lambda r: (SEVERITY_ORDER.get(r["severity"], 3), min(r["starts"], default=0)))


def compare_section(comparison: Comparison | None) -> Row | None:
    """Two periods in words; None where none was given."""
    if comparison is None:
        return None
    rows = []
    for pair in (comparison.fleet, *comparison.machines):
        now, before = pair.now, pair.before
        rows.append(
            {
                "name": pair.name,
                "enough": pair.enough,
                "lost": [words.percent(before.lost_share), words.percent(now.lost_share)],
                "lost_change": words.points(now.lost_share, before.lost_share),
                "grade": [words.percent(before.grade_share), words.percent(now.grade_share)],
                "grade_change": words.points(now.grade_share, before.grade_share),
                "losses": [words.fixed(before.losses_per_working_h), words.fixed(now.losses_per_working_h)],
                "working": [words.span(before.working_s), words.span(now.working_s)],
            }
        )
    causes = [
        {
            "name": cause_name(c.code),
            "before": f"{words.span(c.before_s)} ({words.percent(c.before_share)})",
            "now": f"{words.span(c.now_s)} ({words.percent(c.now_share)})",
            "change": words.points(c.now_share, c.before_share),
        }
        for c in comparison.causes
    ]
    return {"rows": rows, "causes": causes, "repeated": comparison.repeated}


def workable_section(accounts: Sequence[SessionAccount]) -> Row | None:
    """Share of time workable for each class of job, by machine; None where no session has it."""
    by_name: dict[str, dict[tuple[float, str], list[tuple[float, float]]]] = {}
    for account in accounts:
        weight = number(account.document.get("duration_s"))
        for row in account.document.get("workable") or ():
            tolerance, value = row.get("vertical_95_m"), row.get("share")
            if isinstance(tolerance, int | float) and isinstance(value, int | float) and weight > 0:
                key = (float(tolerance), str(row.get("class") or "").replace("_", " "))
                by_name.setdefault(machine_of(account), {}).setdefault(key, []).append((weight, float(value)))
    if not by_name:
        return None
    keys = sorted({key for cells in by_name.values() for key in cells}, reverse=True)

    def cell(pairs: Sequence[tuple[float, float]]) -> str:
        whole = sum(w for w, _ in pairs)
        return words.percent(sum(w * v for w, v in pairs) / whole) if whole else words.NONE

    rows = [{"name": n, "cells": [cell(by_name[n].get(k, ())) for k in keys]} for n in sorted(by_name)]
    every = [cell([p for cells in by_name.values() for p in cells.get(k, ())]) for k in keys]
    return {"classes": [(name, words.mm(tolerance)) for tolerance, name in keys], "rows": rows, "all": every}


def day_sections(accounts: Sequence[SessionAccount], order: Sequence[str], clock: Clock) -> Row:
    """Strips by machine (in the order of the fleet table) and day; the days with most lost time where they are too many."""
    found, left_out = days(accounts, clock, MOST_STRIPS)
    groups = by_machine(accounts)
    rough_s, hold_s = age_limits(accounts)
    machines = []
    for place, name in enumerate(order):
        mine = [d for d in found if d.machine == name]
        top_m = max(
            (float(np.nanmax(b)) for d in mine if not np.isnan(b := d.columns["baseline_median_m"]).all()), default=0.0
        )
        machines.append(
            {
                "name": name,
                "open": place < OPEN_MACHINES,
                "days": [_day(d, clock, rough_s, hold_s, top_m) for d in mine],
                "sessions": _sessions(groups.get(name, ()), clock),
                "findings": _findings(groups.get(name, ()), clock),
            }
        )
    return {"machines": machines, "left_out": left_out}


def age_limits(accounts: Sequence[SessionAccount]) -> tuple[float | None, float | None]:
    """The ages that lower a verdict, where all sessions were judged by the same."""
    out: list[float | None] = []
    for key in ("correction_age_rough_s", "correction_age_hold_s"):
        values = {(a.provenance.get("limits") or {}).get(key) for a in accounts}
        value = values.pop() if len(values) == 1 else None
        out.append(float(value) if isinstance(value, int | float) else None)
    return out[0], out[1]


def _day(day: Day, clock: Clock, rough_s: float | None, hold_s: float | None, top_m: float) -> Row:
    c = day.columns
    charged = sorted(((s, cause_name(code)) for code, s in day.charged.items() if s > 0), reverse=True)
    return {
        "label": day.label,
        "dated": day.dated,
        "verdict": lanes_svg(
            day,
            [
                ("hold", c["hold_s"] - c["no_data_s"]),
                ("rough", c["rough_s"]),
                ("grade", c["grade_s"]),
                ("silent", c["no_data_s"]),
            ],
            "verdicts by the minute",
        ),
        "fix": lanes_svg(
            day,
            [
                ("fixa", c["rtk_fixed_s"]),
                ("fixb", c["rtk_float_s"]),
                ("fixc", c["autonomous_s"] + c["differential_s"] + c["other_s"] + c["none_s"]),
            ],
            "fix types by the minute",
        ),
        "age": age_svg(day, rough_s, hold_s),
        "baseline": baseline_svg(day, top_m),
        "baseline_top": words.metres(top_m) if top_m > 0 else words.NONE,
        "work": lanes_svg(day, [("work", c["working_s"]), ("lostwork", c["lost_working_s"])], "work by the minute"),
        "ticks": [(f"{100 * place:.2f}", text, i % 2) for i, (place, text) in enumerate(ticks(day, clock))],
        "logged": words.span(60.0 * int(day.logged.sum())),
        "working": words.span(day.total_s("working_s")),
        "lost": words.span(day.total_s("lost_working_s")),
        "charged": ", ".join(f"{name} {words.span(s)}" for s, name in charged),
    }


def _sessions(accounts: Sequence[SessionAccount], clock: Clock) -> list[Row]:
    out = []
    for account in sorted(accounts, key=lambda a: utc_ns(a.document.get("start_utc")) or 0):
        d, t = account.document, totals([account])
        out.append(
            {
                "name": d.get("name") or account.key,
                "start": clock.both(utc_ns(d.get("start_utc"))),
                **figures(t),
                "age": words.fixed((d.get("correction_age_s") or {}).get("p95")),
                "vertical": words.mm((d.get("edge_error_95_m") or {}).get("vertical_p95")),
                "tolerance": words.mm((d.get("tolerance_95_m") or {}).get("vertical")),
            }
        )
    return out


def _findings(accounts: Sequence[SessionAccount], clock: Clock) -> Row:
    rows: list[tuple[Any, Row]] = []
    for account in accounts:
        sums: dict[str | None, float] = {}
        for charge in charges(account):
            sums[charge.code] = sums.get(charge.code, 0.0) + charge.lost_s
        for finding in account.document.get("findings") or ():
            code, evidence = str(finding.get("code")), finding.get("evidence") or {}
            start = utc_ns(finding.get("start_utc"))
            severity = str(finding.get("severity"))
            rank = (SEVERITY_ORDER.get(severity, 3), -sums.get(code, 0.0), -number(finding.get("hold_s")), start or 0)
            rows.append((rank, _finding(finding, evidence, severity, clock.both(start), sums.pop(code, 0.0))))
    rows.sort(key=lambda r: r[0])
    return {"rows": [row for _, row in rows[:MOST_FINDINGS]], "left_out": max(0, len(rows) - MOST_FINDINGS)}


def _finding(finding: Mapping[str, Any], evidence: Mapping[str, Any], severity: str, start: str, lost_s: float) -> Row:
    steps = finding.get("next_steps") or ()
    return {
        "severity": severity,
        "mark": SEVERITY_MARK.get(severity, severity),
        "name": cause_name(str(finding.get("code"))),
        "summary": finding.get("summary") or "",
        "start": start,
        "count": evidence.get("count"),
        "total": words.span(evidence.get("total_s")),
        "lost": words.span(lost_s) if lost_s else words.NONE,
        "shared": evidence.get("shared_with") or [],
        "next": steps[0] if steps else "",
    }
