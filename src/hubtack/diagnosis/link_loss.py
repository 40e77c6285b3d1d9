"""Loss and timing: what is missing, in what pattern, and how late is what comes? One classifier over one ledger."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.diagnosis.episode import Episode, Severity
from hubtack.diagnosis.even_flow import even_flow
from hubtack.diagnosis.link_view import S_NS, LinkView
from hubtack.diagnosis.loss import LossPattern, loss_pattern
from hubtack.diagnosis.loss_places import LONGEST_S, PlacedSlots, loss_places, settled_part
from hubtack.diagnosis.loss_words import evidence, middle_of_losses
from hubtack.diagnosis.saturation import fits, saturation
from hubtack.engine.link import COMPUTED
from hubtack.engine.link_flow import BAD_CRC, FRAMES, OTHER
from hubtack.engine.link_ledger import COMPLETE, INCOMPLETE, LOST
from hubtack.engine.places import from_base, timed_slots
from hubtack.knowledge.why_words import LOSS_WORDS

LEAST_SHARE = 0.01  # losses below this share are ordinary untidiness
HEAVY_SHARE = 0.10  # without a rover to tell, this much lost is worth acting on
_CLOCK_FAR_S = 60.0  # a lag beyond this is a clock, not a link
_CASTER_BEGINS_S = 30.0  # as long as ntrip.exchange waits for the first byte
_LATE_EPOCHS = 10
_LATE_LOST_SHARE = 0.05  # more than this lost, and "late and complete" it is not
_PERIOD_MATCH = 0.03
# A stop just above the limit, not much longer than the many others around it, is the longest of the losses and no
# stall. Common practice, no source.
_TAIL_TIMES, _SHORTER_FOR_EACH = 2.0, 5


def loss_family(view: LinkView, behind_s: float = 0.0) -> list[Episode]:
    """Episodes of what is missing or late; ``behind_s`` is what the base's clock is known to be behind."""
    interval_s = view.tally.interval_s()
    found = stalls(view)
    if np.isnan(interval_s) or interval_s <= 0:
        return found
    slots = view.tally.ledger.slots(stalled_s(view) * 1000)
    share = float(np.count_nonzero(slots != COMPLETE)) / max(1, len(slots))
    queue = saturation(view) or _full_buffer(view, interval_s, share, behind_s)
    if queue is None and np.isnan(latency_median_s(view, interval_s)[0]):
        queue = even_flow(view)  # the last resort: where the delay is known, a full queue is seen by it
    if queue is not None:
        found.append(queue)
    elif (late := _late(view, interval_s, share, behind_s)) is not None:
        found.append(late)
    patterns = _patterns(view, slots, interval_s)
    return [*_without_tails(view, found, patterns), *patterns]


def _without_tails(view: LinkView, found: list[Episode], patterns: list[Episode]) -> list[Episode]:
    """``found`` without the stalls that belong to the losses of ``patterns``, which then say how long they were."""
    if not patterns:
        return found
    loss = patterns[0]
    limit_ns = _TAIL_TIMES * min(stalled_s(view), loss.evidence["longest_loss_s"]) * S_NS
    tails = [
        e for e in found if e.code == "link_stalled" and e.end_ns is not None and e.end_ns - e.start_ns <= limit_ns
    ]
    if not tails or loss.evidence["bursts"] < _SHORTER_FOR_EACH * len(tails):
        return found
    longest_s = max((e.end_ns or e.start_ns) - e.start_ns for e in tails) / S_NS
    patterns[0] = replace(loss, evidence={**loss.evidence, "longest_loss_s": longest_s, "stops": len(tails)})
    return [e for e in found if e not in tails]


def stalled_s(view: LinkView) -> float:
    """Silence from which on the link counts as stalled, not as losing epochs. [s]"""
    interval_s = view.tally.interval_s()
    limit_s = view.limit("link_stalled_s")
    return limit_s if np.isnan(interval_s) else max(limit_s, 3 * interval_s)


