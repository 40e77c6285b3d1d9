"""What is latched, by place in the stream: a plain list of changes is the oracle for every rule of order."""

from __future__ import annotations

import random

import numpy as np
import pytest

from hubtack.engine import events
from hubtack.engine.events import Events, Latches

A, B, C = 1, 2, 4


def at(latches: Latches, *keys: int) -> list[int]:
    return latches.at(np.array(keys, dtype=np.int64)).tolist()


# Events ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [1, 8, 9, 50])
def test_a_row_sees_the_newest_event_at_its_place_or_before(n: int) -> None:
    held = Events(2)
    held.add(10, 1.0, 2.0)
    held.add(20, 3.0, 4.0)
    held.add(20, 5.0, 6.0)  # two at one place: the later one
    for key, expected in (
        (9, (np.nan, np.nan)),
        (10, (1.0, 2.0)),
        (19, (1.0, 2.0)),
        (20, (5.0, 6.0)),
        (99, (5.0, 6.0)),
    ):
        got = held.at(np.full(n, key, dtype=np.int64))
        assert got.shape == (n, 2) and got.dtype == np.float64
        np.testing.assert_array_equal(got, [expected] * n)


@pytest.mark.parametrize("n", [0, 1, 8, 9])
def test_without_an_event_nothing_is_known(n: int) -> None:
    got = Events(3).at(np.arange(n, dtype=np.int64))
    assert got.shape == (n, 3) and np.isnan(got).all()


def test_events_of_one_value_come_in_blocks_and_later_ones_are_seen() -> None:
    held, rows = Events(1), np.arange(12, dtype=np.int64)
    held.extend(np.array([2, 5]), np.array([20, 50]))
    np.testing.assert_array_equal(held.at(rows)[:, 0], [np.nan] * 2 + [20.0] * 3 + [50.0] * 7)
    held.extend(np.array([9]), np.array([90]))
    np.testing.assert_array_equal(held.at(rows)[:, 0], [np.nan] * 2 + [20.0] * 3 + [50.0] * 4 + [90.0] * 3)
    assert held.at(rows[:1]).dtype == held.at(rows).dtype == np.float64


def test_what_is_forgotten_leaves_the_newest_before_it() -> None:
    held, many = Events(1), np.arange(600, 620, dtype=np.int64)
    for i in range(events._TRIM_AT):
        held.add(i, float(i))
    held.forget_before(400)
    assert len(held.key) == events._TRIM_AT  # few enough to keep them all
    held.add(700, 700.0)
    before = held.at(many)
    held.forget_before(400)
    assert held.key[0] == 400 and held.value[0] == (400.0,)
    np.testing.assert_array_equal(held.at(many), before)
    np.testing.assert_array_equal(held.at(np.array([400, 401, 399])), [[400.0], [401.0], [np.nan]])
    # Before the first event there is nothing to forget.
    late = Events(1)
    late.extend(np.arange(1000, 2000), np.arange(1000))
    late.forget_before(5)
    late.forget_before(1000)
    assert len(late.key) == 1000
    # Between two events the earlier one still holds.
    late.key[:] = [2 * k for k in late.key]
    late.forget_before(2003)
    assert late.key[0] == 2002


# Latches --------------------------------------------------------------------------------------------------------------


def test_a_latch_stands_from_its_place_on() -> None:
    latches = Latches()
    assert at(latches, 0, 99) == [0, 0] and latches.any == latches.stated == 0
    latches.latch(A, 10)
    latches.latch(B, 20)
    assert at(latches, 9, 10, 19, 20, 99) == [0, A, A, A | B, A | B]
    assert latches.any == latches.stated == A | B


def test_a_stream_takes_back_what_it_said_and_not_what_was_observed() -> None:
    latches = Latches()
    latches.latch(A, 10)
    latches.latch(B, 10, observed=True)
    assert (latches.stated, latches.any) == (A, A | B)
    latches.agree(20)
    assert at(latches, 9, 10, 19, 20, 99) == [0, A | B, A | B, B, B]
    assert (latches.stated, latches.any) == (0, B)


def test_one_flag_may_be_both_said_and_observed() -> None:
    latches = Latches()
    latches.latch(A, 10)
    latches.latch(A, 11, observed=True)
    latches.agree(20)
    assert at(latches, 10, 20) == [A, A]


