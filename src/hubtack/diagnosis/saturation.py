"""Does the stream ask for more than its link carries? Corrections then queue, and their age climbs bit by bit.

A stall makes the age climb by a second a second; a queue by less, at a steady rate, for minutes. The rate of the climb
says how much too large the load is: of each second a share is carried, the rest waits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.link_view import S_NS, LinkView
from hubtack.engine.link_flow import ARRIVED_NS, BYTES, LAG_MIN_MS
from hubtack.engine.link_tally import LinkTally
from hubtack.knowledge.messages import SYSTEMS, msm_level, system_of
from hubtack.knowledge.msm_sizes import msm_frame_bytes

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

# All common practice, no source.
LEAST_CLIMB_S = 3.0  # as late as corrections may be before they count as late
LEAST_CLIMB_FOR_S = 60.0
_STALL_SLOPE = 0.85  # s/s: nearly nothing comes; that is a stall
_BACK_S = 1.0  # a climb may fall back this much between bins
_FLAT_S = 0.05
_FULL_SHARE, _LEVEL_SHARE = 0.05, 0.15
_LARGEST_STEP_SHARE = 0.4
_SLOW_CLIMB_S, _SLOW_CLIMB_FOR_S = 2.0, 180.0  # a load of 1 % too much
_LEAST_R2 = 0.8
_FILL = 0.8  # a link should not be filled above this share
_BIN_NS = 10 * S_NS


@dataclass(frozen=True, slots=True)
class Climb:
    """One climb of the age, by how much and over which time."""

    start_ns: int
    end_ns: int
    start_s: float
    end_s: float

    @property
    def slope(self) -> float:
        """Seconds of age gained in a second: the share of the load that is not carried."""
        return (self.end_s - self.start_s) / ((self.end_ns - self.start_ns) / S_NS)


def climbs(time_ns: Ints, age_s: Floats) -> list[Climb]:
    """Stretches over which the age climbs steadily, slower than in a stall. Inputs are (N,), in order of time."""
    found: list[Climb] = []
    n, i = len(time_ns), 0
    while i < n:
        low, high, j = i, i, i + 1
        while j < n:
            step_s = (time_ns[j] - time_ns[j - 1]) / S_NS
            rise = age_s[j] - age_s[j - 1]
            if step_s > 60.0 or rise > max(_STALL_SLOPE * step_s, _BACK_S) or age_s[j] < age_s[high] - _BACK_S:
                break
            if age_s[j] < age_s[low] and high == low:
                low = high = j
            elif age_s[j] > age_s[high]:
                high = j
            j += 1
        while low < high and age_s[low + 1] <= age_s[low] + _FLAT_S:
            low += 1  # it was level before it climbed
        # Once the buffer is full the age stays, give or take: the climb ends where it has all but reached that.
        full_s = age_s[high] - _FULL_SHARE * (age_s[high] - age_s[low])
        full = low + int(np.argmax(age_s[low : high + 1] >= full_s))
        if high - full > _LEVEL_SHARE * (high - low):
            high = full
        if _is_steady(time_ns[low : high + 1], age_s[low : high + 1]):
            found.append(Climb(int(time_ns[low]), int(time_ns[high]), float(age_s[low]), float(age_s[high])))
        i = max(j, i + 1)
    return found


def _is_steady(time_ns: Ints, age_s: Floats) -> bool:
    """Whether a rise is long, high and spread over its length: one step up is a stall or a hiccup."""
    if len(time_ns) < 4 or (time_ns[-1] - time_ns[0]) / S_NS < LEAST_CLIMB_FOR_S:
        return False
    rise, lasts_s = float(age_s[-1] - age_s[0]), (time_ns[-1] - time_ns[0]) / S_NS
    if rise < LEAST_CLIMB_S and not (rise >= _SLOW_CLIMB_S and lasts_s >= _SLOW_CLIMB_FOR_S):
        return False
    # Ages come in whole seconds from some receivers: a step of one is no jump.
    return float(np.diff(age_s).max()) <= max(_LARGEST_STEP_SHARE * rise, 1.0) and _is_straight(time_ns, age_s)


def _is_straight(time_ns: Ints, age_s: Floats) -> bool:
    """Whether the age follows a straight line; correlation with time."""
    t = (time_ns - time_ns[0]) / S_NS
    t, v = t - t.mean(), age_s - age_s.mean()
    return bool((t * v).sum() ** 2 >= _LEAST_R2 * (t * t).sum() * (v * v).sum())


def saturation(view: LinkView) -> Episode | None:
    """``link_saturated`` where the age climbs as a queue makes it climb."""
    by_arrival = view.tally.latency.total > 0
    zero_s = 0.0  # what a lag holds of clocks that are off
    if by_arrival:
        time_ns, age_s, zero_s = _lags(view.tally)
    else:
        time_ns, age_s = view.rover.ages or (np.zeros(0, dtype=np.int64), np.zeros(0))
    found = climbs(time_ns, age_s)
    if not found:
        return None
    longest = max(found, key=lambda c: c.end_s - c.start_s)
    # What came out while it climbed is all that the link carries.
    content_ns = (
        longest.start_ns - int((longest.start_s - zero_s) * S_NS),
        longest.end_ns - int((longest.end_s - zero_s) * S_NS),
    )
    at, counts = view.tally.flow.table()
    inside = (at >= content_ns[0]) & (at < content_ns[1])
    carried_bits = 8.0 * float(counts[inside, BYTES].sum())
    content_s = (content_ns[1] - content_ns[0]) / S_NS
    taken_s = content_s + longest.end_s - longest.start_s
    if content_s <= 0 or carried_bits <= 0:
        return None
    load_bps, link_bps = carried_bits / content_s, carried_bits / taken_s
    start = found[0].start_ns
    end = _drained_ns(found[-1], time_ns, age_s)
    hold_ns = view.lost_fix_ns(start, end)
    stop = hold_ns > 0 or (not view.rover.has_rover and longest.end_s > view.limit("correction_age_hold_s"))
    return Episode(
        "link_saturated", start, end, hold_ns=hold_ns, severity="stop" if stop else "warn",
        evidence={
            "bits_per_epoch": round(8 * view.tally.bytes_per_epoch()) if view.tally.messages else None,
            "load_bits_per_s": load_bps, "link_bits_per_s": link_bps, "age_from_s": longest.start_s,
            "age_to_s": longest.end_s, "age_gain_s_per_s": longest.slope, "climbs": len(found),
            "basis": "arrival" if by_arrival else view.rover.ages_basis, "fits": fits(view.tally, link_bps),
        },
    )  # fmt: skip


def _drained_ns(climb: Climb, time_ns: Ints, age_s: Floats) -> int | None:
    """When the queue had gone down by half of what the climb had added; None while it has not."""
    low = np.flatnonzero((time_ns > climb.end_ns) & (age_s < (climb.start_s + climb.end_s) / 2))
    return int(time_ns[low[0]]) if len(low) else None


def _lags(tally: LinkTally) -> tuple[Ints, Floats, float]:
    """When each ten seconds of content came, how late they were at least [s], and the least of that. [s]

    A queue that carries a third of its load takes thirty seconds for ten, and gains two seconds in three: by content it
    would gain more than a second a second, as a stall does.
    """
    at, counts = tally.flow.table()
    known = counts[:, ARRIVED_NS] >= 0
    bins, inverse = np.unique(at[known] // _BIN_NS, return_inverse=True)
    least = np.full(len(bins), np.iinfo(np.int64).max)
    np.minimum.at(least, inverse, counts[known, LAG_MIN_MS])
    zero = int(least.min()) if len(least) else 0
    return bins * _BIN_NS + (least - zero) * 1_000_000, least / 1000.0, zero / 1000.0


def fits(tally: LinkTally, link_bps: float) -> list[str]:
    """What of the same stream would fit into 80 % of the link, mildest change first."""
    now = _sizes(tally)
    interval_s = tally.interval_s()
    if not now or np.isnan(interval_s) or interval_s <= 0 or link_bps <= 0:
        return []
    other_bps = sum(8 * m.bytes for k, m in tally.messages.items() if k not in now) / max(tally.duration_s(), 1.0)
    room = _FILL * link_bps
    options: list[tuple[str, float, float]] = []  # words, bits an epoch, interval
    level = max((msm_level(k) or 0) for k in now)
    epoch_bits = 8.0 * sum(size for size, _ in now.values())
    as_msm4 = 8.0 * sum(min(size, small) for size, small in now.values())
    if level in (5, 6, 7):
        options.append((f"MSM4 instead of MSM{level}", as_msm4, interval_s))
    options.append((f"an epoch every {2 * interval_s:g} s", epoch_bits, 2 * interval_s))
    if level in (5, 6, 7):
        options.append((f"MSM4, every {2 * interval_s:g} s", as_msm4, 2 * interval_s))
    options.append((f"an epoch every {5 * interval_s:g} s", epoch_bits, 5 * interval_s))
    two = sorted(now.items(), key=lambda item: -item[1][1])
    kept = [k for k, _ in two if system_of(k) in (1, 3)] or [k for k, _ in two[:2]]
    if len(kept) < len(now):
        names = " and ".join(SYSTEMS[system_of(k) or 1] for k in kept)
        options.append((f"{names} only, MSM4", 8.0 * sum(now[k][1] for k in kept), interval_s))
    out = []
    for words, bits, every_s in options:
        bps = bits / every_s + other_bps
        if bps <= room:
            out.append(f"{words}: {bps:.0f} bit/s, {100 * bps / link_bps:.0f} % of the link")
    return out[:3]


def _sizes(tally: LinkTally) -> Mapping[int, tuple[float, float]]:
    """Mean frame size of each observation message, and its size as MSM4. [byte]"""
    out: dict[int, tuple[float, float]] = {}
    for kind, m in tally.messages.items():
        if system_of(kind) is None or not m.count:
            continue
        size = m.bytes / m.count
        small = size
        if m.satellites and m.signals:
            n = m.count
            small = msm_frame_bytes(4, m.satellites / n, m.signals / n, m.cells / n)
        out[kind] = (size, float(small))
    return out
