"""Everything that one check has brought up, its findings, its line in the record, and what earlier visits say."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np

from hubtack.control.base_days import BaseDay, BaseStep, base_steps
from hubtack.control.check import Check
from hubtack.control.drift import Difference, Trend, Visit, compare, trend
from hubtack.control.frame import Frame, Mark
from hubtack.control.record import RESULTS, paths_of, read_record
from hubtack.control.stream_crs import DatumMessage
from hubtack.diagnosis.episode import Episode, Finding
from hubtack.diagnosis.fold import findings_of
from hubtack.engine.from_site import base_ecef_m
from hubtack.errors import UsageError
from hubtack.knowledge.control_limits import CONTROL_BY_KEY
from hubtack.knowledge.findings import BY_CODE
from hubtack.session.session import Session
from hubtack.site import Site

# What else may be wrong while somebody stands on a mark; the rest of a session's findings is the audit's business.
_FAMILIES = ("base", "fix", "content")
_NOT_HERE = frozenset({"not_checked", "overnight_shift"})


@dataclass(slots=True)
class Answer:
    """One check or measurement with all that belongs to it. ``utc`` is its end, None without a date."""

    site: Site
    mark: Mark | None
    frame: Frame | None
    name: str
    what: Literal["antenna", "shown_edge"] = "antenna"
    check: Check = field(default_factory=Check)
    session: Session | None = None
    source: str = ""
    is_live: bool = False
    utc: str | None = None
    antenna_height_m: float = 0.0
    shown: Mark | None = None
    stream: tuple[DatumMessage, ...] = ()
    ended_why: str = ""
    warnings: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    earlier: list[dict[str, Any]] = field(default_factory=list)
    since_last: Difference | None = None
    drift: Trend | None = None
    base: list[BaseStep] = field(default_factory=list)

    def base_id(self) -> int | None:
        """The base that was used on the mark, as the rover named it; else the stream's."""
        if self.session is None:
            return None
        occupied = self.check.occupied
        named = None if occupied is None else occupied.station_id
        return named if named in self.session.link.tally.stations else self.session.base_id() or named

    def base_day(self) -> BaseDay | None:
        """Where that base said it was while the mark was occupied; None where the stream did not say."""
        station_id = self.base_id()
        if self.session is None or station_id is None:
            return None
        station = self.session.link.tally.stations.get(station_id)
        if station is None or not station.arps:
            return None
        end_ns = None if self.check.occupied is None else self.check.occupied.end_ns
        heard = [arp for arp in station.arps if end_ns is None or arp[0] <= end_ns]
        _, x, y, z = (heard or station.arps[:1])[-1]
        return BaseDay(self.utc or "this log", self.utc, station_id, (x, y, z), station.computed)


def findings_of_check(answer: Answer) -> list[Finding]:
    """``control_failed`` and ``datum_shift`` where they hold, and what the session says of base and fix meanwhile."""
    check, session = answer.check, answer.session
    start_ns = 0 if check.occupied is None else check.occupied.start_ns
    end_ns = 0 if check.occupied is None else check.occupied.end_ns
    found: list[Finding] = []
    if check.datum is not None and check.datum.fit is not None:
        fit = check.datum.fit
        evidence = {
            "name": fit.name, "explains_m": fit.explains_m, "left_m": fit.left_m, "chance": fit.chance,
            "also_fits": list(fit.also_fits), "tried": check.datum.tried,
        }  # fmt: skip
        found += _one(Episode("datum_shift", start_ns, end_ns, evidence=evidence), end_ns, [fit.make_sure])
    if check.passed is False:
        horizontal = float(np.hypot(check.residual_m[0], check.residual_m[1]))
        evidence = {
            "point": answer.name, "horizontal_m": horizontal, "up_m": float(check.residual_m[2]),
            "too_large_in": check.judgement.why if check.judgement else "", "mistake": check.mistake,
        }  # fmt: skip
        found += _one(
            Episode("control_failed", start_ns, end_ns, evidence=evidence),
            end_ns,
            [check.mistake] if check.mistake else [],
        )
    if session is not None:
        found += [f for f in session.findings() if _belongs(f, check)]
    order = {"stop": 0, "warn": 1, "note": 2}
    # The root cause stands first: a known step between datums explains the failed check that shows it.
    return sorted(found, key=lambda f: (0 if f.code == "datum_shift" else 1 + order[f.severity]))


def _one(episode: Episode, now_ns: int, first_steps: Sequence[str]) -> list[Finding]:
    return [
        dataclasses.replace(f, next_steps=(*first_steps, *f.next_steps), end_ns=episode.end_ns)
        for f in findings_of([episode], now_ns)
    ]


def _belongs(finding: Finding, check: Check) -> bool:
    """Whether a finding of the session held while the mark was occupied; without an occupation, whether it held at all."""
    if BY_CODE[finding.code].family not in _FAMILIES or finding.code in _NOT_HERE:
        return False
    if check.occupied is None:
        return finding.severity != "note"
    start_ns, end_ns = finding.start_ns, finding.end_ns
    return (start_ns is None or start_ns <= check.occupied.end_ns) and (
        end_ns is None or end_ns >= check.occupied.start_ns
    )


