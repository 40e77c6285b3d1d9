"""The same function over many items, on all cores, in bounded memory, whatever becomes of a worker.

Items go out a few at a time and results come back as they are ready, each item's exactly once. When a worker dies, the
pool is made anew and what was under way is tried again, one item at a time: what kills its worker then is to blame and
comes back as ``Broken``; nothing else is lost. ``spawn`` everywhere, so that it works the same on every system.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import Generic, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")
_AHEAD = 2  # items under way or waiting, for each worker


@dataclass(frozen=True, slots=True)
class Broken:
    """An item without a result, and why."""

    reason: str


@dataclass(frozen=True, slots=True)
class Done(Generic[Item, Result]):
    """An item with its result, or what broke."""

    item: Item
    result: Result | Broken


def guarded(function: Callable[[Item], Result], item: Item) -> Result | Broken:
    """``function(item)``; an error that it should have dealt with itself is a row, not the end of the whole audit."""
    try:
        return function(item)
    except Exception as err:  # the boundary of one session
        return Broken(f"internal error: {type(err).__name__}: {err}; please report it")


def in_process(function: Callable[[Item], Result], items: Iterable[Item]) -> Iterator[Done[Item, Result]]:
    """One after the other, in this process."""
    for item in items:
        yield Done(item, guarded(function, item))


def pooled(
    function: Callable[[Item], Result], items: Iterable[Item], jobs: int | None = None
) -> Iterator[Done[Item, Result]]:
    """Over a pool of ``jobs`` processes (None: one for each core), in the order in which they are ready.

    ``function`` must be importable by its name; items and results must be picklable.
    """
    jobs = jobs or cores()
    todo = iter(items)
    suspects: list[Item] = []
    exhausted = False
    while not exhausted or suspects:
        if suspects:
            yield from _one_by_one(function, suspects)
            suspects = []
            continue
        pool = _pool(jobs)
        under_way: dict[Future[Result | Broken], Item] = {}
        try:
            while True:
                try:
                    while not exhausted and len(under_way) < _AHEAD * jobs:
                        try:
                            item = next(todo)
                        except StopIteration:
                            exhausted = True
                            break
                        suspects.append(item)  # until it is known to be under way
                        under_way[pool.submit(guarded, function, item)] = item
                        suspects.pop()
                    if not under_way:
                        break
                    ready, _ = wait(under_way, return_when=FIRST_COMPLETED)
                    for future in ready:
                        result = future.result()
                        yield Done(under_way.pop(future), result)
                except BrokenProcessPool:
                    # Results that came in before the worker died are good.
                    for future, item in list(under_way.items()):
                        if future.done() and future.exception() is None:
                            yield Done(item, future.result())
                        else:
                            suspects.append(item)
                    break
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _one_by_one(function: Callable[[Item], Result], items: Iterable[Item]) -> Iterator[Done[Item, Result]]:
    for item in items:
        pool = _pool(1)
        try:
            yield Done(item, pool.submit(guarded, function, item).result())
        except BrokenProcessPool:
            yield Done(
                item, Broken("the process that read it died twice (out of memory, or killed); read it by itself")
            )
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _pool(jobs: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(jobs, mp_context=multiprocessing.get_context("spawn"), initializer=_quiet_worker)


def _quiet_worker() -> None:
    """Ctrl-C is for the client, which then ends the pool; one thread a process, since there is a process a core."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
