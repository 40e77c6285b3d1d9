"""Episodes of the rover's side: sky, fix, heading, fields. Each family is an ordered table; the first match wins.

The evidence comes in as stretches (engine.rover_evidence); what is decided here is which code a stretch is called by
and how heavy it is, and which figures stand beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from hubtack.diagnosis.episode import Episode, Severity
from hubtack.engine.age_track import BIN_NS
from hubtack.engine.judge import Track, silent_limit_ns
from hubtack.engine.rover_evidence import RoverEvidence
from hubtack.engine.runs import Run
from hubtack.engine.setup import Setup
from hubtack.engine.tally import Tally
from hubtack.knowledge.leap_seconds import CURRENT_LEAP_S
from hubtack.knowledge.why_words import CLOCK_JUMPED, CLOCK_STEPPED, CLOCK_STEPPED_IN_LOGS, LEAP_LOST, SUSPECT_WORDS

# Codes whose stretches are episodes as they stand.
_AS_THEY_STAND = (
    "heading_lost",
    "heading_separation",
    "poor_geometry",
    "few_satellites",
    "not_using_corrections",
    "stuck_float",
    "long_baseline",
    "frozen_position",
    "suspect_fix",
    "clock_mismatch",
)
# Digits after the point that centimetres need: five decimals of a minute are 19 mm of latitude (derived from 1852 m).
_MINUTE_DECIMALS_WANTED, _HEIGHT_DECIMALS_WANTED = 6, 2
# What the sky of an idle machine lacks stops no work.
_UNDER_A_ROOF = frozenset({"few_satellites", "poor_geometry", "heading_lost", "heading_separation"})
_SAME_STEP_S = 0.06
_SILENT_EPOCHS = 3  # as many missing in a row are a silence (with limits rover_silent_hold_s)
# A gap and what the stream's time says of it agree within an epoch of each and a little; logs that end some seconds
# apart are nothing, so a shorter gap is not told from them. Common practice, no source.
_SAME_GAP_S, _LEAST_OUTLASTING_S = 2.0, 10.0
_ENDS_APART_NS = 30_000_000_000
_SHARE_MISSING = 0.5  # a field absent from more than half of the rows is missing, not late


def rover_episodes(
    evidence: RoverEvidence,
    tally: Tally,
    track: Track,
    setup: Setup,
    *,
    start_ns: int,
    now_ns: int,
    silent_ns: int,
    expects_rover: bool,
    live: bool,
    ends_apart: bool = False,
    outlasts_link_s: float = math.nan,
) -> list[Episode]:
    """All episodes of the rover's side as seen at ``now_ns`` on the session's axis, where all began at ``start_ns``.

    ``silent_ns`` is for how long the rover has said nothing, where it has said anything.
    ``ends_apart`` is True for separate logs; ``outlasts_link_s`` is by how much more the rover's log then lasts, by the
    time that it speaks of, than that of the corrections.
    """
    episodes: list[Episode] = []
    for code in _AS_THEY_STAND:
        for run in evidence.runs[code].at(now_ns):
            if code == "few_satellites" and _geometry_holds(run, evidence, now_ns):
                episodes.append(
                    replace(_episode(code, run, _figures(code, evidence, setup), None), hold_ns=0, explains=False)
                )
                continue
            severity = "warn" if tally.idle and code in _UNDER_A_ROOF else _severity(code, run)
            episodes.append(_episode(code, run, _figures(code, evidence, setup), severity))
    episodes.extend(
        _silence(evidence, tally, track, setup, start_ns, now_ns, silent_ns, expects_rover, ends_apart, outlasts_link_s)
    )
    episodes.extend(_fields(evidence, tally, setup, now_ns, live))
    return episodes


def _episode(code: str, run: Run, figures: Mapping[str, Any], severity: Severity | None) -> Episode:
    return Episode(code, run.start_ns, run.end_ns, hold_ns=run.hold_ns, severity=severity, evidence=figures)


def _geometry_holds(few: Run, evidence: RoverEvidence, now_ns: int) -> bool:
    """Whether satellites are fewer than wished for and enough, and it is how they stand that is HOLD."""
    end_ns = now_ns if few.end_ns is None else few.end_ns

    def within_ns(name: str) -> int:
        spans = ((run.start_ns, now_ns if run.end_ns is None else run.end_ns) for run in evidence.runs[name].at(now_ns))
        return sum(max(0, min(end, end_ns) - max(start, few.start_ns)) for start, end in spans)

    return within_ns("hold:geometry") > within_ns("hold:few")


def _severity(code: str, run: Run) -> Severity | None:
    """``stop`` where a HOLD during the stretch is owned by it; else the floor of the findings table."""
    return "stop" if run.hold_ns > 0 else None


def _figures(code: str, evidence: RoverEvidence, setup: Setup) -> dict[str, Any]:
    if code == "poor_geometry":
        return {"pdop_max": evidence.worst_pdop, "pdop_limit": setup.limit("pdop_warn")}
    if code == "few_satellites":
        return {
            "satellites_min": _whole(evidence.fewest_satellites),
            "satellites_limit": int(setup.limit("satellites_warn")),
        }
    if code == "long_baseline":
        return {"baseline_max_m": evidence.longest_baseline_m, "limit_m": setup.limit("baseline_warn_m")}
    if code == "heading_separation":
        return {"separation_m": evidence.last_separation_m, "installed_m": setup.pair_separation_m}
    if code == "suspect_fix":
        return {"why": "; ".join(words for name, words in SUSPECT_WORDS.items() if name in evidence.suspects)}
    if code == "heading_lost":
        return {"separation_m": setup.pair_separation_m}
    if code == "clock_mismatch":
        return {"why": CLOCK_JUMPED}
    return {}


def _gap(
    run: Run, evidence: RoverEvidence, tally: Tally, setup: Setup, ends_apart: bool, outlasts_link_s: float
) -> Episode:
    """A gap between two rows: a silence, or a clock that was set while the rows came as they should.

    The corrections tell the two apart. In a mixed log or live, the rover's time stays as far ahead of the stream's as
    the gap was long: the stream did not go on during it. Of separate logs the rover's then lasts longer by the gap.
    Where neither tells, and the logs do not last equally long either, a gap of the leap seconds to the hundredth is
    taken for them: a receiver that loses them runs on GPS time, and a real silence is that long by chance seldom enough.
    """
    gap_s = run.hold_ns / 1e9 - tally.interval_s()
    why = ""
    if ends_apart:
        if abs(gap_s - outlasts_link_s) < _SAME_GAP_S and gap_s > _LEAST_OUTLASTING_S:
            why = CLOCK_STEPPED_IN_LOGS.format(step_s=gap_s)
    elif abs(_left_behind_s(run, evidence) - gap_s) < _SAME_GAP_S:
        why = CLOCK_STEPPED.format(step_s=gap_s)
    ends_alike = ends_apart and abs(outlasts_link_s) < _SAME_GAP_S
    if abs(gap_s - CURRENT_LEAP_S) < _SAME_STEP_S and (why or (ends_apart and not ends_alike)):
        why = LEAP_LOST.format(step_s=CURRENT_LEAP_S)
    if why:
        return Episode(
            "clock_mismatch", run.start_ns, run.end_ns, hold_ns=run.hold_ns, severity="stop",
            evidence={"why": why, "step_s": gap_s}, stands_alone=True,
        )  # fmt: skip
    return Episode(
        "no_rover",
        run.start_ns,
        run.end_ns,
        hold_ns=run.hold_ns,
        severity="stop",
        evidence={"limit_s": setup.limit("rover_silent_hold_s")},
    )


def _left_behind_s(run: Run, evidence: RoverEvidence) -> float:
    """By how much the stream's newest epoch is older after a gap than before it, once corrections flow again. [s]"""
    assert run.end_ns is not None  # a silence is known by the row behind it
    at, age_s = evidence.stream_ages.table()
    before = np.flatnonzero(at + BIN_NS <= run.start_ns)
    after = np.flatnonzero(at >= run.end_ns)
    if not len(before) or not len(after):
        return math.nan
    return float(age_s[after[0]] - age_s[before[-1]])