def record_entry(answer: Answer, document: Mapping[str, Any], version: str) -> dict[str, Any]:
    """The line of this check in the control record; figures as in the document."""
    check, mark = answer.check, answer.mark
    assert check.judgement is not None and mark is not None
    occupied = check.occupied
    base = answer.base_day()
    arp = base.arp_ecef_m if base is not None else (None, None, None)
    east, north, up = (float(v) for v in check.residual_m)
    sigma = [float(v) for v in check.sigma_m]
    return {
        "utc": answer.utc, "point": mark.name, "what": answer.what, "result": RESULTS[check.passed],
        "east_m": east, "north_m": north, "up_m": up, "horizontal_m": math.hypot(east, north),
        "limit_horizontal_m": check.judgement.limit_horizontal_m, "limit_vertical_m": check.judgement.limit_vertical_m,
        "sigma_east_m": sigma[0], "sigma_north_m": sigma[1], "sigma_up_m": sigma[2],
        "epochs": document["epochs"], "used": document["used"], "duration_s": document["duration_s"],
        "antenna_height_m": answer.antenna_height_m, "pdop": None if occupied is None else occupied.pdop,
        "easting_m": mark.easting, "northing_m": mark.northing, "height_m": mark.height_m,
        "crs": None if answer.frame is None else answer.frame.name,
        "base_id": answer.base_id(),
        "base_computed": bool(base.computed) if base is not None else False,
        "arp_x_m": arp[0], "arp_y_m": arp[1], "arp_z_m": arp[2],
        "datum_fit": check.datum.fit.name if check.datum is not None and check.datum.fit is not None else None,
        "machine": answer.site.machine.name, "source": answer.source, "site_sha256": answer.site.sha256,
        "version": version,
    }  # fmt: skip


def history_at(answer: Answer, record: Path | None) -> None:
    """Put beside a check what the record says: the last visit to the mark, drift over all, the base on earlier days."""
    entries: list[dict[str, Any]] = []
    if record is not None and paths_of(record)[0].exists():
        try:
            entries, bad = read_record(record)
        except UsageError as err:
            answer.warnings.append(f"earlier checks are not used: {err}")
        else:
            if bad:
                answer.warnings.append(f"{bad} line{'s' if bad > 1 else ''} of the control record could not be read")
    today = answer.base_day()
    if today is not None:
        days = [day for day in days_of(entries) if answer.utc is None or (day.utc or "") < answer.utc]
        steps = base_steps([*days, today], base_ecef_m(answer.site), base_tolerance_m(answer.site))
        answer.base = [step for step in steps if step.day is today]
    if answer.mark is None or answer.check.judgement is None or answer.check.mistake is not None:
        return
    here = answer.mark.name.casefold()
    answer.earlier = [
        e for e in entries
        if e["point"].casefold() == here and e["what"] == answer.what and e["utc"] != answer.utc
        and _same_machine(e["machine"], answer.site.machine.name) and _same_place(e, answer.mark)
    ]  # fmt: skip
    now = Visit(_at(answer.utc), answer.check.residual_m, answer.check.sigma_m)
    visits = [visit_of(e) for e in answer.earlier]
    if visits:
        before = [v for v in visits if v.utc is not None and (now.utc is None or v.utc < now.utc)]
        answer.since_last = compare(before[-1], now) if before else None
    answer.drift = trend([*visits, now])


def base_tolerance_m(site: Site) -> float:
    """How far a base may be off before it has moved. [m]"""
    return CONTROL_BY_KEY["base_moved_m"] if site.site.base is None else site.site.base.tolerance_m


def visit_of(entry: Mapping[str, Any]) -> Visit:
    """An entry of the record as a visit."""
    return Visit(
        _at(entry["utc"]),
        np.array([entry["east_m"], entry["north_m"], entry["up_m"]]),
        np.array([entry["sigma_east_m"], entry["sigma_north_m"], entry["sigma_up_m"]]),
        entry["pdop"],
    )


def days_of(entries: Sequence[Mapping[str, Any]]) -> list[BaseDay]:
    """The bases that a record's checks were made on."""
    return [
        BaseDay(e["utc"] or "without a date", e["utc"], e["base_id"], (e["arp_x_m"], e["arp_y_m"], e["arp_z_m"]),
                e["base_computed"])
        for e in entries
        if all(math.isfinite(e[k]) for k in ("arp_x_m", "arp_y_m", "arp_z_m"))
    ]  # fmt: skip


def _same_machine(a: str | None, b: str | None) -> bool:
    return a is None or b is None or a.strip().casefold() == b.strip().casefold()


def _same_place(entry: Mapping[str, Any], mark: Mark) -> bool:
    """A mark whose known coordinates were changed since is another mark: its residuals do not compare."""
    known = (entry["easting_m"], entry["northing_m"], entry["height_m"])
    return all(abs(a - b) < 0.0005 for a, b in zip(known, (mark.easting, mark.northing, mark.height_m), strict=True))


def _at(utc: str | None) -> dt.datetime | None:
    try:
        return None if utc is None else dt.datetime.fromisoformat(utc)
    except ValueError:
        return None