def stalls(view: LinkView) -> list[Episode]:
    """Stretches without a single epoch, the one that still lasts included."""
    tally, limit_s = view.tally, stalled_s(view)
    lengths: list[tuple[int, int | None]] = [
        (start, end) for start, end, _ in tally.gaps() if (end - start) / S_NS > limit_s
    ]
    first_ns, last_ns = tally.ledger.first_ns, tally.ledger.last_ns
    if view.rover.first_ns is not None and first_ns is not None:
        # Epochs dated ahead of the rover's time all along did not begin as much later as they say.
        ahead_s = 0.0 if view.rover.merged_by_content else max(0.0, np.nan_to_num(view.rover.stream_ahead_s))
        # A caster is asked, may want a position and its table may be looked up: it may begin later than the rover.
        begin_s = max(limit_s, _CASTER_BEGINS_S) if view.setup.source_kind == "ntrip" else limit_s
        if (first_ns - view.rover.first_ns) / S_NS - ahead_s > begin_s:
            lengths.insert(0, (view.rover.first_ns, first_ns))
    if last_ns is not None and (view.now_ns - last_ns) / S_NS > limit_s:
        lengths.append((last_ns, None))
    found = []
    at, counts = tally.flow.table() if lengths else (np.zeros(0), np.zeros(0))  # once: it is as long as the day
    for start, end in lengths:
        reached = view.now_ns if end is None else end
        hold_ns = view.lost_fix_ns(start, end)
        alone_stop = (
            not view.rover.has_rover
            and end is None
            and ((reached - start) / S_NS >= view.limit("correction_age_hold_s"))
        )
        severity: Severity | None = "stop" if hold_ns or alone_stop else None
        found.append(
            Episode(
                "link_stalled",
                start,
                end,
                hold_ns=hold_ns,
                severity=severity,
                evidence={"limit_s": limit_s, **_in_silence(at, counts, start, reached)},
            )
        )
    return found


def _in_silence(at: NDArray[Any], counts: NDArray[Any], start_ns: int, end_ns: int) -> dict[str, Any]:
    """What else came while no epoch came: other frames and bytes say that the way is open and the base is not well."""
    inside = (at > start_ns + S_NS) & (at < end_ns - S_NS)
    return {
        "other_frames": int(counts[inside, FRAMES].sum()), "damaged": int(counts[inside, BAD_CRC].sum()),
        "other_bytes": int(counts[inside, OTHER].sum()),
    }  # fmt: skip


def latency_median_s(view: LinkView, interval_s: float) -> tuple[float, str]:
    """How late corrections are in the middle, and by what: arrival, rover's clock or rover's age. NaN if unknown."""
    tally, rover = view.tally, view.rover
    if tally.latency.total >= _LATE_EPOCHS and tally.least_lag_ns is not None:
        least_s = tally.least_lag_ns / S_NS
        middle_s = _median_of(tally.lag_whole_s)
        if rover.least_lag_ns is not None and abs(rover.least_lag_ns) > S_NS:
            return middle_s - rover.least_lag_ns / S_NS, "arrival, by the rover's clock"
        if -1.0 <= least_s <= _CLOCK_FAR_S:
            return tally.latency.quantile(0.5), "arrival"
        return middle_s - np.floor(least_s), "arrival, above its least"
    if rover.has_rover and not np.isnan(rover.age_median_s):
        # Age runs from the latency up to one interval more; without losses that is all there is to it.
        return rover.age_median_s - interval_s / 2, "rover's age of corrections"
    if rover.has_rover and not rover.merged_by_content and not np.isnan(rover.stream_ahead_s):
        return -rover.stream_ahead_s - interval_s / 2, rover.ages_basis
    return float("nan"), ""


