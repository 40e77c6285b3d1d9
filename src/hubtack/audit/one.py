"""One session, from its files to its account. The same function in this process, in a pool and on a cluster."""

from __future__ import annotations

import contextlib
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from hubtack.capture.reading import Losses, iter_capture, read_description
from hubtack.control.latest import all_checks, record_folder
from hubtack.diagnosis.episode import Finding
from hubtack.documents.audit import session_document
from hubtack.documents.finding import finding_document
from hubtack.documents.link import link_body
from hubtack.errors import HubtackError, LogFormatError, SourceError, UsageError
from hubtack.fleet.account import SessionAccount
from hubtack.fleet.minutes import MinuteRows
from hubtack.fleet.overnight import stands_of
from hubtack.fleet.plan import VERDICT_LOG, Task, beside
from hubtack.json_out import plain
from hubtack.knowledge.explains import EXPLAINS
from hubtack.knowledge.findings import FINDINGS, LINK_CODES
from hubtack.knowledge.limits import LIMITS
from hubtack.logs.discover import SessionFiles, SkippedFile
from hubtack.logs.discover import site_of as site_beside
from hubtack.logs.drive import run_events, run_files, session_for
from hubtack.orbits.ephemeris import Ephemeris
from hubtack.readers.chunk import Chunk
from hubtack.safe import safe_text
from hubtack.session.from_site import session_of_capture
from hubtack.session.session import Session
from hubtack.site import Site, default_site, load_site

_S = 1_000_000_000


@dataclass(slots=True)
class Outcome:
    """What became of a task: its accounts (a capture with a gap in it gives several), and rows of what could not be read."""

    key: str
    accounts: list[SessionAccount] = field(default_factory=list)
    skipped: list[SkippedFile] = field(default_factory=list)


def run_task(task: Task) -> Outcome:
    """Audit one session. A file that cannot be read costs its own row; nothing that is in a file is raised."""
    outcome = Outcome(task.key)
    files = task.files
    try:
        site = site_of(task)
    except UsageError as err:
        outcome.skipped.append(SkippedFile.because(files.site or Path(files.name), err))
        site = default_site()
    try:
        if files.capture is not None:
            _run_capture(task, site, outcome)
        else:
            _run_logs(task, site, outcome)
    except (HubtackError, OSError) as err:
        outcome.skipped.append(SkippedFile.because(files.paths[0], err))
    return outcome


def site_of(task: Task) -> Site:
    """The site file that was named, else the one beside the logs, else the defaults."""
    if task.settings.site_path is not None:
        return load_site(Path(task.settings.site_path))
    return site_beside(task.files)


def add_checks(session: Session, task: Task, site: Site) -> None:
    """Control checks on record beside the site file, else beside the logs."""
    folder = record_folder(site.path, beside(task.files))
    checks = []
    with contextlib.suppress(HubtackError):  # a record that cannot be read is no check
        checks = all_checks(folder, machine=site.machine.name)
    session.checking.know(checks, expected=site.works_with_marks)


def add_navigation(session: Session, task: Task) -> None:
    """Ephemerides of a navigation file, for streams that carry none."""
    if task.settings.navigation is not None:
        session.base.add_ephemerides(_navigation(task.settings.navigation[0]))


@lru_cache(maxsize=4)
def _navigation(path: str) -> tuple[Ephemeris, ...]:
    """Read once in each process: a file of a day takes a second."""
    from hubtack.orbits.navfile import read_rinex_nav

    return tuple(read_rinex_nav(Path(path)))


def _minutes_for(session: Session) -> MinuteRows:
    return MinuteRows(session.setup.limit("working_moved_s"))


def _run_logs(task: Task, site: Site, outcome: Outcome) -> None:
    session = session_for(task.files, site)
    add_checks(session, task, site)
    add_navigation(session, task)
    minutes = _minutes_for(session)
    notes = list(task.not_covered)
    try:
        run_files(session, task.files, minutes.add)
    except SourceError as err:
        outcome.skipped.append(SkippedFile.because(task.files.paths[0], err))
        if not session.rover.tally.epochs and not session.link.tally.frames:
            return
        notes.append(str(err))
        minutes.add(session.close())
    outcome.accounts.append(account_of(task, session, site, minutes, notes, has_arrival=False))


def _run_capture(task: Task, site: Site, outcome: Outcome) -> None:
    """The events of a capture with the arrivals they had; a silence of all sources over the gap starts a new session."""
    folder = task.files.capture
    assert folder is not None
    labels = read_description(folder).labels
    losses = Losses()
    notes = list(task.not_covered)
    for number, events in enumerate(_apart(iter_capture(folder, losses), task.settings.gap_s), start=1):
        session = session_of_capture(site, labels)
        add_checks(session, task, site)
        add_navigation(session, task)
        minutes = _minutes_for(session)
        try:
            run_events(session, events, minutes.add)
        except (SourceError, LogFormatError) as err:
            outcome.skipped.append(SkippedFile.because(folder, err))
            notes.append(str(err))
        minutes.add(session.close())
        mine = replace(task, key=task.key if number == 1 else f"{task.key}-{number}")
        if number > 1:
            mine = replace(mine, files=replace(task.files, name=f"{task.files.name} {number}"))
        said = [*notes, *_lost(losses)]
        outcome.accounts.append(account_of(mine, session, site, minutes, said, has_arrival=True))


