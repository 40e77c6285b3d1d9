"""Stretches out of a condition: where they begin and end, what is bridged, what is too short, for any cut."""

from __future__ import annotations

import itertools
import random

import numpy as np
import pytest

from hubtack.engine.runs import MOST, Run, Runs

S = 1_000_000_000


def fed(holds: list[int], *, sizes: tuple[int, ...] = (), step_s: float = 1.0, **kwargs: float) -> Runs:
    """Rows a second apart, each owning its number of ns; in blocks of the given sizes, over and over."""
    runs = Runs(int(kwargs.get("least_s", 0) * S), int(kwargs.get("bridge_s", 0) * S))
    n = len(holds)
    time_ns = (np.arange(n) * step_s * S).astype(np.int64)
    owned_ns = np.arange(1, n + 1, dtype=np.int64)
    bounds = [0, *itertools.takewhile(lambda at: at < n, itertools.accumulate(itertools.cycle(sizes or (n,)))), n]
    for a, b in itertools.pairwise(bounds):
        runs.feed(np.array(holds[a:b], dtype=bool), time_ns[a:b], owned_ns[a:b])
    return runs


def told(runs: Runs, now_s: float = 100.0) -> list[tuple[float, float | None, int, int]]:
    """Start and end in seconds, what is owned, rows."""
    return [
        (r.start_ns / S, None if r.end_ns is None else r.end_ns / S, r.hold_ns, r.rows) for r in runs.at(int(now_s * S))
    ]


@pytest.mark.parametrize("sizes", [(), (1,), (2, 1, 3)])
def test_a_stretch_ends_with_the_first_row_that_fails(sizes: tuple[int, ...]) -> None:
    assert told(fed([0, 0, 1, 1, 1, 0, 0, 1, 0], sizes=sizes)) == [(2, 5, 3 + 4 + 5, 3), (7, 8, 8, 1)]


@pytest.mark.parametrize("sizes", [(), (1,), (2, 1, 3)])
def test_one_that_goes_on_is_open(sizes: tuple[int, ...]) -> None:
    assert told(fed([0, 1, 1], sizes=sizes)) == [(1, None, 5, 2)]
    assert told(fed([1, 1, 1, 0, 1], sizes=sizes)) == [(0, 3, 6, 3), (4, None, 5, 1)]


@pytest.mark.parametrize("sizes", [(), (1,), (2, 1, 3)])
def test_a_break_is_bridged_up_to_its_limit(sizes: tuple[int, ...]) -> None:
    holds = [1, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0]
    # The break at row 1 has lasted 3 s when the condition comes back at row 4, that at row 5 has lasted 5 s.
    assert told(fed(holds, sizes=sizes, bridge_s=3)) == [(0, 5, 6, 2), (10, 11, 11, 1)]
    assert told(fed(holds, sizes=sizes, bridge_s=2.9)) == [(0, 1, 1, 1), (4, 5, 5, 1), (10, 11, 11, 1)]
    assert told(fed(holds, sizes=sizes, bridge_s=5)) == [(0, 11, 17, 3)]


def test_until_the_bridge_is_over_a_stretch_that_failed_is_told_with_its_end() -> None:
    runs = fed([1, 1, 0], bridge_s=10)
    assert told(runs) == [(0, 2, 3, 2)] and runs.done == []
    runs.feed(np.array([True]), np.array([4 * S]), np.array([7]))
    assert told(runs) == [(0, None, 10, 3)]
    runs.feed(np.array([False]), np.array([5 * S]), np.array([0]))
    runs.feed(np.array([False]), np.array([15 * S]), np.array([0]))
    assert runs.done == []  # ten seconds are not longer than ten seconds
    runs.feed(np.array([False]), np.array([15 * S + 1]), np.array([0]))
    assert runs.done == [Run(0, 5 * S, 10, 3)] and told(runs) == [(0, 5, 10, 3)]


@pytest.mark.parametrize("sizes", [(), (1,), (2, 1, 3)])
def test_what_is_too_short_is_dropped_with_all_it_had(sizes: tuple[int, ...]) -> None:
    assert told(fed([1, 1, 0, 0, 1, 1, 1, 0], sizes=sizes, least_s=3)) == [(4, 7, 18, 3)]
    assert told(fed([1, 1, 1, 0], sizes=sizes, least_s=3)) == [(0, 3, 6, 3)]
    assert told(fed([1, 1, 1, 0, 0, 1, 1, 0, 0], sizes=sizes, least_s=3)) == [(0, 3, 6, 3)]
    assert told(fed([0] * 9 + [1, 0, 0, 1, 1, 1, 0, 0], sizes=sizes, least_s=3)) == [(12, 15, 42, 3)]


def test_an_open_stretch_is_told_once_it_is_long_enough() -> None:
    runs = fed([1, 1], least_s=5)
    assert told(runs, 4.9) == [] and told(runs, 5.0) == [(0, None, 3, 2)]
    late = fed([0] * 8 + [1, 1], least_s=5)
    assert told(late, 12.9) == [] and told(late, 13.0) == [(8, None, 19, 2)]
    # One that failed has reached no farther than its end, however late it is.
    failed = fed([1, 1, 0], least_s=5, bridge_s=60)
    assert told(failed, 50.0) == []


def test_nothing_is_nothing() -> None:
    runs = fed([0, 0])
    runs.feed(np.zeros(0, dtype=bool), np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    assert told(runs) == [] == Runs().at(0)


def test_past_the_most_that_are_kept_the_newest_two_become_one() -> None:
    runs = fed([1, 0, 0] * (MOST + 2))
    assert len(runs.done) == MOST
    # Rows 0, 3, 6 ...; the last of the kept took in those of rows 597, 600 and 603, which own 598, 601 and 604.
    assert runs.done[-1] == Run(597 * S, 604 * S, 598 + 601 + 604, 3)
    assert runs.done[-2] == Run(594 * S, 595 * S, 595, 1)


def test_any_cut_gives_the_same_stretches() -> None:
    rng = random.Random(7)
    for _ in range(30):
        holds = [int(rng.random() < 0.5) for _ in range(60)]
        kwargs = {"least_s": rng.choice([0, 2]), "bridge_s": rng.choice([0, 1, 3])}
        whole = fed(holds, **kwargs)
        cut = fed(holds, sizes=tuple(rng.randint(1, 9) for _ in range(5)), **kwargs)
        assert told(cut) == told(whole) and cut.done == whole.done
