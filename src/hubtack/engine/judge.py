"""The verdict: GRADE, ROUGH or HOLD, row by row, with its reasons, its settling and its memory.

``judge_rows`` walks a block of epochs with whole-array steps; what it must remember between blocks is ``Track``, so
any cut into blocks gives the same rows. Silence is not an event: ``standing`` says what the verdict is at any later
moment from the track alone, and the same rule is applied to the gap in front of every row.

Where a rule says "until something else happens", the last event wins: the index or the time of events is carried
forward by a running maximum instead of a loop over rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.lateness import Clock, delays_ns
from hubtack.engine.leaps import NO_STAND, Stand, leaps
from hubtack.engine.quantities import Quantities
from hubtack.engine.setup import Setup
from hubtack.epochs.columns import Epochs
from hubtack.knowledge import fix_types as ft
from hubtack.knowledge.reasons import BIT, HOLD_BITS, ROUGH_BITS, settle_bits

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

GRADE, ROUGH, HOLD = 0, 1, 2
VERDICTS = ("GRADE", "ROUGH", "HOLD")

NEVER = np.iinfo(np.int64).min // 4
_S = 1_000_000_000
_SAMPLES = 10  # the median of the error at the edge: the first fixed row of each of the last ten seconds
_INTERVAL_ROWS = 15  # rows from which the rover's interval is taken
_LEAST_INTERVALS = 3  # fewer say nothing: a first pause would excuse the next one
FROZEN_MIN_DECIMALS = 7  # fewer digits repeat by themselves
_CONTRADICTION_S = 3.0  # one epoch of disagreement is the receiver changing over to a newer correction
_SPELLS_GAP_NS = 5 * _S  # a longer silence between two rows, and nobody knows what the machine did
_JUMP_SPEED_M_S = 10.0  # no part of a working machine moves its antenna faster: common practice, no source

_FIX_BITS = np.array(
    [BIT["no_fix"], BIT["autonomous"], BIT["differential"], BIT["rtk_float"], 0, BIT["other_fix"]], dtype=np.int64
)


@dataclass(frozen=True, slots=True)
class Track:
    """All that the verdict remembers of the rows before. Times in ns of running time, unless said otherwise."""

    n_rows: int = 0
    run_ns: int = 0
    time_ns: int = 0
    arrival_ns: int = -1
    segment: int = 0
    bits: int = BIT["no_rover"]
    verdict: int = HOLD
    verdict_since_ns: int = 0  # on the session's axis
    settle_until_ns: int = NEVER
    within_tolerance: bool = False
    fixed: bool = False
    position: tuple[float, float, float] = (np.nan, np.nan, np.nan)  # as received, to see whether it repeats
    fixed_ecef_m: tuple[float, float, float] = (np.nan, np.nan, np.nan)  # of the newest fixed row
    stood: bool = False  # whether the machine has stood still ever since
    stand: Stand = NO_STAND  # the newest row that said its speed
    pos_ecef_m: tuple[float, float, float] = (np.nan, np.nan, np.nan)
    moved_ns: int = NEVER  # when the position last changed in its last digit
    agreed_ns: int = NEVER  # when GGA's age and the stream's last agreed
    least_lag_ns: int | None = None
    clock: Clock | None = None
    speed_m_s: float = np.nan
    age_s: float = np.nan
    delay_s: float = 0.0
    edge_samples: tuple[tuple[int, float, float], ...] = ()
    intervals_ms: tuple[int, ...] = ()
    edge_vertical_95_m: float = np.nan
    edge_horizontal_95_m: float = np.nan


@dataclass(slots=True)
class Judged:
    """Verdict of each row with what led to it, all (N,).

    ``bits`` is the set of reasons in force (knowledge.reasons). ``run_ns`` is the running time, which never steps
    back; ``step_ns`` the time since the row before, ``silent_ns`` how much of it may be without a row. ``edge_*`` are
    the 10 s medians that were compared with the tolerance; ``delay_s`` is how much later than usual the row arrived.
    """

    verdict: NDArray[np.int8]
    bits: Ints
    run_ns: Ints
    step_ns: Ints
    silent_ns: Ints
    restarted: Bools
    edge_vertical_95_m: Floats
    edge_horizontal_95_m: Floats
    delay_s: Floats
    age_s: Floats
    frozen: Bools
    jump: Bools


def silent_limit_ns(track: Track, setup: Setup) -> int:
    """After this long without a row the rover counts as silent: 3 s, or three epochs where that is longer. [ns]"""
    return _silent_limit_ns(track.intervals_ms, setup)


def _silent_limit_ns(intervals_ms: Sequence[int], setup: Setup) -> int:
    limit = int(setup.limit("rover_silent_hold_s") * _S)
    if len(intervals_ms) >= _LEAST_INTERVALS:
        limit = max(limit, 3 * sorted(intervals_ms)[(len(intervals_ms) - 1) // 2] * 1_000_000)
    return limit


def judge_rows(
    track: Track,
    epochs: Epochs,
    q: Quantities,
    setup: Setup,
    *,
    arrival_ns: Ints,
    latch_bits: Ints,
    compare_ages: bool,
    checked: Bools,
    mono_ns: Ints | None = None,
) -> tuple[Judged, Track]:
    """Verdicts of N rows that follow ``track``, and the track after them.

    Parameters
    ----------
    arrival_ns : (N,) int
        UTC arrival of each row, -1 where there is none. [ns]
    latch_bits : (N,) int
        Reasons that the link's memory holds (two bases, a moved or wrong base), as bits.
    compare_ages : bool
        Whether the stream that is read is the one the receiver uses, with a known latency.
    checked : (N,) bool
        Whether a passed control check is in force.
    mono_ns : (N,) int
        Arrival by this computer's clock that never steps, -1 where there is none. [ns]
    """
    n = len(epochs)
    if n == 0:
        return _no_rows(), track
    step_ns, run_ns, restarted = _running_time(track, epochs)
    silent_ns, intervals_ms = _silence(track, step_ns, restarted, setup)
    fixed = q.fix == ft.FIXED

    delay_ns, least_lag_ns, clock = delays_ns(
        epochs.time_ns, arrival_ns, np.full(n, -1) if mono_ns is None else mono_ns, track.least_lag_ns, track.clock
    )
    delay_s = delay_ns / _S
    age_s = q.age_used_s + delay_s

    bits = _FIX_BITS[q.fix].copy()
    has_position = ~(np.isnan(epochs.latitude_deg) | np.isnan(epochs.longitude_deg) | np.isnan(epochs.h_geoid_m))
    _set(bits, ~has_position & (q.fix != ft.NONE) | np.isnan(epochs.quality), "no_position")
    first_ever = np.zeros(n, dtype=bool)
    first_ever[0] = track.n_rows == 0
    _set(bits, restarted, "restarted")
    _set(bits, (step_ns > silent_ns) & ~restarted & ~first_ever, "no_rover")
    _set(bits, delay_s * _S > silent_ns, "rover_late")
    _set(bits, fixed & (age_s >= setup.limit("correction_age_hold_s")), "corrections_old")
    _set(bits, (epochs.rmc_void == 1.0) & fixed, "status_contradiction")
    _set(bits, epochs.satellites < setup.limit("satellites_hold"), "few_satellites")
    _set(bits, epochs.pdop > setup.limit("pdop_hold"), "poor_geometry")
    if setup.pair_separation_m is not None:
        _set(bits, np.isnan(q.heading_deg), "heading_lost")
        off_m = np.abs(epochs.separation_m - setup.pair_separation_m)
        _set(bits, off_m > setup.limit("separation_stop_m"), "wrong_separation")
    bits |= latch_bits

    contradicts, agreed_ns = _age_contradiction(track, q, run_ns, fixed, setup, compare_ages)
    _set(bits, contradicts, "age_contradiction")
    frozen, moved_ns = _frozen(track, epochs, run_ns, setup)
    _set(bits, frozen, "frozen_position")
    jump, stood, stand = _jump(track, epochs, q, run_ns, step_ns, fixed, restarted, setup)
    _set(bits, jump, "suspect_fix")

    _set(bits, fixed & (age_s >= setup.limit("correction_age_rough_s")), "corrections_ageing")
    _set(bits, fixed & np.isnan(age_s), "age_unknown")
    _set(bits, fixed & np.isnan(q.baseline_used_m), "base_unknown")
    _set(bits, fixed & (q.baseline_used_m > setup.limit("baseline_no_grade_m")), "long_baseline")
    if setup.require_check:
        _set(bits, fixed & ~checked, "not_checked")

    edge_v, edge_h, samples = _edge_median(track, q, run_ns, fixed, setup)
    within = _within_tolerance(track, edge_v, edge_h, setup)
    enter = setup.limit("grade_enter_share")
    outside = fixed & ~within
    worse_v = edge_v > enter * setup.tolerance_vertical_95_m
    _set(bits, outside & worse_v, "edge_vertical")
    _set(bits, outside & ((edge_h > enter * setup.tolerance_horizontal_95_m) | ~worse_v), "edge_horizontal")
    largest = setup.limit("rough_max_m")
    _set(bits, fixed & ((edge_v > largest) | (edge_h > largest)), "error_too_large")

    settle_until = _settle_until(track, bits, run_ns, setup)
    _set(bits, (run_ns < settle_until) & fixed, "settling")

    verdict = np.where(bits & HOLD_BITS, HOLD, np.where(bits & ROUGH_BITS, ROUGH, GRADE)).astype(np.int8)
    after = replace(
        track,
        n_rows=track.n_rows + n,
        run_ns=int(run_ns[-1]),
        time_ns=int(epochs.time_ns[-1]),
        arrival_ns=int(arrival_ns[-1]),
        segment=int(epochs.segment[-1]),
        bits=int(bits[-1]),
        verdict=int(verdict[-1]),
        verdict_since_ns=_since(track, verdict, epochs.time_ns),
        settle_until_ns=int(settle_until[-1]),
        within_tolerance=bool(within[-1]),
        fixed=bool(fixed[-1]),
        position=(float(epochs.latitude_deg[-1]), float(epochs.longitude_deg[-1]), float(epochs.h_geoid_m[-1])),
        pos_ecef_m=(float(q.pos_ecef_m[-1, 0]), float(q.pos_ecef_m[-1, 1]), float(q.pos_ecef_m[-1, 2])),
        fixed_ecef_m=_newest_fixed(track, q, fixed),
        stood=bool(stood[-1]),
        stand=stand,
        moved_ns=int(moved_ns[-1]),
        agreed_ns=int(agreed_ns[-1]),
        least_lag_ns=least_lag_ns,
        clock=clock,
        speed_m_s=float(epochs.speed_m_s[-1]),
        age_s=float(age_s[-1]),
        delay_s=float(delay_s[-1]),
        edge_samples=samples,
        intervals_ms=intervals_ms,
        edge_vertical_95_m=float(edge_v[-1]),
        edge_horizontal_95_m=float(edge_h[-1]),
    )
    judged = Judged(verdict, bits, run_ns, step_ns, silent_ns, restarted, edge_v, edge_h, delay_s, age_s, frozen, jump)
    return judged, after


@dataclass(frozen=True, slots=True)
class Standing:
    """The verdict at a moment: what a screen shows. ``silent_s`` is the time since the last row was due."""

    verdict: int
    bits: int
    since_ns: int
    silent_s: float
    age_s: float

    @property
    def word(self) -> str:
        """GRADE, ROUGH or HOLD."""
        return VERDICTS[self.verdict]


def standing(track: Track, elapsed_ns: int, setup: Setup) -> Standing:
    """Verdict ``elapsed_ns`` after the track's last row, when no further row has come. Changes nothing.

    Time only takes away: the age grows, the rover falls silent. Settling is not served by waiting without rows.
    """
    if track.n_rows == 0:
        return Standing(HOLD, BIT["no_rover"], track.verdict_since_ns, elapsed_ns / _S, np.nan)
    elapsed_ns = max(0, elapsed_ns)
    bits = track.bits
    age_s = track.age_s + elapsed_ns / _S
    if track.fixed and age_s >= setup.limit("correction_age_rough_s"):
        bits |= BIT["corrections_ageing"]
    if track.fixed and age_s >= setup.limit("correction_age_hold_s"):
        bits |= BIT["corrections_old"]
    if elapsed_ns > silent_limit_ns(track, setup):
        bits |= BIT["no_rover"]
    verdict = HOLD if bits & HOLD_BITS else ROUGH if bits & ROUGH_BITS else GRADE
    since_ns = track.verdict_since_ns if verdict == track.verdict else track.time_ns + elapsed_ns
    return Standing(verdict, bits, since_ns, elapsed_ns / _S, age_s)


def _set(bits: Ints, where: Bools, code: str) -> None:
    if np.count_nonzero(where):
        bits[where] |= BIT[code]


def _before(first: Any, column: NDArray[Any]) -> NDArray[Any]:
    """What stood in a column a row before, ``first`` in front of the first."""
    out = np.empty_like(column)
    out[0] = first
    out[1:] = column[:-1]
    return out


def _no_rows() -> Judged:
    ints, floats, bools = np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0, dtype=bool)
    return Judged(
        np.zeros(0, dtype=np.int8), ints, ints, ints, ints, bools, floats, floats, floats, floats, bools, bools
    )


def _running_time(track: Track, epochs: Epochs) -> tuple[Ints, Ints, Bools]:
    """Steps between rows and their sum; a clock that steps back counts as no time, and as a restart."""
    first = track.n_rows == 0
    before_ns = _before(epochs.time_ns[0] if first else track.time_ns, epochs.time_ns)
    before_segment = _before(epochs.segment[0] if first else track.segment, epochs.segment)
    step_ns = np.maximum(epochs.time_ns - before_ns, 0)
    return step_ns, track.run_ns + np.cumsum(step_ns), epochs.segment != before_segment


def _silence(track: Track, step_ns: Ints, restarted: Bools, setup: Setup) -> tuple[Ints, tuple[int, ...]]:
    """How long the rover may be silent in front of each row, by the intervals before it; and the intervals after all.

    A row's own step never counts for itself: it would excuse itself, and the more so the fewer there are.
    """
    known = list(track.intervals_ms)
    limit_ns = np.full(len(step_ns), _silent_limit_ns(known, setup), dtype=np.int64)
    for i in np.flatnonzero((step_ns > 0) & ~restarted)[: _INTERVAL_ROWS - len(known)].tolist():
        known.append(int(step_ns[i] // 1_000_000))
        limit_ns[i + 1 :] = _silent_limit_ns(known, setup)
    return limit_ns, tuple(known)


def _age_contradiction(
    track: Track, q: Quantities, run_ns: Ints, fixed: Bools, setup: Setup, compare: bool
) -> tuple[Bools, Ints]:
    """Fixed, and GGA's age off the stream's by more than the limit for over 3 s."""
    if not compare or setup.heard_elsewhere:
        return np.zeros(len(run_ns), dtype=bool), run_ns.copy()
    differs = fixed & (np.abs(q.age_s - q.age_stream_s) > setup.limit("age_contradiction_s"))
    agreed_ns = np.maximum.accumulate(np.where(differs, NEVER, run_ns))
    start = track.agreed_ns if track.n_rows else int(run_ns[0])
    agreed_ns = np.maximum(agreed_ns, start)
    return differs & (run_ns - agreed_ns > int(_CONTRADICTION_S * _S)), agreed_ns


def _frozen(track: Track, epochs: Epochs, run_ns: Ints, setup: Setup) -> tuple[Bools, Ints]:
    """The position repeats to the last digit, and it has digits enough that this cannot be chance."""
    lat, lon, h = epochs.latitude_deg, epochs.longitude_deg, epochs.h_geoid_m
    same = lat == _before(track.position[0], lat)
    if np.count_nonzero(same):
        same &= (lon == _before(track.position[1], lon)) & (h == _before(track.position[2], h))
    moved_ns = np.maximum.accumulate(np.where(same, NEVER, run_ns))
    moved_ns = np.maximum(moved_ns, track.moved_ns)
    limit_ns = int(setup.limit("frozen_s") * _S)
    return same & (epochs.minute_decimals >= FROZEN_MIN_DECIMALS) & (run_ns - moved_ns >= limit_ns), moved_ns


def _jump(
    track: Track,
    epochs: Epochs,
    q: Quantities,
    run_ns: Ints,
    step_ns: Ints,
    fixed: Bools,
    restarted: Bools,
    setup: Setup,
) -> tuple[Bools, Bools, Stand]:
    """A fixed position that left the fixed one before it faster than the machine moves.

    A receiver that says it stands, by Doppler, before and after, may not have moved at all: then more than
    ``standing_jump_m`` is a jump. So it is between two fixed spells with
    the machine standing all the time between: one of the two was wrong, and nothing says which.

    Returns the jumps, whether the machine has stood since the newest fixed row, both (N,), and the newest row that
    said its speed.
    """
    n = len(fixed)
    slow_m_s = setup.limit("standing_speed_m_s")
    slow = epochs.speed_m_s < slow_m_s
    anchor = np.array([track.fixed_ecef_m])
    # Standing since the newest fixed row: no row after it, itself included, that moves, restarts or comes late.
    broken = ~slow | restarted | (step_ns > _SPELLS_GAP_NS)
    if n == 1:  # a live row: the fixed one before it lies in the track
        before, stood = anchor, ~broken & track.stood
    else:
        newest = np.maximum.accumulate(np.where(fixed, np.arange(n), -1))
        last_fixed = _before(-1, newest)  # before each row; -1 lies in the track
        in_block, at = last_fixed >= 0, np.maximum(last_fixed, 0)
        before = np.where(in_block[:, None], q.pos_ecef_m[at], anchor)
        count = np.cumsum(broken)
        own_before = np.where(in_block, count[at], 0)
        stood = np.where(in_block, slow[at], track.stood) & (count - own_before == 0)
    d = q.pos_ecef_m - before
    moved_m = np.sqrt(d[:, 0] ** 2 + d[:, 1] ** 2 + d[:, 2] ** 2)
    step_s = step_ns / _S
    was_fixed = _before(track.fixed, fixed)
    speed = np.where(np.isnan(epochs.speed_m_s), _JUMP_SPEED_M_S, 3.0 * epochs.speed_m_s + 1.0)
    speed_before = _before(track.speed_m_s, epochs.speed_m_s)
    stands = slow & (speed_before < slow_m_s)
    standing_m = setup.limit("standing_jump_m")
    allowed_m = np.where(stands, standing_m, setup.limit("jump_m") + speed * step_s)
    steady = fixed & was_fixed & ~restarted & (step_s > 0) & (step_s <= 2.0)
    between = fixed & ~was_fixed & stood
    jump = (steady & (moved_m > allowed_m)) | (between & (moved_m > standing_m))
    stood_after = np.where(fixed, slow, stood)
    leapt, stand = leaps(
        track.stand, epochs.speed_m_s, q.pos_ecef_m, np.where(was_fixed, moved_m, np.nan), run_ns, step_ns, fixed,
        restarted, slow_m_s, standing_m,
    )  # fmt: skip
    return np.asarray(jump | leapt), np.asarray(stood_after), stand


def _newest_fixed(track: Track, q: Quantities, fixed: Bools) -> tuple[float, float, float]:
    index = np.flatnonzero(fixed)
    if not len(index):
        return track.fixed_ecef_m
    x, y, z = q.pos_ecef_m[index[-1]]
    return float(x), float(y), float(z)


def _edge_median(
    track: Track, q: Quantities, run_ns: Ints, fixed: Bools, setup: Setup
) -> tuple[Floats, Floats, tuple[tuple[int, float, float], ...]]:
    """Median of the error at the edge over 10 s: of the first fixed row in each second, so that no rate weighs more.

    A row's own second counts from its first row on. Until there is a sample the median is NaN.
    """
    second = run_ns // _S
    finite = fixed & ~np.isnan(q.edge_vertical_95_m) & ~np.isnan(q.edge_horizontal_95_m)
    index = np.flatnonzero(finite)
    last_second = track.edge_samples[-1][0] if track.edge_samples else NEVER
    opens = np.ones(len(index), dtype=bool)
    opens[1:] = second[index][1:] != second[index][:-1]
    opens &= second[index] > last_second
    carried = track.edge_samples
    if carried and not opens.any() and second[0] == second[-1] == track.run_ns // _S:
        # Nearly every live row: no new sample, and the second of the row before, so it has the row's medians.
        n = len(second)
        return np.full(n, track.edge_vertical_95_m), np.full(n, track.edge_horizontal_95_m), carried
    chosen = index[opens]
    seconds = np.concatenate((np.array([s for s, _, _ in carried], dtype=np.int64), second[chosen]))
    vertical = np.concatenate((np.array([v for _, v, _ in carried]), q.edge_vertical_95_m[chosen]))
    horizontal = np.concatenate((np.array([h for _, _, h in carried]), q.edge_horizontal_95_m[chosen]))

    if len(seconds):
        span = int(setup.limit("edge_median_s"))
        at_v, at_h = _sample_medians(seconds, vertical, span), _sample_medians(seconds, horizontal, span)
        newest = np.searchsorted(seconds, second, side="right") - 1
        # A sample of this very second may lie behind the row: it opens with the first fixed row of the second.
        opened_at = np.concatenate((np.full(len(carried), -1, dtype=np.int64), chosen))
        newest = newest - ((newest >= 0) & (opened_at[np.maximum(newest, 0)] > np.arange(len(second))))
        held = np.maximum(newest, 0)
        fresh = (newest >= 0) & (second - seconds[held] < span)
        edge_v, edge_h = np.where(fresh, at_v[held], np.nan), np.where(fresh, at_h[held], np.nan)
    else:
        edge_v = edge_h = np.full(len(second), np.nan)
    keep = slice(max(0, len(seconds) - _SAMPLES), None)
    samples = tuple(
        (int(s), float(v), float(h)) for s, v, h in zip(seconds[keep], vertical[keep], horizontal[keep], strict=True)
    )
    return edge_v, edge_h, samples


def _sample_medians(seconds: Ints, value: Floats, span: int) -> Floats:
    """At each sample, the median of itself and those of the nine before it that are less than ``span`` old."""
    reach = np.arange(len(seconds))[:, None] - np.arange(_SAMPLES)[None, :]
    picked = np.maximum(reach, 0)
    inside = (reach >= 0) & (seconds[:, None] - seconds[picked] < span)
    return _median(np.where(inside, value[picked], np.nan))


def _median(table: Floats) -> Floats:
    """Median of each row of (N, k), NaN left out; NaN where nothing is left. The same bits for any cut."""
    ordered = np.sort(table, axis=1)  # NaN goes last
    count = (~np.isnan(ordered)).sum(axis=1)
    low = np.maximum((count - 1) // 2, 0)
    high = np.minimum(count // 2, table.shape[1] - 1)
    rows = np.arange(len(table))
    middle = (ordered[rows, low] + ordered[rows, high]) / 2.0
    return np.where(count > 0, middle, np.nan)


def _within_tolerance(track: Track, edge_v: Floats, edge_h: Floats, setup: Setup) -> Bools:
    """Within tolerance with hysteresis: entered at 0.95 of it, left above it; the last event wins."""
    share = setup.limit("grade_enter_share")
    v, h = setup.tolerance_vertical_95_m, setup.tolerance_horizontal_95_m
    enters = (edge_v <= share * v) & (edge_h <= share * h)
    leaves = ~((edge_v <= v) & (edge_h <= h))  # NaN leaves
    index = np.arange(len(edge_v))
    last_in = np.maximum.accumulate(np.where(enters, index, -1))
    last_out = np.maximum.accumulate(np.where(leaves, index, -1))
    nothing = (last_in < 0) & (last_out < 0)
    return np.where(nothing, track.within_tolerance, last_in > last_out)


def _settle_until(track: Track, bits: Ints, run_ns: Ints, setup: Setup) -> Ints:
    """End of settling at each row: the latest end of any reason that has gone, plus its settling time."""
    before = _before(track.bits, bits)
    gone = before & ~bits
    if not gone.any():
        return np.full(len(bits), track.settle_until_ns, dtype=np.int64)
    until = np.full(len(bits), NEVER, dtype=np.int64)
    for key in ("settle_age_s", "settle_fix_s", "settle_jump_s"):
        ended = (gone & settle_bits(key)) != 0
        until = np.maximum(until, np.where(ended, run_ns + int(setup.limit(key) * _S), NEVER))
    return np.maximum.accumulate(np.maximum(until, track.settle_until_ns))


def _since(track: Track, verdict: NDArray[np.int8], time_ns: Ints) -> int:
    before = _before(track.verdict if track.n_rows else -1, verdict)
    changed = np.flatnonzero(verdict != before)
    return int(time_ns[changed[-1]]) if len(changed) else track.verdict_since_ns


__all__ = ["GRADE", "HOLD", "ROUGH", "VERDICTS", "Judged", "Standing", "Track", "judge_rows", "standing"]
