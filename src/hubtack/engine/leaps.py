"""A leap between two rows that say that the machine stands, where the rows in between do not say how fast it is.

Many receivers give the position several times a second and the speed only once. A row without a speed may be of a
machine that swings, so a single step is no proof; but a machine that stood a second ago and stands now can have gone
only so fast in between, since it had to start and to stop within that second.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_S = 1_000_000_000
_APART_NS = 1_100_000_000  # speeds once a second, and a little
# Start and stop of a working machine's antenna: a house that swings at ten turns a minute after a quarter turn gains
# 1 m/s2 at 2.4 m from its axis, and brakes faster than that; common practice, no source.
_MOST_ACCELERATION_M_S2 = 3.0


@dataclass(frozen=True, slots=True)
class Stand:
    """The newest row that said its speed: when [ns of running time] and where, whether it was fixed and stood.

    ``sound``: every row since was fixed, without a restart; ``leapt``: one of the steps since was too far.
    """

    run_ns: int = 0
    pos_ecef_m: tuple[float, float, float] = (np.nan, np.nan, np.nan)
    stands: bool = False
    sound: bool = False
    leapt: bool = False


NO_STAND = Stand()


def leaps(
    stand: Stand,
    speed_m_s: Floats,
    pos_ecef_m: Floats,
    moved_m: Floats,
    run_ns: Ints,
    step_ns: Ints,
    fixed: Bools,
    restarted: Bools,
    slow_m_s: float,
    standing_m: float,
) -> tuple[Bools, Stand]:
    """Rows (N,) that stand, fixed, elsewhere than the row before them that said its speed; and what to remember.

    ``moved_m`` is the distance from the row before, NaN where that was not fixed. [m]
    """
    n = len(speed_m_s)
    spoken = ~np.isnan(speed_m_s)
    if n > 1 and spoken.all():  # nearly always: neighbours are compared anyway, so only the first one's is left
        found = np.zeros(n, dtype=bool)
        found[:1] = leaps(
            stand, speed_m_s[:1], pos_ecef_m[:1], moved_m[:1], run_ns[:1], step_ns[:1], fixed[:1], restarted[:1],
            slow_m_s, standing_m,
        )[0]  # fmt: skip
        x, y, z = pos_ecef_m[-1].tolist()
        return found, Stand(int(run_ns[-1]), (x, y, z), bool(fixed[-1] and speed_m_s[-1] < slow_m_s), sound=True)
    slow = speed_m_s < slow_m_s
    step_s = step_ns / _S
    # From rest to rest within a second: half of what is left beside the step serves to gain the speed of the step.
    possible_m = _MOST_ACCELERATION_M_S2 * step_s * np.maximum(1.0 - step_s, 0.0) / 2.0
    leapt = fixed & ~restarted & (step_ns > 0) & (moved_m > np.maximum(possible_m, standing_m))
    unsound = ~fixed | restarted

    newest = np.maximum.accumulate(np.where(spoken, np.arange(n), -1))
    last = np.concatenate(([-1], newest[:-1]))  # before each row; -1 lies in ``stand``
    here, at = last >= 0, np.maximum(last, 0)
    unsound_since, leapt_since = _since(unsound, here, at), _since(leapt, here, at)
    stood = np.where(here, (fixed & slow)[at], stand.stands)
    sound = (here | stand.sound) & (unsound_since == 0)
    leapt_there = (leapt_since > 0) | (~here & stand.leapt)
    since_ns = run_ns - np.where(here, run_ns[at], stand.run_ns)
    off = pos_ecef_m - np.where(here[:, None], pos_ecef_m[at], np.array([stand.pos_ecef_m]))
    off_m = np.sqrt(off[:, 0] ** 2 + off[:, 1] ** 2 + off[:, 2] ** 2)
    found = spoken & slow & stood & sound & leapt_there & (since_ns <= _APART_NS) & (off_m > standing_m)

    end = int(newest[-1])
    if end < 0:
        return found, Stand(stand.run_ns, stand.pos_ecef_m, stand.stands, bool(sound[-1]), bool(leapt_there[-1]))
    x, y, z = pos_ecef_m[end].tolist()
    return found, Stand(
        int(run_ns[end]),
        (x, y, z),
        bool(fixed[end] and slow[end]),
        not bool(unsound[end + 1 :].any()),
        bool(leapt[end + 1 :].any()),
    )


def _since(flags: Bools, here: Bools, at: Ints) -> Ints:
    """How many of the flags lie behind row ``at``, up to each row; all of the block where ``at`` is not in it."""
    count = np.cumsum(flags)
    return np.asarray(count - np.where(here, count[at], 0))
