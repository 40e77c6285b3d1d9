"""The same function over many items on a Dask scheduler. Workers write nothing; the client takes each result once.

The scheduler hands the work of a lost worker to another one; a task that has killed its worker again and again comes
back as ``Broken``. Files must be found under the same paths on every worker, and Hubtack must be installed there in the
same version.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

from hubtack import __version__
from hubtack.errors import SourceError, UsageError
from hubtack.fleet.pool import Broken, Done, guarded

Item = TypeVar("Item")
Result = TypeVar("Result")
_AHEAD = 4  # tasks on the scheduler for each thread of the cluster
_CONNECT_S = 20


def connect(address: str) -> Any:
    """A client of the scheduler at ``address`` (``tcp://host:8786``).

    Raises
    ------
    UsageError
        If the library is missing, or the workers have another version of Hubtack.
    SourceError
        If there is no scheduler at that address.
    """
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise UsageError("--cluster needs the extra 'fleet': pip install 'hubtack[fleet]'") from None
    try:
        client = distributed.Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as err:
        raise SourceError(
            f"no cluster at {address} ({err or type(err).__name__}); start one with: dask scheduler, and on each "
            "machine: dask worker ADDRESS"
        ) from err
    versions = {str(v) for v in client.run(_version).values()}
    if versions - {__version__}:
        client.close()
        raise UsageError(
            f"the workers at {address} have Hubtack {', '.join(sorted(versions))}, this computer has {__version__}; "
            "install the same on all"
        )
    return client


def _version() -> str:
    return __version__


def clustered(function: Callable[[Item], Result], items: Iterable[Item], client: Any) -> Iterator[Done[Item, Result]]:
    """Over the cluster, in the order in which results are ready, each item's exactly once."""
    as_completed: Any = importlib.import_module("distributed").as_completed
    todo = iter(items)
    held: dict[str, Item] = {}  # by the future's key, so that no result can be counted twice
    number = 0

    def more() -> list[Any]:
        nonlocal number
        threads = max(1, sum(client.nthreads().values()))
        futures = []
        while len(held) < _AHEAD * threads:
            item = next(todo, None)
            if item is None:
                break
            number += 1
            future = client.submit(guarded, function, item, key=f"hubtack-{client.id}-{number}", pure=False)
            held[future.key] = item
            futures.append(future)
        return futures

    first = more()
    if not first:
        return
    ready = as_completed(first, loop=client.loop)
    for future in ready:
        item = held.pop(future.key, None)
        if item is None:
            continue
        result: Result | Broken
        if future.status == "finished":
            result = future.result()
        else:
            result = Broken(f"the cluster could not do it ({_why(future)})")
        future.release()
        yield Done(item, result)
        ready.update(more())


def _why(future: Any) -> str:
    try:
        err = future.exception()
    except Exception as failed:  # a cancelled future raises instead
        err = failed
    return f"{type(err).__name__}: {err}"
