"""A machine that stands by the two speeds around them has not leapt in between, whatever the rows between do not say."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from hubtack.engine.leaps import Stand, leaps

S = 1_000_000_000
START = (-4_500_000.0, 700_000.0, -4_400_000.0)


class Rows:
    """Three seconds of fixed rows at a rate, a speed once a second, all at one place."""

    def __init__(self, rate_hz: int = 5) -> None:
        n = 3 * rate_hz + 1
        self.rate_hz = rate_hz
        self.run_ns = np.arange(n, dtype=np.int64) * (S // rate_hz)
        self.step_ns = np.diff(self.run_ns, prepend=0)
        self.speed = np.where(np.arange(n) % rate_hz == 0, 0.01, np.nan)
        self.pos = np.tile(np.array(START), (n, 1))
        self.fixed, self.restarted = np.ones(n, dtype=bool), np.zeros(n, dtype=bool)

    def leap(self, m: float, at: int, axis: int = 1) -> Rows:
        self.pos[at:, axis] += m
        return self

    def found(self, cuts: tuple[int, ...] = ()) -> list[int]:
        out: list[int] = []
        stand, edges = Stand(), [0, *cuts, len(self.run_ns)]
        moved = np.linalg.norm(np.diff(self.pos, axis=0, prepend=np.full((1, 3), np.nan)), axis=1)
        moved[1:][~self.fixed[:-1]] = np.nan
        for a, b in pairwise(edges):
            part = (
                c[a:b] for c in (self.speed, self.pos, moved, self.run_ns, self.step_ns, self.fixed, self.restarted)
            )
            flags, stand = leaps(stand, *part, 0.05, 0.15)
            out += (np.flatnonzero(flags) + a).tolist()
        return out


def test_a_leap_between_two_rows_without_a_speed_is_told_at_the_next_speed() -> None:
    assert Rows().leap(0.9, at=7).found() == [10]


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("m", [0.9, 0.26, -0.26, -0.9])
def test_a_leap_is_one_in_every_direction(axis: int, m: float) -> None:
    assert Rows().leap(m, at=7, axis=axis).found() == [10]


def test_what_a_machine_can_do_between_two_speeds_is_no_leap() -> None:
    # From rest to rest with one step of 0.2 s: 3 m/s2 for 0.4 s is 1.2 m/s, and that for 0.2 s is 0.24 m.
    assert Rows().leap(0.23, at=7).found() == [] and Rows().leap(0.25, at=7).found() == [10]
    assert Rows(10).leap(0.14, at=14).found() == [] and Rows(10).leap(0.16, at=14).found() == [20]


def test_a_machine_that_swings_by_and_by_is_none() -> None:
    rows = Rows()
    for at in (6, 7, 8, 9):
        rows.leap(0.2, at)
    for cuts in ((), *[(a,) for a in range(1, 16)]):
        assert rows.found(cuts) == [], cuts
    # Nor is one that leapt in the second before.
    rows = Rows().leap(0.9, at=7)
    for at in (11, 12, 13, 14):
        rows.leap(0.2, at)
    for cuts in ((), *[(a,) for a in range(1, 16)]):
        assert rows.found(cuts) == [10], cuts


def test_two_rows_of_one_moment_are_no_step() -> None:
    rows = Rows().leap(0.9, at=7)
    rows.run_ns[7], rows.step_ns[7] = rows.run_ns[6], 0
    assert rows.found() == []


def test_the_two_speeds_are_a_second_and_a_little_apart_at_most() -> None:
    for late_ns, expected in ((S // 10, [10]), (S // 10 + 1, [])):
        rows = Rows().leap(0.9, at=7)
        rows.run_ns[9:] += late_ns
        assert rows.found() == expected


@pytest.mark.parametrize("what", ["moves", "moved", "float", "float at once", "was float", "restart", "late"])
def test_where_it_may_have_moved_nothing_is_said(what: str) -> None:
    rows = Rows().leap(0.9, at=7)
    if what == "moves":
        rows.speed[10] = 0.05
    elif what == "moved":
        rows.speed[5] = 0.05
    elif what == "float":
        rows.fixed[8] = False
    elif what == "float at once":
        rows.leap(0.9, at=8).fixed[6] = False
    elif what == "was float":
        rows.fixed[5] = False
    elif what == "restart":
        rows.restarted[8] = True
    else:
        rows.run_ns[9:] += S // 5
    for cuts in ((), *[(a,) for a in range(1, 16)], tuple(range(1, 16))):
        assert rows.found(cuts) == [], cuts


@pytest.mark.parametrize("row", [4, 5])
@pytest.mark.parametrize("what", ["float", "moves", "place"])
def test_of_rows_that_all_say_their_speed_the_newest_counts(row: int, what: str) -> None:
    rows = Rows().leap(0.9, at=7)
    rows.speed[:6] = 0.01
    if what == "float":
        rows.fixed[row] = False
    elif what == "moves":
        rows.speed[row] = 0.05
    else:  # where it stood by the newest: one leap and another, or there and back without a speed in between
        rows.leap(-0.9, at=row + 1)
    for cuts in ((), *[(a,) for a in range(1, 16)], tuple(range(1, 16))):
        assert (10 in rows.found(cuts)) is (row == 4), (
            cuts
        )  # a leap from row to row is told beside this, or here as well


def test_any_cut_gives_the_same_rows() -> None:
    rows = Rows().leap(0.9, at=7).leap(-0.4, at=12)
    rows.speed[11] = 0.02
    whole = rows.found()
    assert whole == [10, 15]
    for a in range(1, 15):
        for b in range(a + 1, 16):
            assert rows.found((a, b)) == whole
    assert rows.found(tuple(range(1, 16))) == whole
