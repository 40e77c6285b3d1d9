"""Clocks: the base's against UTC, this computer's against both. The computer never decides alone."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from hubtack.diagnosis.episode import Episode, Severity
from hubtack.diagnosis.link_base import names_another_base
from hubtack.diagnosis.link_view import S_NS, LinkView
from hubtack.knowledge.leap_seconds import BEIDOU_BEHIND_GPS_S, CURRENT_LEAP_S
from hubtack.knowledge.why_words import ROVER_OFF

DAY_S = 86_400.0
_OFF_S = 1.5  # a base's clock that is off by more is a fault and no rounding
_FAR_S = 60.0
_LEAST_LAGS = 10
_ENDS_AGREE_S = 2.0
_ENDS_LEAST_S = 5.0
_AGREE_S = 3.0
_STEADY_S = 1.0
_ROVERS_TIME, _BOTH_ENDS = "the rover's time", "where both logs begin and end"
_BESIDE_ARRIVAL = "arrival, beside the rover's"
_AGES_APART = "the age that the rover states, beside that of the stream"
_FIXES_ON_IT = 0.5  # share of the time, since the first fix
_BESIDE_ROVER = (
    _ROVERS_TIME,
    _BOTH_ENDS,
    _BESIDE_ARRIVAL,
    _AGES_APART,
)  # what sets the base's time against the rover's
_LIKELY: tuple[tuple[float, str], ...] = (
    (CURRENT_LEAP_S, "the leap seconds are left out"),
    (BEIDOU_BEHIND_GPS_S, "BeiDou's time is taken for GPS time"),
    (CURRENT_LEAP_S - BEIDOU_BEHIND_GPS_S, "BeiDou's time without the leap seconds"),
    (10_800, "Moscow's time, as GLONASS counts it"),
)


def clock_family(view: LinkView) -> list[Episode]:
    """At most one episode of ``base_clock`` or of the rover's ``clock_mismatch``, and one of ``computer_clock``."""
    found = list(_base_clock(view))
    found.extend(_computer_clock(view, base_is_off=bool(found)))
    return found


def _rover_is_off(view: LinkView) -> bool:
    """Whether it is the rover's clock and not the base's: a rover fixes on no base whose observations are dated wrongly."""
    return _base_agrees_with_itself(view) or view.rover.fixed_share > _FIXES_ON_IT


def _base_agrees_with_itself(view: LinkView) -> bool:
    """Whether the UTC that the base sends along (1013) is that of its observations: two witnesses against the rover."""
    return bool(view.tally.clock_offs_s) and abs(float(np.median(view.tally.clock_offs_s))) <= _own_slack_s(view)


def _own_slack_s(view: LinkView) -> float:
    interval_s = view.tally.interval_s()
    return _OFF_S + (0.0 if np.isnan(interval_s) else interval_s)


def _base_clock(view: LinkView) -> Iterable[Episode]:
    off = _offset_s(view)
    if off is None:
        return
    offset_s, basis = off
    if basis in _BESIDE_ROVER and _rover_is_off(view):
        why = ROVER_OFF.format(offset_s=abs(offset_s), side="behind" if offset_s > 0 else "ahead of")
        episode = view.all_time("clock_mismatch", "warn", why=why, step_s=-offset_s, basis=basis)
        yield replace(episode, stands_alone=True)
        return
    hold_ns = view.lost_fix_ns(view.start_ns, None, 0)
    severity: Severity = "stop" if hold_ns and not view.well else "warn"
    yield view.all_time(
        "base_clock", severity, hold_ns=hold_ns, offset_s=offset_s, basis=basis, likely=_likely(offset_s)
    )


def _likely(offset_s: float) -> str:
    return next((words for value, words in _LIKELY if abs(abs(offset_s) - value) < 1.0), "the base's clock is not set")