def _silence(
    evidence: RoverEvidence,
    tally: Tally,
    track: Track,
    setup: Setup,
    start_ns: int,
    now_ns: int,
    silent_ns: int,
    expects_rover: bool,
    ends_apart: bool,
    outlasts_link_s: float,
) -> list[Episode]:
    """``no_rover``: gaps between rows, the silence since the last one, or no row at all."""
    # The first rows of a slow log are held before its interval is known; a finding is made of it only if it was longer.
    usual_ns = 0 if math.isnan(tally.interval_s()) else round(_SILENT_EPOCHS * tally.interval_s() * 1e9)
    gaps = [run for run in evidence.silent.at(now_ns) if run.hold_ns > usual_ns]
    found = [_gap(run, evidence, tally, setup, ends_apart, outlasts_link_s) for run in gaps]
    limit_ns = silent_limit_ns(track, setup)  # as for the verdict
    # Separate logs seldom end at the same moment: only a long silence at the end is the rover's.
    after_ns = max(limit_ns, _ENDS_APART_NS) if ends_apart else limit_ns
    if tally.epochs and silent_ns > after_ns:
        found.append(
            Episode(
                "no_rover",
                now_ns - silent_ns,
                None,
                hold_ns=silent_ns,
                severity="stop",
                evidence={"limit_s": setup.limit("rover_silent_hold_s")},
            )
        )
    elif not tally.epochs and expects_rover:
        found.append(
            Episode(
                "no_rover",
                start_ns,
                None,
                hold_ns=now_ns - start_ns,
                severity="stop",
                evidence={"limit_s": setup.limit("rover_silent_hold_s"), "epochs": 0},
            )
        )
    return found