def _median_of(counts: dict[int, int]) -> float:
    half, total = sum(counts.values()) / 2, 0
    for value in sorted(counts):
        total += counts[value]
        if total >= half:
            return float(value)
    return float("nan")


def _late(view: LinkView, interval_s: float, share: float, behind_s: float) -> Episode | None:
    """Complete and late."""
    limit_s = view.limit("late_corrections_s")
    median_s, basis = latency_median_s(view, interval_s)
    median_s -= behind_s
    if not median_s > limit_s or view.tally.epochs < _LATE_EPOCHS or share > 0.2:
        return None
    hold_ns = view.rover.hold_ns(("age:old",), view.start_ns, view.now_ns, 0)
    stop = hold_ns > 0 or (not view.rover.has_rover and median_s > view.limit("correction_age_rough_s"))
    return Episode(
        "late_corrections",
        view.tally.ledger.first_ns or view.start_ns,
        None,
        hold_ns=hold_ns,
        severity="stop" if stop else "warn",
        evidence={"median_s": median_s, "limit_s": limit_s, "basis": basis},
    )


def _full_buffer(view: LinkView, interval_s: float, share: float, behind_s: float) -> Episode | None:
    """Late by the same amount all the time and incomplete: a queue that is full and lets go of what finds no room."""
    tally, rover = view.tally, view.rover
    median_s, basis = latency_median_s(view, interval_s)
    median_s -= behind_s
    limit_s = max(view.limit("late_corrections_s"), 1.5 * interval_s)
    slots = tally.ledger.slots(stalled_s(view) * 1000)
    if tally.bad_crc >= 0.5 * np.count_nonzero(slots == INCOMPLETE) > 0:
        return None  # what is missing came, damaged
    cut = float(np.count_nonzero(slots == INCOMPLETE)) / max(1, len(slots))
    # A full buffer lets go of the same last messages of every epoch, so that they come seldom and no epoch is closed.
    observing = frozenset().union(*tally.content.levels.values())
    unclosed = 1.0 - tally.ledger.closed / max(1, tally.epochs)
    if observing - tally.ledger.due() and unclosed > 0.5:
        cut, share = max(cut, unclosed), max(share, unclosed)
    if not median_s > limit_s or share < 0.2 or cut < _LATE_LOST_SHARE or tally.epochs < 60:
        return None
    load_bps = 8 * tally.bytes_per_epoch() / interval_s
    link_bps = 8 * sum(m.bytes for m in tally.messages.values()) / max(tally.duration_s() + interval_s, interval_s)
    hold_ns = view.lost_fix_ns(view.start_ns, None)
    return Episode(
        "link_saturated", tally.ledger.first_ns or view.start_ns, None, hold_ns=hold_ns,
        severity="stop" if hold_ns or not rover.has_rover else "warn",
        evidence={"bits_per_epoch": round(8 * tally.bytes_per_epoch()), "load_bits_per_s": load_bps,
                  "link_bits_per_s": link_bps, "age_to_s": median_s, "incomplete_percent": round(100 * cut, 1),
                  "basis": basis, "fits": fits(tally, link_bps)},
    )  # fmt: skip


