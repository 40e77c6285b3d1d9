"""Two recordings of one stream, frame by frame: what the base sent, and what the rover's end heard of it.

Observation frames hold their epoch, so each is unique: it is matched by content. What is the same every time (a base
position, a descriptor) is matched to the nearest unmatched one between the observations around it.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Decoded
from hubtack.knowledge.messages import system_of

Ints = NDArray[np.int64]
MOST_FRAMES = 5_000_000


@dataclass(slots=True)
class Recording:
    """Frames of one recording in order: a mark of their content, type, length, epoch and arrival (-1 where unknown)."""

    marks: list[tuple[int, int, int]] = field(default_factory=list)  # CRC, length, type
    epoch_ms: list[float] = field(default_factory=list)  # UTC of the week, NaN without one
    arrival_ns: list[int] = field(default_factory=list)
    bad_crc: int = 0
    bytes: int = 0

    def add(self, decoded: Decoded, arrival_ns: Ints | None = None) -> None:
        """Add a stretch of the recording."""
        frames = decoded.frames
        self.bad_crc += decoded.counts.bad_crc
        self.bytes += decoded.counts.bytes
        room = max(0, MOST_FRAMES - len(self.marks))
        columns = (frames[c].astype(np.int64).tolist() for c in ("crc24", "length", "type"))
        self.marks.extend(list(zip(*columns, strict=True))[:room])
        self.epoch_ms.extend(frames["utc_ms_of_week"].tolist()[:room])
        arrivals = [-1] * len(frames) if arrival_ns is None else arrival_ns.tolist()
        self.arrival_ns.extend(arrivals[:room])


@dataclass(frozen=True, slots=True)
class Comparison:
    """What became of each frame of the base.

    ``heard`` is (N,) bool over the base's frames within the time that both recordings cover, ``epoch_lost`` (M,) bool
    over its epochs in that time: one frame of the epoch at least did not come. ``length`` and ``type`` are the frames'.
    """

    sent: int
    received: int
    lost: int
    cut: int  # damaged at the rover's end: the number of failed CRCs there
    foreign: int  # frames at the rover's end that this base never sent
    doubled: int
    heard: NDArray[np.bool_]
    length: Ints
    type: Ints
    epoch_lost: NDArray[np.bool_]
    base_interval_ms: float
    base_gaps: int
    base_lost: int
    delay_s: NDArray[np.float64] | None


def compare(base: Recording, rover: Recording) -> Comparison | None:
    """Match the rover's recording to the base's; None where they have no frame in common."""
    matched, doubled = _match(base, rover)
    found = matched[matched >= 0]
    if not len(found):
        return None
    # Only where both were recording: from the first common frame to the last.
    first, last = int(found.min()), int(found.max())
    heard = np.zeros(len(base.marks), dtype=bool)
    heard[found] = True
    span = slice(first, last + 1)
    inside = np.flatnonzero(matched >= 0)
    rover_span = matched[inside[0] : inside[-1] + 1]
    delay = _delays(base, rover, matched)
    interval_ms, gaps, lost_epochs = _base_gaps(base, span)
    marks = np.array(base.marks[span], dtype=np.int64)
    return Comparison(
        sent=last - first + 1,
        received=int(np.count_nonzero(heard[span])),
        lost=int(np.count_nonzero(~heard[span])),
        cut=rover.bad_crc,
        foreign=int(np.count_nonzero(rover_span == -1)),
        doubled=doubled,
        heard=heard[span],
        length=marks[:, 1],
        type=marks[:, 2],
        epoch_lost=_epochs_lost(np.array(base.epoch_ms[span]), heard[span]),
        base_interval_ms=interval_ms,
        base_gaps=gaps,
        base_lost=lost_epochs,
        delay_s=delay,
    )


def _match(base: Recording, rover: Recording) -> tuple[Ints, int]:
    """For each frame of the rover the number of the base's frame it is: -1 foreign, -2 a second copy."""
    places: dict[tuple[int, int, int], list[int]] = {}
    for i, mark in enumerate(base.marks):
        places.setdefault(mark, []).append(i)
    out = np.full(len(rover.marks), -1, dtype=np.int64)
    taken: set[int] = set()
    doubled = 0
    # First what is unique: observations.
    for j, mark in enumerate(rover.marks):
        if system_of(mark[2]) is None or mark not in places:
            continue
        free = next((i for i in places[mark] if i not in taken), None)
        if free is None:
            doubled, out[j] = doubled + 1, -2
        else:
            taken.add(free)
            out[j] = free
    # Then the rest, between the observations that stand around them.
    before = np.maximum.accumulate(np.where(out >= 0, out, -1)) if len(out) else out
    after = np.minimum.accumulate(np.where(out >= 0, out, len(base.marks))[::-1])[::-1] if len(out) else out
    for j, mark in enumerate(rover.marks):
        if out[j] != -1 or system_of(mark[2]) is not None or mark not in places:
            continue
        candidates = places[mark]
        a, b = bisect_right(candidates, int(before[j])), bisect_left(candidates, int(after[j]))
        # Between the frames around it, or just beyond: the link may have put them out of order by a few.
        free = next((i for i in (*candidates[a:b], *candidates[max(0, a - 1) : a], *candidates[b : b + 1])
                     if i not in taken), None)  # fmt: skip
        if free is None:
            doubled, out[j] = doubled + 1, -2
        else:
            taken.add(free)
            out[j] = free
    return out, doubled


def _delays(base: Recording, rover: Recording, matched: Ints) -> NDArray[np.float64] | None:
    """Arrival at the rover's end less that at the base's, where both were recorded with arrival. [s]"""
    index = np.flatnonzero(matched >= 0)
    there = np.array(rover.arrival_ns, dtype=np.int64)[index]
    here = np.array(base.arrival_ns, dtype=np.int64)[matched[index]]
    known = (there >= 0) & (here >= 0)
    return (there[known] - here[known]) / 1e9 if known.any() else None


def _epochs_lost(epoch_ms: NDArray[np.float64], heard: NDArray[np.bool_]) -> NDArray[np.bool_]:
    timed = ~np.isnan(epoch_ms)
    if not timed.any():
        return np.zeros(0, dtype=bool)
    times = epoch_ms[timed]
    number = np.concatenate(([0], np.cumsum(np.abs(np.diff(times)) > 10.0)))
    return np.bincount(number, weights=~heard[timed]) > 0


def _base_gaps(base: Recording, span: slice) -> tuple[float, int, int]:
    """Median interval of the base's own epochs [ms], how often it left some out, and how many."""
    times = np.array(base.epoch_ms[span])
    times = times[~np.isnan(times)]
    week_ms = 604_800_000
    steps = (np.diff(times) + week_ms / 2) % week_ms - week_ms / 2
    steps = steps[steps > 10.0]
    if not len(steps):
        return float("nan"), 0, 0
    interval_ms = float(np.sort(steps)[(len(steps) - 1) // 2])
    long = steps[steps > 1.5 * interval_ms]
    return interval_ms, len(long), int(np.sum(np.round(long / interval_ms) - 1))
