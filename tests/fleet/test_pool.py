"""Many items over processes: every item exactly once, whatever becomes of a worker."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from hubtack.fleet.pool import Broken, in_process, pooled

MARK = "HUBTACK_TEST_MARK"


def square(n: int) -> int:
    return n * n


def fails_at_three(n: int) -> int:
    if n == 3:
        raise ValueError("three")
    return n


def dies_always_at_five(n: int) -> int:
    if n == 5:
        os.kill(os.getpid(), signal.SIGKILL)
    return n


def dies_once_at_five(n: int) -> int:
    mark = Path(os.environ[MARK])
    if n == 5 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return n


def test_every_item_comes_back_once() -> None:
    assert sorted((d.item, d.result) for d in pooled(square, range(20), 2)) == [(n, n * n) for n in range(20)]


def test_an_error_in_one_item_is_its_own_row() -> None:
    for run in (in_process(fails_at_three, range(6)), pooled(fails_at_three, range(6), 1)):
        results = {d.item: d.result for d in run}
        assert isinstance(results[3], Broken) and "three" in results[3].reason
        assert [results[n] for n in (0, 1, 2, 4, 5)] == [0, 1, 2, 4, 5]


def test_an_item_that_kills_its_worker_costs_only_itself() -> None:
    done = list(pooled(dies_always_at_five, range(8), 1))
    assert sorted(d.item for d in done) == list(range(8))
    assert [d.item for d in done if isinstance(d.result, Broken)] == [5]


def test_a_worker_killed_from_outside_costs_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(MARK, str(tmp_path / "mark"))
    done = list(pooled(dies_once_at_five, range(8), 1))
    assert sorted((d.item, d.result) for d in done) == [(n, n) for n in range(8)]


def test_items_are_taken_only_as_they_are_needed() -> None:
    taken = []

    def items() -> Iterator[int]:
        for n in range(1000):
            taken.append(n)
            yield n

    run = pooled(square, items(), 1)
    next(run)
    assert len(taken) < 10
    run.close()  # type: ignore[attr-defined]