def _offset_s(view: LinkView) -> tuple[float, str] | None:
    """How far the stream's epochs lie ahead of UTC, and by what it is told; the first question that fits."""
    tally, rover = view.tally, view.rover
    if tally.clock_offs_s and not _base_agrees_with_itself(view):
        return float(np.median(tally.clock_offs_s)), "the base's own UTC in 1013"
    if rover.has_rover and not rover.merged_by_content and rover.stream_ahead_s > _OFF_S:
        return rover.stream_ahead_s, _ROVERS_TIME
    # Nothing that has come is as young as the rover says its corrections are: its time is ahead.
    if rover.has_rover and not rover.merged_by_content and not names_another_base(view):
        ahead_s = -rover.stream_ahead_s - rover.age_median_s
        if ahead_s > _own_slack_s(view):
            return -ahead_s, _AGES_APART
    if rover.has_rover and rover.merged_by_content:
        by_ends = _by_ends_s(view)
        if by_ends is not None:
            return by_ends, _BOTH_ENDS
    if tally.least_lag_ns is not None and tally.latency.total >= _LEAST_LAGS and rover.least_lag_ns is not None:
        ahead_s = (rover.least_lag_ns - tally.least_lag_ns) / S_NS
        if ahead_s > _OFF_S:
            return ahead_s, _BESIDE_ARRIVAL
    steady = _steady_lag_s(view)
    if steady is not None:
        return -steady, "a steady lag of just that much"
    return None


def _by_ends_s(view: LinkView) -> float | None:
    """Separate logs of one recorder begin and end together; both ends shifted alike are a clock."""
    tally, rover = view.tally, view.rover
    if tally.ledger.first_ns is None or tally.ledger.last_ns is None or rover.first_ns is None or rover.last_ns is None:
        return None
    begin_s = (tally.ledger.first_ns - rover.first_ns) / S_NS
    end_s = (tally.ledger.last_ns - rover.last_ns) / S_NS
    if abs(begin_s - end_s) > _ENDS_AGREE_S or min(abs(begin_s), abs(end_s)) < _ENDS_LEAST_S:
        return None
    return (begin_s + end_s) / 2


def _steady_lag_s(view: LinkView) -> float | None:
    """A lag that never changes and is just the leap seconds or BeiDou's offset."""
    tally = view.tally
    if tally.latency.total < 10 * _LEAST_LAGS or tally.least_lag_ns is None:
        return None
    low, high = tally.latency.quantile(0.02), tally.latency.quantile(0.98)
    if high - low > _STEADY_S:
        return None
    return next((float(v) for v in (CURRENT_LEAP_S, BEIDOU_BEHIND_GPS_S) if v - 0.1 <= low and high <= v + 1.5), None)


def _computer_clock(view: LinkView, *, base_is_off: bool) -> Iterable[Episode]:
    tally, rover = view.tally, view.rover
    if tally.least_lag_ns is None or tally.latency.total < _LEAST_LAGS:
        return
    least_s, limit_s, days_s = tally.least_lag_ns / S_NS, view.limit("clock_off_s"), DAY_S * view.computer_days_off
    if rover.least_lag_ns is not None:
        rover_s = rover.least_lag_ns / S_NS
        # Rover and stream agree with each other and not with this computer: it is outvoted.
        if (abs(rover_s) > limit_s and abs(least_s - rover_s) < _AGREE_S) or days_s:
            yield view.all_time("computer_clock", "note", offset_s=rover_s + days_s, basis="rover and stream agree")
        return
    # Corrections cannot come before their time, and no link holds them back for a minute.
    if (not base_is_off and (least_s < -limit_s or least_s > _FAR_S)) or days_s:
        yield view.all_time("computer_clock", "note", offset_s=least_s + days_s, basis="the stream's epochs")


def computer_clock_by_rover(view: LinkView) -> list[Episode]:
    """``computer_clock`` where there is no stream to vote with the rover: said only of what no rover's lateness explains.

    A row cannot come before its time, but for the seconds that a receiver may not know of UTC yet (leap seconds, after a
    cold start), and none comes a minute late all day long.
    """
    if view.rover.least_lag_ns is None or view.rover.first_ns is None:
        return []
    lag_s = view.rover.least_lag_ns / S_NS
    if abs(lag_s) <= _FAR_S and not view.computer_days_off:
        return []
    offset_s = lag_s + DAY_S * view.computer_days_off
    episode = Episode(
        "computer_clock", view.rover.first_ns, None, severity="note",
        evidence={"offset_s": offset_s, "basis": "the rover's time"},
    )  # fmt: skip
    return [episode]