def _fields(evidence: RoverEvidence, tally: Tally, setup: Setup, now_ns: int, live: bool) -> list[Episode]:
    """``rover_fields``: what the receiver should be told to send, one subject each."""
    if evidence.rows < 10 or tally.first_ns is None:
        return []
    start_ns = tally.first_ns
    found: list[tuple[str, Severity, dict[str, Any]]] = []

    def share(name: str, of: int) -> float:
        return evidence.rows_with[name] / of if of else 1.0

    if evidence.fixed_rows >= 10 and share("age_s", evidence.fixed_rows) < _SHARE_MISSING:
        found.append(
            (
                "correction age in GGA",
                "warn",
                {"field": "GGA age", "present_share": share("age_s", evidence.fixed_rows)},
            )
        )
    if (
        evidence.coarsest_height_decimals < _HEIGHT_DECIMALS_WANTED
        or evidence.coarsest_minute_decimals < _MINUTE_DECIMALS_WANTED
    ):
        found.append(
            (
                "high-precision output",
                "warn",
                {
                    "field": "GGA decimals",
                    "height_decimals": _whole(evidence.coarsest_height_decimals),
                    "minute_decimals": _whole(evidence.coarsest_minute_decimals),
                },
            )
        )
    if share("sigma_up_m", evidence.rows) == 0.0:
        found.append(("GST", "note", {"field": "GST", "present_share": 0.0}))
    if share("geoid_separation_m", evidence.rows) < _SHARE_MISSING:
        found.append(
            (
                "geoid separation",
                "note",
                {"field": "GGA geoid separation", "present_share": share("geoid_separation_m", evidence.rows)},
            )
        )
    interval_s = tally.interval_s()
    if not math.isnan(interval_s) and interval_s > setup.limit("epoch_interval_warn_s"):
        # A log may be thinner than what the machine was given: there it is only worth knowing.
        field = f"an epoch every second (one every {interval_s:g} s{'' if live else ' in this log'})"
        found.append(("epoch interval", "warn" if live else "note", {"field": field, "interval_s": interval_s}))
    return [
        Episode("rover_fields", start_ns, None, subject=subject, severity=severity, evidence=figures)
        for subject, severity, figures in found
    ]


def _whole(value: float) -> int | None:
    return None if math.isnan(value) else int(value)