def _apart(events: Iterator[Any], gap_s: float) -> Iterator[Iterator[Any]]:
    """Runs of events with no silence over the gap between them. Each must be used up before the next is asked for."""
    held: list[Any] = []
    done = False

    def run() -> Iterator[Any]:
        nonlocal done
        last: int | None = None
        while True:
            event = held.pop() if held else next(events, None)
            if event is None:
                done = True
                return
            if isinstance(event, Chunk) and event.t_utc_ns is not None:
                if last is not None and abs(event.t_utc_ns - last) > gap_s * 1e9:
                    held.append(event)
                    return
                last = event.t_utc_ns
            yield event

    while not done:
        yield run()


def _lost(losses: Losses) -> list[str]:
    out = []
    if losses.bad_lines:
        out.append(f"{losses.bad_lines} lines of the capture's index are damaged")
    if losses.missing_bytes:
        out.append(f"{losses.missing_bytes} bytes that the capture's index names are missing")
    if losses.unindexed_bytes:
        out.append(f"{losses.unindexed_bytes} bytes of the capture have no arrival time of their own")
    return out


def account_of(
    task: Task, session: Session, site: Site, minutes: MinuteRows, notes: Sequence[str], *, has_arrival: bool
) -> SessionAccount:
    """The account of a closed session."""
    files = task.files
    minutes.close(session.rover.tally.interval_s())
    findings = session.findings()
    shown = [finding_document(f, session.axis) for f in findings]
    link = None
    if session.has_link():
        source = ", ".join(str(p) for p in files.corrections) or str(files.rover or files.capture)
        names = [f for f, g in zip(shown, findings, strict=True) if g.code in LINK_CODES]
        link = link_body(
            session.link,
            session.axis,
            source=source,
            ready=session.rtk_ready(findings),
            findings=names,
            base=session.base.seen(),
        )
    machine, machine_from = machine_of(task, site)
    body = session_document(session, files, shown, link, machine)
    body["machine_from"] = machine_from
    document = dict(plain(body))
    # Files of a session are the ones whose hashes stand in the provenance, a capture's parts included.
    return SessionAccount(
        key=task.key,
        document=document,
        minutes=minutes.columns(session.axis.day0),
        losses=_losses(minutes, findings, session),
        bases=_bases(link),
        provenance=_provenance(task, site, session, minutes, notes, has_arrival, document),
    )


def machine_of(task: Task, site: Site) -> tuple[str | None, str | None]:
    """The machine's name and where it comes from: pattern, site file or folder."""
    if task.machine:
        return safe_text(task.machine, 80), "pattern"
    if site.machine.name:
        return safe_text(site.machine.name, 80), "site"
    if task.folder_name:
        return safe_text(task.folder_name, 80), "folder"
    return None, None


def _losses(minutes: MinuteRows, findings: Sequence[Finding], session: Session) -> list[dict[str, Any]]:
    axis = session.axis
    origin_ns = 0 if axis.day0 is None else axis.day0 * 86_400 * _S
    out = []
    for loss in minutes.losses:
        row = {
            "start_utc": axis.utc_iso(loss["start_ns"]),
            "end_utc": axis.utc_iso(loss["end_ns"]),
            "start_ns": loss["start_ns"] + origin_ns,
            **{key: loss[key] for key in ("latitude_deg", "longitude_deg", "from_fix", "to_fix", "working")},
            "cause": cause_of(loss, findings),
        }
        out.append(row)
    return out


_EFFECTS_OF_A_LOSS = ("stuck_float", "not_using_corrections")
_LONGEST_LEAD_S, _LONGEST_TAIL_S = 20.0, 180.0
_DIRECT = {
    "no_rover": (5.0, 5.0),
    "clock_mismatch": (5.0, 5.0),
    "stuck_float": (5.0, 0.0),
    "not_using_corrections": (5.0, 0.0),
}


