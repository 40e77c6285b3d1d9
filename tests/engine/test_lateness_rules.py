"""How late a row is, and whose a step of this computer's clock is: each rule at its limit, for any cut of the rows.

Limits: common practice, no source. A steady clock that stands while the computer sleeps is POSIX's CLOCK_MONOTONIC.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest

from hubtack.engine.lateness import Clock, delays_ns

S = 1_000_000_000
Row = tuple[float, float | None, float | None]  # its own time, arrival by the clock and by the steady one [s]


def late(
    rows: Sequence[Row], least_s: float | None = None, clock: Clock | None = None
) -> tuple[list[float], float | None, Clock | None]:
    """Delays [s], least lag [s] and clock after rows: all at once, one by one and in threes must agree."""
    time_ns, utc_ns, mono_ns = (
        np.array([-1 if row[i] is None else round(row[i] * S) for row in rows], dtype=np.int64)  # type: ignore[operator]
        for i in range(3)
    )
    ways = []
    for size in (len(rows), 1, 3):
        least, state, parts = None if least_s is None else round(least_s * S), clock, []
        for a, b in itertools.pairwise([*range(0, len(rows), size), len(rows)]):
            delay, least, state = delays_ns(time_ns[a:b], utc_ns[a:b], mono_ns[a:b], least, state)
            assert delay.dtype == np.int64 and len(delay) == b - a
            parts.append(delay)
        ways.append((np.concatenate(parts).tolist(), least, state))
    assert ways[0] == ways[1] == ways[2]
    delays, least, state = ways[0]
    return [ns / S for ns in delays], None if least is None else least / S, state


def stepped(step_s: float, *, at: int = 20, n: int = 60) -> list[Row]:
    """A row a second that takes 0.1 s; the clock is set forward by a step in front of row ``at``."""
    return [(i, i + 0.1 + (step_s if i >= at else 0.0), 500.0 + i) for i in range(n)]


def owed(offset_s: float, owed_s: float, since_s: float, lag_s: float) -> Clock:
    """A clock that owes a step since a row whose offset it still has."""
    return Clock(round(offset_s * S), round(owed_s * S), round(since_s * S), round(lag_s * S), round(offset_s * S))


def test_rows_are_late_against_the_quickest_so_far() -> None:
    rows = [(i, i + lag, None) for i, lag in enumerate((0.5, 0.3, 0.9, 0.2, 0.7))]
    assert late(rows) == ([0.0, 0.0, 0.6, 0.0, 0.5], 0.2, None)
    assert late(rows, 0.1) == ([0.4, 0.2, 0.8, 0.1, 0.6], 0.1, None)


def test_a_row_without_an_arrival_is_not_late_and_says_nothing() -> None:
    assert late([(0, 0.5, None), (1, None, None), (2, 2.9, None)]) == ([0.0, 0.0, 0.4], 0.5, None)
    before = Clock(7)
    assert late([(0, None, 3.0), (1, None, 4.0)], 0.1, before) == ([0.0, 0.0], 0.1, before)
    assert late([(0, None, None)]) == ([0.0], None, None)


def test_an_arrival_at_the_very_beginning_of_a_clock_is_one() -> None:
    assert late([(-5, 0.0, 0.0), (-4, 1.25, 1.0)]) == ([0.0, 0.25], 5.0, Clock(S // 4))
    assert late([(-5, 0.0, 0.0)]) == ([0.0], 5.0, Clock(0))
    # Nor is it otherwise while a step is owed.
    assert late([(-30, 0.0, 0.0)], 10.0, owed(0.0, 60.0, 0.0, 50.0)) == ([20.0], 10.0, owed(0.0, 60.0, 0.0, 30.0))


def test_the_clock_is_that_of_the_newest_row_with_both() -> None:
    rows = [(0, 0.1, 500.0), (1, 1.15, 501.0), (2, 2.1, None), (3, None, 503.0)]
    assert late(rows)[2] == Clock(-round(499.85 * S))
    assert late(rows, 0.0, Clock(S))[2] == Clock(-round(499.85 * S))


@pytest.mark.parametrize(("step_s", "is_late"), [(1.000000001, False), (5.0, False), (3600.0, False), (1.0, True)])
def test_a_step_of_over_a_second_is_the_clocks_own_after_ten_seconds_in_step(step_s: float, is_late: bool) -> None:
    delays, least_s, clock = late(stepped(step_s))
    assert delays[:20] == [0.0] * 20 and delays[20:30] == [step_s] * 10
    # A second and less is no step: it is a delay, and stays one.
    assert delays[30:] == [step_s if is_late else 0.0] * 30
    assert least_s == (0.1 if is_late else pytest.approx(0.1 + step_s))
    assert clock == Clock(round((step_s - 499.9) * S))


def test_a_clock_set_back_makes_no_row_late_and_owes_nothing() -> None:
    delays, least_s, clock = late(stepped(-10.0))
    assert delays == [0.0] * 60 and least_s == -9.9 and clock == Clock(-round(509.9 * S))


def test_what_is_owed_is_kept_with_the_row_since_which_rows_are_in_step() -> None:
    assert late(stepped(5.0, n=21))[2] == owed(-494.9, 5.0, 520.0, 500.0)
    assert late(stepped(5.0, n=25))[2] == owed(-494.9, 5.0, 520.0, 500.0)
    assert late(stepped(5.0, n=30))[2] == owed(-494.9, 5.0, 520.0, 500.0)
    assert late(stepped(5.0, n=31))[2] == Clock(-round(494.9 * S))


def test_steps_forward_add_up_and_the_wait_begins_anew() -> None:
    rows = [(i, u + (60.0 if i >= 25 else 0.0), m) for i, u, m in stepped(5.0)]  # type: ignore[operator]
    delays, _, _ = late(rows)
    assert delays[20:25] == [5.0] * 5 and delays[25:35] == [65.0] * 10 and delays[35:] == [0.0] * 25
    assert late(rows[:27])[2] == owed(-434.9, 65.0, 525.0, 500.0)


def test_a_step_back_pays_what_is_owed_and_no_more() -> None:
    def back(step_s: float) -> tuple[list[float], float | None, Clock | None]:
        return late([(i, u + (step_s if i >= 25 else 0.0), m) for i, u, m in stepped(5.0)])  # type: ignore[operator]

    for step_s in (-5.0, -7.0):
        delays, _, clock = back(step_s)
        assert delays[25:] == [0.0] * 35 and clock is not None and clock.owed_ns == 0
    delays, least_s, _ = back(-3.0)  # two seconds are still owed, and rows must be in step anew
    assert delays[25:35] == [2.0] * 10 and delays[35:] == [0.0] * 25 and least_s == 2.1
    delays, least_s, _ = back(-1.0)  # no step; but the clocks have not come to rest
    assert delays[25:35] == [4.0] * 10 and delays[35:] == [0.0] * 25 and least_s == 4.1
    assert back(-1.000000001)[1] == pytest.approx(4.099999999)
    for step_s, left_s in ((-1.0, 5.0), (-1.000000001, 3.999999999), (1.0, 5.0), (1.000000001, 6.000000001)):
        rows = [(i, u + (step_s if i >= 25 else 0.0), m) for i, u, m in stepped(5.0, n=26)]  # type: ignore[operator]
        clock = late(rows)[2]
        assert clock is not None and clock.owed_ns == round(left_s * S)
    # All is paid, though the row itself is late.
    assert late([(30, 36.1, 536.1)], 0.1, owed(-440.0, 60.0, 520.0, 500.0)) == ([6.0], 0.1, Clock(-500 * S))


@pytest.mark.parametrize(
    ("wander_s", "stays"), [(1.0, True), (-1.0, True), (1.000000001, False), (-1.000000001, False)]
)
def test_rows_are_in_step_while_they_wander_by_a_second_at_most(wander_s: float, stays: bool) -> None:
    # Row 25 comes off its time by both clocks, as rows that come in bursts do.
    rows = [(i, u + (wander_s if i == 25 else 0.0), m + (wander_s if i == 25 else 0.0)) for i, u, m in stepped(60.0)]  # type: ignore[operator]
    clock = late(rows[:26])[2]
    assert clock is not None and clock.owed_ns == 60 * S
    assert clock == (
        owed(-439.9, 60.0, 520.0, 500.0) if stays else owed(-439.9, 60.0, 525.0 + wander_s, 500.0 + wander_s)
    )
    delays, _, _ = late(rows)
    ended = next(i for i in range(26, 60) if delays[i] < 30.0)
    assert ended == (30 if stays else 36)  # back on time is out of step with the row before: eleven rows from there


@pytest.mark.parametrize(
    ("wander_s", "stays"), [(0.2, True), (-0.2, True), (0.200000001, False), (-0.200000001, False)]
)
def test_the_two_clocks_must_have_come_to_rest(wander_s: float, stays: bool) -> None:
    rows = [(i, u + (wander_s if i >= 25 else 0.0), m) for i, u, m in stepped(60.0)]  # type: ignore[operator]
    clock = late(rows[:26])[2]
    assert clock is not None and clock.offset_ns == round((wander_s - 439.9) * S)
    assert (clock.since_ns, clock.since_offset_ns) == (
        (520 * S, -round(439.9 * S)) if stays else (525 * S, round((wander_s - 439.9) * S))
    )
    delays, _, _ = late(rows)
    assert next(i for i in range(26, 60) if delays[i] < 30.0) == (30 if stays else 35)


def test_a_clock_that_creeps_is_held_against_where_the_wait_began() -> None:
    # 0.05 s a row: over 0.2 s after the fifth, then anew from there; ten seconds in step never come together.
    rows = [(i, u + 0.05 * max(0, i - 20), m) for i, u, m in stepped(60.0, n=80)]  # type: ignore[operator]
    delays, _, clock = late(rows)
    assert min(delays[20:]) >= 60.0 and clock is not None and clock.owed_ns == 60 * S


def test_after_a_sleep_a_backlog_is_late_until_it_has_been_worked_off() -> None:
    # The steady clock stands for the sixty seconds of a sleep; then the rows of that minute come at four a second.
    before: list[Row] = [(i, i + 0.1, 500.0 + i) for i in range(20)]
    came = [max(i + 0.1, 80.0 + (i - 20) / 4) for i in range(20, 140)]
    rows = before + [(20 + k, utc, utc + 440.0) for k, utc in enumerate(came)]
    delays, least_s, clock = late(rows)
    assert delays == pytest.approx([0.0] * 20 + [utc - i - 0.1 for i, utc in enumerate(came, 20)]) and least_s == 0.1
    assert delays[20] == 59.9 and delays[-1] == 0.0 and clock == Clock(-440 * S)


@pytest.mark.parametrize(("lag_s", "is_over"), [(1.1, True), (1.100000001, False)])
def test_a_sleep_is_over_when_rows_are_within_a_second_of_the_quickest(lag_s: float, is_over: bool) -> None:
    clock = owed(-440.0, 60.0, 520.0, 500.0)
    delays, least_s, after = late([(30, 30 + lag_s, 470 + lag_s)], 0.1, clock)
    assert delays == [pytest.approx(lag_s - 0.1)] and least_s == 0.1
    assert after is not None and after.owed_ns == (0 if is_over else 60 * S)
    assert after.offset_ns == -440 * S and (after == Clock(-440 * S)) is is_over


def test_a_row_quicker_than_the_step_makes_the_new_least() -> None:
    rows = stepped(5.0, n=40)
    rows[30] = (30, 35.06, 529.96)  # by both clocks: rows had been in step for 9.96 s
    rows[31] = (31, 36.06, 530.96)
    delays, least_s, _ = late(rows)
    assert delays[29:33] == [5.0, 4.96, 0.0, 0.04] and least_s == 5.06


def test_rows_that_lack_a_clock_do_not_disturb_the_wait() -> None:
    rows = stepped(5.0)
    rows[23], rows[24] = (23, None, 523.0), (24, 29.1, None)
    delays, _, _ = late(rows)
    assert delays[20:30] == [5.0, 5.0, 5.0, 0.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0] and delays[30:] == [0.0] * 30
    # The tenth second is looked at when a row has both.
    rows = stepped(5.0)
    rows[30] = (30, 35.1, None)
    assert late(rows)[0][29:33] == [5.0, 5.0, 0.0, 0.0]


def test_the_first_rows_of_all_may_hold_a_step() -> None:
    rows = [(0, 0.1, 500.0), (1, 61.1, 501.0), (2, 62.1, 502.0)]
    assert late(rows) == ([0.0, 60.0, 60.0], 0.1, owed(-439.9, 60.0, 501.0, 500.0))
    none_yet: list[Row] = [(0, None, None), *rows]
    assert late(none_yet)[0] == [0.0, 0.0, 60.0, 60.0]