def test_agreeing_where_nothing_stands_is_no_change() -> None:
    latches = Latches()
    for key in range(1000):
        latches.agree(key)
    latches.latch(B, 1000, observed=True)
    latches.agree(1001)
    assert len(latches._key) == 1 and at(latches, 1001) == [B]


def test_a_person_takes_back_all_that_was_latched_before_and_nothing_at_the_place_or_after() -> None:
    latches = Latches()
    latches.latch(A, 10)
    latches.latch(B, 15, observed=True)
    latches.latch(C, 20)
    latches.confirm(20)
    assert at(latches, 9, 10, 15, 19, 20, 99) == [0, A, A | B, A | B, C, C]


def test_what_is_told_late_comes_into_its_order() -> None:
    latches = Latches()
    latches.latch(A, 30)
    latches.confirm(20)  # the stream had been read farther than the person saw
    assert at(latches, 29, 30) == [0, A]
    latches.latch(B, 10)
    assert at(latches, 9, 10, 19, 20, 30) == [0, B, B, 0, A]
    latches.latch(C, 25, observed=True)
    assert at(latches, 24, 25, 30) == [0, C, A | C]


def plain(changes: list[tuple[str, int, int, int]], key: int) -> int:
    """The oracle: the changes in the order of their places, one after the other.

    A person's word goes in front of all else at its place, anything else behind what was told before it.
    """
    order = sorted(
        range(len(changes)), key=lambda i: (changes[i][1], (0, -i) if changes[i][0] == "confirm" else (1, i))
    )
    said = seen = 0
    for what, at_key, flag, _ in (changes[i] for i in order):
        if at_key > key:
            break
        if what == "confirm":
            said = seen = 0
        elif what == "agree":
            said = 0
        elif what == "said":
            said |= flag
        else:
            seen |= flag
    return said | seen


def test_any_order_of_telling_gives_what_the_plain_rule_gives() -> None:
    rng = random.Random(11)
    for _ in range(300):
        latches, changes = Latches(), []
        for i in range(rng.randint(0, 8)):
            what = rng.choice(["said", "said", "seen", "confirm", "agree"])
            key, flag = rng.randint(0, 9), rng.choice([A, B, C])
            if what == "agree":
                key = 9  # the stream speaks at its end
                if not latches.stated:
                    continue
                latches.agree(key)
            elif what == "confirm":
                latches.confirm(key)
            else:
                latches.latch(flag, key, observed=what == "seen")
            changes.append((what, key, flag, i))
        assert at(latches, *range(-1, 11)) == [plain(changes, k) for k in range(-1, 11)], changes
        assert latches.any == plain(changes, 10)


def test_what_is_forgotten_still_stands_behind_it() -> None:
    latches = Latches()
    for i in range(events._TRIM_AT):
        latches.latch(A if i % 2 else B, i)
    latches.forget_before(300)
    assert len(latches._key) == events._TRIM_AT
    latches.latch(C, 600, observed=True)
    latches.forget_before(-5)  # nothing lies before that
    assert len(latches._key) == events._TRIM_AT + 1
    latches.forget_before(300)
    assert latches._key[0] == 301 and len(latches._key) == len(latches._change) == len(latches._state) == 212
    assert at(latches, 300, 301, 599, 600) == [A | B, A | B, A | B, A | B | C]
    latches.latch(C, 100)  # told late, from before what is kept
    assert at(latches, 300) == [A | B | C]
    # All of it forgotten: the last state is what stands.
    many = Latches()
    for i in range(events._TRIM_AT + 1):
        many.latch(A, i)
    many.forget_before(10_000)
    assert many._key == [] and at(many, 5, 20_000) == [A, A] and (many.any, many.stated) == (A, A)
    many.agree(20_000)
    assert many.any == 0


def test_what_is_forgotten_leaves_the_state_after_its_last_change() -> None:
    latches = Latches()
    for i in range(events._TRIM_AT):
        latches.latch(A, i)
    latches.agree(600)
    latches.latch(B, 700)
    latches.forget_before(600)
    assert latches._key == [700] and at(latches, 600, 699, 700) == [0, 0, B]