def cause_of(loss: Mapping[str, Any], findings: Sequence[Finding]) -> str | None:
    """The heaviest finding in one of whose episodes (with the time its effects take) the loss begins; else None.

    Only findings that can cost a fix are asked, by the table of what explains what; a silence is asked of the rover first.
    """
    start_ns = int(loss["start_ns"])
    ranked = sorted(findings, key=lambda f: f.code != "no_rover") if loss["to_fix"] == "no_data" else findings
    for finding in ranked:
        reach = _DIRECT.get(finding.code) or next(
            (EXPLAINS[finding.code][e] for e in _EFFECTS_OF_A_LOSS if e in EXPLAINS.get(finding.code, {})), None
        )
        if reach is None:
            continue
        lead_ns, tail_ns = int(min(reach[0], _LONGEST_LEAD_S) * _S), int(min(reach[1], _LONGEST_TAIL_S) * _S)
        # What is folded under a finding goes on after its own episodes, and so may cost a fix then.
        parts = (*finding.evidence.get("episodes", ()), *finding.evidence.get("consequences", ()))
        spans = [(e["start_ns"], e["end_ns"]) for e in parts]
        for begin, end in spans or [(finding.start_ns, finding.end_ns)]:
            if begin is not None and begin - lead_ns <= start_ns and (end is None or start_ns <= end + tail_ns):
                return finding.code
    return None


def _bases(link: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    keys = ("id", "latitude_deg", "longitude_deg", "height_m", "arp_ecef_m", "first_utc", "last_utc")
    stations = plain(link)["stations"] if link is not None else []
    return [{key: station[key] for key in keys} for station in stations]


def _provenance(
    task: Task,
    site: Site,
    session: Session,
    minutes: MinuteRows,
    notes: Sequence[str],
    has_arrival: bool,
    document: Mapping[str, Any],
) -> dict[str, Any]:
    not_covered = [safe_text(note, 400) for note in notes]
    if minutes.losses_left_out:
        not_covered.append(
            f"{minutes.losses_left_out} losses of the fix beyond the first {len(minutes.losses)} are not listed"
        )
    not_covered.extend(_absent_needs(session, site, has_arrival))
    limits = {limit.key: site.limit(limit.key) for limit in LIMITS}
    return {
        "software": f"hubtack {task.settings.software}",
        "site_file": safe_text(str(site.path)) if site.path is not None else None,
        "site_sha256": site.sha256,
        "settings_sha256": task.settings_sha256,
        "gap_s": task.settings.gap_s,
        "limits": limits,
        "limits_changed": sorted(k for k in site.limits),
        "tolerance_95_m": dict(document["tolerance_95_m"]),
        "cost_per_h": site.machine.cost_per_h,
        "time_zone": site.time_zone,
        "files": [
            {"path": safe_text(f.path, 1000), "bytes": f.size, "sha256": f.sha256, "span": _span(task.files, f.path)}
            for f in task.facts
        ],
        "not_covered": not_covered,
        "stands": stands_of(
            session.rover.parked.first,
            session.rover.parked.last(),
            session.axis.day0,
            (session.rover.parked.sigma_h_m, session.rover.parked.sigma_v_m),
        ),
        "as_shown": _as_shown(task, document, not_covered),
    }


def _span(files: SessionFiles, path: str) -> list[int | None] | None:
    span = files.spans.get(Path(path))
    return None if span is None else list(span)


_NEED_WORDS = {
    "rover": "no rover log",
    "corrections": "no correction stream",
    "arrival": "no arrival times (a plain log)",
    "second_antenna": "no second antenna",
    "site.base": "no base in the site file",
    "caster": "no caster in a log",
}


def _absent_needs(session: Session, site: Site, has_arrival: bool) -> list[str]:
    """What cannot be told for want of data: not the same as no problem."""
    there = {
        "rover": session.rover.tally.epochs > 0,
        "corrections": session.has_link(),
        "arrival": has_arrival,
        "second_antenna": site.machine.antenna_separation_m is not None or "second_antenna" in session.sources,
        "site.base": site.site.base is not None,
        "caster": session.link.setup.source_kind == "ntrip",
    }
    by_need: dict[str, list[str]] = defaultdict(list)
    for rule in FINDINGS:
        for need in rule.needs:
            if not there.get(need, False):
                by_need[need].append(rule.code)
    return [f"{_NEED_WORDS.get(need, need)}: cannot tell {', '.join(codes)}" for need, codes in sorted(by_need.items())]


def _as_shown(task: Task, document: Mapping[str, Any], not_covered: list[str]) -> dict[str, Any] | None:
    """What the screen showed at the time, by the verdict log beside the files."""
    path = beside(task.files) / VERDICT_LOG
    if document["start_utc"] is None or not path.is_file():
        return None
    from hubtack.live.verdict_log import read_verdict_log

    try:
        shown = read_verdict_log(path, document["start_utc"], document["end_utc"])
    except (OSError, ValueError) as err:
        not_covered.append(safe_text(f"{path}: the verdict log cannot be read ({err})", 400))
        return None
    return {
        "path": safe_text(str(path), 1000),
        "grade_s": round(shown.grade_s, 3),
        "rough_s": round(shown.rough_s, 3),
        "hold_s": round(shown.hold_s, 3),
        "from_utc": shown.from_utc,
        "to_utc": shown.to_utc,
        "broken_at": shown.broken_at,
    }
