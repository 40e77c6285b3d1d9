"""Snapshots out of a session: of the newest state for a screen, or of any judged row for a line of JSON."""

from __future__ import annotations

import math

import numpy as np

from hubtack.diagnosis.episode import Finding
from hubtack.engine.judge import HOLD, Standing
from hubtack.engine.quantities import best_possible
from hubtack.engine.rover import JudgedRows
from hubtack.knowledge.reasons import BY_CODE, codes
from hubtack.session.session import Session
from hubtack.session.snapshot import LinkLine, Snapshot

_S = 1_000_000_000
_DAY_S = 86_400


def snapshot(
    session: Session,
    elapsed_ns: int,
    *,
    allow_partial: bool,
    findings: tuple[Finding, ...] = (),
    link: LinkLine | None = None,
) -> Snapshot:
    """The state ``elapsed_ns`` after the newest row arrived, open rows included."""
    rows, standing = newest(session, elapsed_ns, allow_partial=allow_partial)
    return shown_as(session, rows, standing, elapsed_ns, findings, link)


def newest(session: Session, elapsed_ns: int, *, allow_partial: bool) -> tuple[JudgedRows | None, Standing]:
    """The newest row, as the last of a block, open ones included, and how it stands ``elapsed_ns`` after it arrived."""
    peeked = session.peek(allow_partial=allow_partial)
    if peeked is None:
        return session.rover.last, session.rover.standing(elapsed_ns)
    return peeked[0], session.rover.standing(elapsed_ns, peeked[1])


def shown_as(
    session: Session,
    rows: JudgedRows | None,
    standing: Standing,
    elapsed_ns: int,
    findings: tuple[Finding, ...],
    link: LinkLine | None,
) -> Snapshot:
    """The snapshot of what ``newest`` gave."""
    if rows is None:
        return _empty(session, standing, findings, link)
    return of_row(session, rows, len(rows.epochs) - 1, standing, elapsed_ns, findings, link)


def row_standings(session_since_ns: int, verdict_before: int, rows: JudgedRows) -> list[Standing]:
    """Standing of each row of a block as it was at that row, given the verdict before it and since when."""
    standings = []
    since_ns, last = session_since_ns, verdict_before
    for i in range(len(rows.epochs)):
        verdict = int(rows.judged.verdict[i])
        if verdict != last:
            since_ns, last = int(rows.epochs.time_ns[i]), verdict
        standings.append(Standing(verdict, int(rows.judged.bits[i]), since_ns, 0.0, float(rows.judged.age_s[i])))
    return standings


def of_row(
    session: Session,
    rows: JudgedRows,
    i: int,
    standing: Standing,
    elapsed_ns: int,
    findings: tuple[Finding, ...],
    link: LinkLine | None,
) -> Snapshot:
    """The snapshot of one judged row, ``elapsed_ns`` later."""
    epochs, q, judged = rows.epochs, rows.q, rows.judged
    setup = session.setup
    time_ns = int(epochs.time_ns[i]) + elapsed_ns
    fix = int(q.fix[i])
    fix_now, fix_since_ns = session.fix_since()
    horizontal = q.share_horizontal_m[i]
    bearing_deg, up_from_base_m = q.from_base(i)
    best, best_m = best_possible(setup, float(q.baseline_used_m[i]))
    # The judged columns of the last committed row may belong to a longer block: they are aligned at their end.
    j = i - len(epochs)
    return Snapshot(
        time_ns=time_ns,
        utc=session.axis.utc_iso(time_ns),
        clock=clock_text(time_ns),
        standing=standing,
        verdict_since_utc=session.axis.utc_iso(standing.since_ns),
        next_step=next_step(standing),
        fix=fix,
        fix_for_s=(time_ns - fix_since_ns) / _S if fix == fix_now else math.nan,
        age_s=float(judged.age_s[j]) + elapsed_ns / _S,
        baseline_m=float(q.baseline_m[i]),
        baseline_bearing_deg=bearing_deg,
        up_from_base_m=up_from_base_m,
        heading_deg=float(q.heading_deg[i]),
        heading_sigma_deg=float(q.heading_sigma_deg[i]),
        heading_required=setup.pair_separation_m is not None,
        edge_vertical_95_m=float(q.edge_vertical_95_m[i]),
        edge_horizontal_95_m=float(q.edge_horizontal_95_m[i]),
        tolerance_vertical_95_m=setup.tolerance_vertical_95_m,
        tolerance_horizontal_95_m=setup.tolerance_horizontal_95_m,
        job_class=setup.job_class,
        best_vertical_95_m=best_m,
        best_possible=best,
        shares_vertical_m=tuple(float(v) for v in q.share_vertical_m[i]),
        sigma_along_m=float(horizontal[0]),
        sigma_across_m=float(horizontal[1]),
        satellites=float(epochs.satellites[i]),
        hdop=float(epochs.hdop[i]),
        pdop=float(q.pdop[i]),
        base_id=session.base_id(),
        base_computed=session.base_computed(),
        link=link or LinkLine(),
        findings=findings,
        history=tuple(session.history.points),
        notices=session.notices(),
        checked=session.checked,
        speed_m_s=float(epochs.speed_m_s[i]),
        pdop_computed=session.rover_sky.geometry.newest_pdop(session.rover_sky.used),
        sectors=session.rover_sky.sectors.newest(),
        reach_m=setup.reach_m,
        convergence_deg=session.convergence_deg,
        rows=session.rover.track.n_rows,
    )


def _empty(session: Session, standing: Standing, findings: tuple[Finding, ...], link: LinkLine | None) -> Snapshot:
    setup = session.setup
    nan = math.nan
    best, best_m = best_possible(setup, nan if setup.assumed_baseline_m is None else setup.assumed_baseline_m)
    return Snapshot(
        time_ns=0,
        utc=None,
        clock="--:--:--",
        standing=standing,
        verdict_since_utc=None,
        next_step=next_step(standing),
        fix=0,
        fix_for_s=nan,
        age_s=nan,
        baseline_m=nan,
        baseline_bearing_deg=nan,
        up_from_base_m=nan,
        heading_deg=nan,
        heading_sigma_deg=nan,
        heading_required=setup.pair_separation_m is not None,
        edge_vertical_95_m=nan,
        edge_horizontal_95_m=nan,
        tolerance_vertical_95_m=setup.tolerance_vertical_95_m,
        tolerance_horizontal_95_m=setup.tolerance_horizontal_95_m,
        job_class=setup.job_class,
        best_vertical_95_m=best_m,
        best_possible=best,
        shares_vertical_m=(),
        sigma_along_m=nan,
        sigma_across_m=nan,
        satellites=nan,
        hdop=nan,
        pdop=nan,
        base_id=session.base_id(),
        base_computed=session.base_computed(),
        link=link or LinkLine(),
        findings=findings,
        notices=session.notices(),
    )


def next_step(standing: Standing) -> str:
    """What to do next: the step of the heaviest reason, or nothing to wait for."""
    reasons = codes(standing.bits)
    if reasons:
        return BY_CODE[reasons[0]].next_step
    return "HOLD" if standing.verdict == HOLD else "dig to grade; check on a control mark twice a day"


def clock_text(time_ns: int) -> str:
    """Time of day on the session's axis, hh:mm:ss."""
    s = int(np.floor_divide(time_ns, _S)) % _DAY_S
    return f"{s // 3600:02d}:{s % 3600 // 60:02d}:{s % 60:02d}"
