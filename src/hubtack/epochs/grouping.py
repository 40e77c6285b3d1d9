"""Which epoch does a sentence belong to? Decided by content and order alone, never by a clock.

A timed sentence with a new time opens a row; at most two rows are open; opening a third closes the oldest. A sentence
for an open row joins it. One that is up to 5 s behind both is late and is dropped; one further back, or more than
30 min ahead, starts a new segment. The rules are applied to whole blocks at once: within a segment the newest row at
any place is the running maximum of time, and the other open row is the value the maximum had before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

DAY_MS = 86_400_000
LATE_MS = 5_000
AHEAD_MS = 30 * 60_000
DROPPED = -1
_NO_TIME = np.iinfo(np.int64).min // 4


@dataclass(slots=True)
class Grouped:
    """Row numbers of timed sentences, and the rows themselves.

    ``row`` (n,) is the row of each sentence, ``DROPPED`` where it came too late. ``opens`` (rows,) is the index of
    the sentence that opened each row; ``tod_ms`` and ``segment`` (rows,) are the row's time and stretch. ``n_late``
    counts the dropped ones.
    """

    row: Ints
    opens: Ints
    tod_ms: Ints
    segment: Ints
    n_late: int


def group(time_ms: Ints, anchor_ms: int | None, segment: int) -> Grouped:
    """Rows of timed sentences in the order in which they came.

    Parameters
    ----------
    time_ms : (n,) int
        UTC time of day of each sentence. [ms]
    anchor_ms : int or None
        Unwrapped time of the oldest open row, which the first sentence belongs to; None at the very start.
    segment : int
        Number of the segment that the first sentence belongs to.
    """
    n = len(time_ms)
    steady = _steady(time_ms, anchor_ms, segment)
    if steady is not None:
        return steady
    row = np.full(n, DROPPED, dtype=np.int64)
    opens: list[Ints] = []
    tods: list[Ints] = []
    segments: list[Ints] = []
    start, n_rows, n_late = 0, 0, 0
    window = n
    while start < n:
        stop = min(n, start + window)
        tod = _unwrap(time_ms[start:stop], anchor_ms)
        newest = np.maximum.accumulate(tod)
        is_new = np.empty(len(tod), dtype=bool)
        is_new[0] = True
        is_new[1:] = tod[1:] > newest[:-1]
        number = np.cumsum(is_new) - 1
        row_tod = tod[is_new]
        other = np.where(number > 0, row_tod[np.maximum(number - 1, 0)], _NO_TIME)
        ahead = np.zeros(len(tod), dtype=bool)
        ahead[1:] = tod[1:] - newest[:-1] > AHEAD_MS
        behind = (tod < newest) & (tod != other)
        # "behind both": measured from the older of the two open rows, where there are two.
        oldest = np.where(number > 0, other, newest)
        broken = ahead | (behind & (oldest - tod > LATE_MS))
        first_bad = int(np.argmax(broken)) if broken.any() else len(tod)
        if first_bad == len(tod) and stop < n:
            window *= 2  # the window was too short to see the whole segment: look again, further
            continue
        part = slice(0, first_bad)
        kept = np.where(behind[part], DROPPED, number[part] - (tod[part] < newest[part]))
        row[start : start + first_bad] = np.where(kept == DROPPED, DROPPED, kept + n_rows)
        n_late += int(np.count_nonzero(behind[part]))
        opened = np.flatnonzero(is_new[part])
        opens.append(opened + start)
        tods.append(tod[part][opened])
        segments.append(np.full(len(opened), segment, dtype=np.int64))
        n_rows += len(opened)
        start += first_bad
        if start < n:
            segment += 1
            anchor_ms = None
            window = 64  # a stream that jumps at every sentence must not cost a pass over the whole block each time
    none = np.zeros(0, dtype=np.int64)
    return Grouped(
        row=row,
        opens=np.concatenate(opens) if opens else none,
        tod_ms=np.concatenate(tods) if tods else none,
        segment=np.concatenate(segments) if segments else none,
        n_late=n_late,
    )


def _steady(time_ms: Ints, anchor_ms: int | None, segment: int) -> Grouped | None:
    """The same where time never steps back nor far ahead, as in most blocks of a log; None where it does."""
    step = time_ms[1:] - time_ms[:-1]
    if len(step) and not (int(step.min()) >= 0 and int(step.max()) <= AHEAD_MS):
        return None
    offset = int(_unwrap(time_ms[:1], anchor_ms)[0]) - int(time_ms[0])
    opens = np.concatenate(([0], np.flatnonzero(step > 0) + 1))
    row = np.repeat(np.arange(len(opens)), np.diff(opens, append=len(time_ms)))
    return Grouped(row, opens, time_ms[opens] + offset, np.full(len(opens), segment, dtype=np.int64), 0)


def _unwrap(time_ms: Ints, anchor_ms: int | None) -> Ints:
    """Times of day as one running count; a step of more than half a day is midnight, whichever way it goes."""
    steps = np.diff(time_ms)
    steps = (steps + DAY_MS // 2) % DAY_MS - DAY_MS // 2
    tod = np.empty(len(time_ms), dtype=np.int64)
    first = int(time_ms[0])
    tod[0] = first if anchor_ms is None else anchor_ms + (first - anchor_ms + DAY_MS // 2) % DAY_MS - DAY_MS // 2
    np.cumsum(steps, out=tod[1:])
    tod[1:] += tod[0]
    return tod
