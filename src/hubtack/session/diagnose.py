"""What a session comes to: its state in the figures that the families of findings ask for, and the findings.

Worked out anew whenever somebody asks; nothing is kept here.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.diagnosis.check_family import check_episodes
from hubtack.diagnosis.episode import Episode, Finding
from hubtack.diagnosis.fold import findings_of
from hubtack.diagnosis.heading_family import course_episodes, heading_episodes
from hubtack.diagnosis.link_clocks import computer_clock_by_rover
from hubtack.diagnosis.link_families import LinkView, link_episodes, rtk_ready
from hubtack.diagnosis.overnight import overnight_episodes
from hubtack.diagnosis.rover_families import rover_episodes
from hubtack.diagnosis.rover_view import RoverView
from hubtack.diagnosis.sky_family import sky_episodes
from hubtack.diagnosis.why_float import likely_causes, patient
from hubtack.engine.axis import DAY_NS
from hubtack.knowledge.findings import BY_CODE
from hubtack.session.computer_clock import days_off

if TYPE_CHECKING:
    from hubtack.session.session import Session


def rover_view(session: Session, now_ns: int) -> RoverView:
    """The rover's side in the figures that the link's families ask for."""
    tally, evidence = session.rover.tally, session.rover.evidence
    if not tally.epochs:
        return RoverView()
    # From the first fix on: how long a receiver takes to find it is another question.
    since_fixed_s = (
        (tally.run_last_ns - tally.first_fixed_run_ns) / 1e9 if tally.first_fixed_run_ns is not None else 0.0
    )
    lag_ns = session.rover.track.least_lag_ns
    # Separate logs are laid side by side by content: the age of the stream in them is made, not measured.
    by_stream = not session.by_content and not evidence.says_age
    return RoverView(
        has_rover=True,
        idle=tally.idle,
        rows=tally.epochs,
        station_ids=evidence.station_texts(),
        fixed_share=min(1.0, tally.fix_seconds()["rtk_fixed"] / since_fixed_s) if since_fixed_s > 0 else 0.0,
        age_median_s=tally.age.quantile(0.5),
        age_p95_s=tally.age.quantile(0.95),
        stream_ahead_s=-evidence.stream_age_median_s(),
        runs={name: runs.at(now_ns) for name, runs in evidence.runs.items()},
        first_ns=tally.first_ns,
        last_ns=tally.last_ns,
        # The axis counts from a midnight: arrival and content are on one scale only modulo a day, as for the link.
        least_lag_ns=None if lag_ns is None else (lag_ns + DAY_NS // 2) % DAY_NS - DAY_NS // 2,
        tracked=session.rover_sky.tracked,
        used=session.rover_sky.used,
        ages=(evidence.stream_ages if by_stream else evidence.ages).table(),
        ages_basis="the rover's time beside the stream's" if by_stream else "rover's age of corrections",
        merged_by_content=session.by_content,
        places=session.places,
    )


def link_view(session: Session, elapsed_ns: int = 0) -> LinkView:
    """The link as its families see it now."""
    now_ns = session.now_ns(elapsed_ns)
    start_ns = session.link.tally.first_ns
    if start_ns is None:
        start_ns = session.rover.tally.first_ns if session.rover.tally.first_ns is not None else now_ns - elapsed_ns
    rover = rover_view(session, now_ns)
    lag_ns = rover.least_lag_ns if rover.least_lag_ns is not None else session.link.tally.least_lag_ns
    return LinkView(
        session.link,
        rover,
        start_ns,
        now_ns,
        source_codes=_source_codes(session, start_ns),
        base=session.base.seen(),
        glonass_off_s=session.base.leap.off_s(session.link.tally.leap_s),
        computer_days_off=days_off(session.axis, session.last_arrival_utc_ns, session.now_ns(), lag_ns),
    )


def _source_codes(session: Session, start_ns: int) -> tuple[tuple[str, int, int | None, dict[str, Any]], ...]:
    source = session.sources.get(session.link_role)
    if source is None:
        return ()
    return tuple(
        (outage.code, start, end, {"why": outage.why, "tries": outage.tries})
        for outage, start, end in source.outages.spans(session.link.tally.first_ns, start_ns)
    )


def findings(session: Session, elapsed_ns: int = 0) -> list[Finding]:
    """Findings as they stand now; recomputed, never stored."""
    view = link_view(session, elapsed_ns)
    episodes = rover_episodes(
        session.rover.evidence,
        session.rover.tally,
        session.rover.track,
        session.setup,
        start_ns=view.start_ns,
        now_ns=view.now_ns,
        silent_ns=_rover_silent_ns(session, view.now_ns, elapsed_ns),
        expects_rover="rover" in session.expected,
        ends_apart=session.by_content,
        outlasts_link_s=view.rover_outlasts_s,
        live=session.is_live,
    )
    episodes = [_with_causes(session, e, view) if e.code == "stuck_float" else e for e in patient(episodes, view)]
    episodes.extend(heading_episodes(session.rover.swings, session.setup))
    episodes.extend(course_episodes(session.rover.course, session.setup))
    episodes.extend(
        sky_episodes(session.rover_sky.sectors, view.rover, session.setup.limit, session.rover.heading_deg())
    )
    episodes.extend(overnight_episodes(session.rover.parked, view.now_ns))
    episodes.extend(_check_episodes(session, view.now_ns))
    episodes.extend(session.rover_ranges.episodes(base_is_misplaced=bool(view.base.misplaced)))
    if session.has_link():
        episodes.extend(link_episodes(view, episodes))
    else:
        episodes.extend(computer_clock_by_rover(view))
    return findings_of(episodes, view.now_ns)


def _rover_silent_ns(session: Session, now_ns: int, elapsed_ns: int) -> int:
    """For how long the rover has said nothing: live by the clock, as for the verdict; in a log by what others say. [ns]"""
    if session.is_live and not session.closed:
        return elapsed_ns
    # A stream whose epochs are dated ahead of the rover's time all along does not make the rover silent by that.
    ahead_s = 0.0 if session.by_content else max(0.0, -session.rover.evidence.stream_age_median_s())
    return now_ns - session.rover.track.time_ns - round(ahead_s * 1e9)


def _with_causes(session: Session, episode: Episode, view: LinkView) -> Episode:
    """Beside a rover that stays float: what may be the reason, likeliest first."""
    _, pdop, _ = session.rover_sky.geometry.table(session.rover_sky.used, newest=5)
    known = pdop[~np.isnan(pdop)]
    position = session.rover_position()
    causes = likely_causes(
        view,
        pdop=float(np.median(known)) if len(known) else float("nan"),
        baseline_m=session.rover.tally.baseline.quantile(0.5),
        longitude_deg=position[1] if position is not None else float("nan"),
        utc_hour=episode.start_ns % DAY_NS / 3.6e12,
    )
    likely = {"likely": [cause.plain() for cause in causes], "likeliest": causes[0].text if causes else "not known"}
    return replace(episode, evidence={**episode.evidence, **likely})


def _check_episodes(session: Session, now_ns: int) -> list[Episode]:
    if not session.checking.expected:
        return []
    day0 = session.axis.day0
    return check_episodes(
        expected=True,
        checked=session.checked is not None,
        newest=None if day0 is None else session.checking.newest_at(now_ns + day0 * DAY_NS),
        start_ns=session.rover.tally.first_ns,
        require=session.setup.require_check,
    )


def ready(session: Session, found: list[Finding], elapsed_ns: int = 0) -> bool | None:
    """Whether a rover can fix on the stream (docs/rtk-ready.md)."""
    stops = [f.code for f in found if f.severity == "stop" and "corrections" in BY_CODE[f.code].needs]
    return rtk_ready(link_view(session, elapsed_ns), stops)