def _patterns(view: LinkView, slots: np.ndarray[Any, np.dtype[np.int8]], interval_s: float) -> list[Episode]:
    """``periodic_loss`` or ``burst_loss`` over all that is missing, wholly or in part."""
    hit = slots != COMPLETE
    pattern = loss_pattern(hit)
    if pattern.kind == "none" or pattern.lost < LEAST_SHARE * pattern.slots:
        return []
    tally = view.tally
    if tally.bad_crc >= 0.5 * pattern.lost:
        return []  # they came, damaged: that is ``corrupt_frames``, or too little to speak of
    start = tally.ledger.first_ns if tally.ledger.first_ns is not None else view.start_ns
    share = pattern.lost / pattern.slots
    hold_ns = view.lost_fix_ns(view.start_ns, None, 0)
    severity: Severity = "stop" if hold_ns and not view.well else view.potential()
    if not view.rover.has_rover and share >= HEAVY_SHARE:
        severity = "stop" if old_share(view) > 0.05 else "warn"
    figures: dict[str, Any] = {
        "lost": pattern.lost, "slots": pattern.slots, "share_percent": round(100 * share, 1), "bursts": pattern.bursts,
        "longest_loss_s": pattern.longest_slots * interval_s, "whole_epochs": int(np.count_nonzero(slots == LOST)),
        "incomplete_epochs": int(np.count_nonzero(slots == INCOMPLETE)), "test": pattern.test, "pattern": pattern.kind,
        "how": LOSS_WORDS[pattern.kind],
    }  # fmt: skip
    code = "burst_loss"
    if pattern.kind == "periodic":
        code = "periodic_loss"
        period_s = pattern.period_slots * interval_s
        figures["period_s"] = period_s
        figures["in_step_with"] = _in_step(view, period_s)
    figures.update(_place_figures(view))
    return [Episode(code, start, None, hold_ns=hold_ns, severity=severity, evidence=figures)]


def _in_step(view: LinkView, period_s: float) -> list[int]:
    """Message types that come at that period: their extra bytes may be what does not fit."""
    return sorted(
        kind
        for kind, m in view.tally.messages.items()
        if m.interval.total
        and abs(m.interval.quantile(0.5) / period_s - 1) < _PERIOD_MATCH
        and period_s > 2 * view.tally.interval_s()
    )


def placed_slots(view: LinkView) -> PlacedSlots:
    """Every epoch that came or should have come, and where the rover was then, as seen from the base."""
    time_ns, state = timed_slots(view.tally.ledger, LONGEST_S)
    base, places = view.engine.arp_ecef_m or view.setup.base_ecef_m, view.rover.places
    # Where a network computes the base, no antenna stands there that a bearing could be taken to.
    if base is None or places is None or view.engine.base_kind == COMPUTED:
        unknown = np.full(len(time_ns), np.nan)
        return PlacedSlots(time_ns, state != COMPLETE, unknown, unknown)
    range_m, bearing_deg, _ = from_base(places.at(time_ns), base)
    return PlacedSlots(time_ns, state != COMPLETE, range_m, bearing_deg)


def _place_figures(view: LinkView) -> Mapping[str, Any]:
    """Where and when the losses are; nothing where there is no rover that could tell."""
    track = view.rover.places
    if track is None:
        return {"where": "the machine's place is not known"}
    slots = settled_part(placed_slots(view))
    # A live screen asks every second, and the answer to the same record is the same.
    marks = hashlib.blake2b(digest_size=16)
    for column in (slots.time_ns[:1], slots.lost, slots.range_m, slots.bearing_deg):
        marks.update(np.ascontiguousarray(column).tobytes())
    if track.answer is None or track.answer[0] != marks.digest():
        track.answer = (marks.digest(), {**evidence(loss_places(slots)), **middle_of_losses(slots)})
    return track.answer[1]


def old_share(view: LinkView) -> float:
    """Share of the time in which the newest epoch was older than the ROUGH limit of age, stalls included."""
    tally = view.tally
    steps_s = tally.ledger.steps() / 1000.0
    limit_s = view.limit("correction_age_rough_s")
    old_s = float(np.maximum(steps_s[steps_s > 0] - limit_s, 0).sum())
    total_s = float(steps_s[steps_s > 0].sum())
    if tally.ledger.last_ns is not None:
        tail_s = max(0.0, (view.now_ns - tally.ledger.last_ns) / S_NS)
        old_s, total_s = old_s + max(0.0, tail_s - limit_s), total_s + tail_s
    return old_s / total_s if total_s > 0 else 0.0


__all__ = ["LossPattern", "latency_median_s", "loss_family", "old_share", "placed_slots", "stalled_s", "stalls"]
