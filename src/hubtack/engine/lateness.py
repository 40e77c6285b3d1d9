"""How much later than the quickest so far a row arrived, and what a step of this computer's clock does to that.

The rover's clock and this computer's may differ by anything: only the change counts, against the least lag so far. When
this computer's clock is set forward every row seems late from then on. The clock that never steps shows the step; but
so does a computer that has slept, and what comes after a sleep may be a backlog. So the step is owed at first, rows are
late, which is HOLD, and it is taken for the clock's own only when rows have come in step with the steady clock for ten
seconds: a backlog pours out faster than that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

_S = 1_000_000_000
STEP_NS = _S  # a clock that is steered makes no step like this: common practice, no source
IN_STEP_NS = 10 * _S
_STEADY_NS = _S  # how far rows may wander while they are in step: they come in bursts
_STABLE_NS = _S // 5  # the same of the two clocks, which must have come to rest
_FAR = np.iinfo(np.int64).max // 2


@dataclass(frozen=True, slots=True)
class Clock:
    """This computer's clock beside its steady one, at the newest row that had both.

    ``offset_ns`` is the one less the other; ``owed_ns`` the steps forward that are not yet taken for the clock's own.
    Rows have been in step since ``since_ns`` (steady), when the lag by the steady clock was ``lag_ns`` and the offset
    ``since_offset_ns``.
    """

    offset_ns: int
    owed_ns: int = 0
    since_ns: int = 0
    lag_ns: int = 0
    since_offset_ns: int = 0


def delays_ns(
    time_ns: Ints, arrival_ns: Ints, mono_ns: Ints, least_ns: int | None, clock: Clock | None
) -> tuple[Ints, int | None, Clock | None]:
    """How much later than usual each of N rows arrived, the least lag after them, and the clock after them. [ns]

    Parameters
    ----------
    time_ns : (N,) int
        The rows' own time.
    arrival_ns, mono_ns : (N,) int
        Arrival by this computer's clock (UTC) and by its steady one; -1 where there is none.
    """
    if not (arrival_ns >= 0).any():
        return np.zeros(len(time_ns), dtype=np.int64), least_ns, clock
    both = np.flatnonzero((arrival_ns >= 0) & (mono_ns >= 0))
    if len(both):
        offset = arrival_ns[both] - mono_ns[both]
        before = np.concatenate(([offset[0] if clock is None else clock.offset_ns], offset[:-1]))
        if (clock is not None and clock.owed_ns) or bool((offset - before > STEP_NS).any()):
            return _one_by_one(time_ns, arrival_ns, mono_ns, least_ns, clock)
        clock = Clock(int(offset[-1]))
    known = arrival_ns >= 0
    lag = np.where(known, arrival_ns - time_ns, _FAR)
    least = np.minimum.accumulate(np.concatenate(([_FAR if least_ns is None else least_ns], lag)))
    return np.where(known, lag - least[1:], 0), int(least[-1]), clock


def _one_by_one(
    time_ns: Ints, arrival_ns: Ints, mono_ns: Ints, least_ns: int | None, clock: Clock | None
) -> tuple[Ints, int | None, Clock | None]:
    """The same while a step is owed, which is seldom and for seconds."""
    delay = np.zeros(len(time_ns), dtype=np.int64)
    rows = zip(time_ns.tolist(), arrival_ns.tolist(), mono_ns.tolist(), strict=True)
    for i, (at_ns, utc_ns, steady_ns) in enumerate(rows):
        if utc_ns < 0:
            continue
        lag_ns = utc_ns - at_ns
        least_ns = lag_ns if least_ns is None else min(least_ns, lag_ns)
        if steady_ns >= 0:
            clock = _followed(clock, utc_ns - steady_ns, steady_ns, steady_ns - at_ns)
            if clock.owed_ns and lag_ns - least_ns <= STEP_NS:
                clock = Clock(clock.offset_ns)  # rows are as quick as ever: it was a sleep, and it is over
            elif clock.owed_ns and steady_ns - clock.since_ns >= IN_STEP_NS:
                least_ns = min(least_ns + clock.owed_ns, lag_ns)
                clock = Clock(clock.offset_ns)
        delay[i] = lag_ns - least_ns
    return delay, least_ns, clock


def _followed(clock: Clock | None, offset_ns: int, steady_ns: int, lag_ns: int) -> Clock:
    """The clock at the next row, with what it owes and since when rows have been in step."""
    if clock is None:
        return Clock(offset_ns)
    step_ns = offset_ns - clock.offset_ns
    owed_ns = clock.owed_ns
    if step_ns > STEP_NS or (owed_ns and step_ns < -STEP_NS):
        owed_ns = max(owed_ns + step_ns, 0)
    if not owed_ns:
        return Clock(offset_ns)
    stays = abs(lag_ns - clock.lag_ns) <= _STEADY_NS and abs(offset_ns - clock.since_offset_ns) <= _STABLE_NS
    if owed_ns == clock.owed_ns and stays:
        return replace(clock, offset_ns=offset_ns)
    return Clock(offset_ns, owed_ns, steady_ns, lag_ns, offset_ns)
