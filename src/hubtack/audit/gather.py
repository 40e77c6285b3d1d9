"""All sessions of an audit: what a ledger knows already, and the rest from the logs, in a pool or on a cluster.

Workers get a task and give an account; only this side writes. What is done is in the ledger from then on, so an audit
that was interrupted goes on where it stopped.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from hubtack.audit.one import Outcome, run_task
from hubtack.audit.places import signature_of
from hubtack.audit.progress import Progress
from hubtack.fleet.account import SessionAccount
from hubtack.fleet.common_cause import common_cause
from hubtack.fleet.ledger import Ledger
from hubtack.fleet.overnight import overnight_findings, with_finding
from hubtack.fleet.plan import Place, Plan, Settings, Task, plan_place
from hubtack.fleet.pool import Broken, Done, cores, in_process, pooled
from hubtack.fleet.signal_trend import heard_of, high_of, sinking_signals, with_sinks
from hubtack.fleet.spool import Spool
from hubtack.fleet.totals import overlapping
from hubtack.logs.discover import SkippedFile

Item = TypeVar("Item")
Result = TypeVar("Result")
Over = Callable[[Callable[[Any], Any], Sequence[Any]], Iterator[Done[Any, Any]]]

SMALL_BYTES = 30_000_000  # below this, starting processes takes longer than reading
FLUSH_EVERY_S = 60.0  # what an interrupted audit loses at most, in time


@dataclass(slots=True)
class Gathered:
    """What an audit has brought up: accounts in the order of places and names, on disk; skipped files; notices."""

    spool: Spool = field(default_factory=Spool)
    skipped: list[SkippedFile] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    severities: set[str] = field(default_factory=set)
    shared: dict[str, SessionAccount] = field(default_factory=dict)
    reused: int = 0  # sessions that were in the ledger already

    @property
    def accounts(self) -> Sequence[SessionAccount]:
        """The accounts in order, one in memory at a time, with what is common to several machines marked."""
        return Accounts(self.spool, self.shared)

    def close(self) -> None:
        """Give the disk space back."""
        self.spool.close()


class Accounts(Sequence[SessionAccount]):
    """A spool with the findings and losses that a look over all machines has marked."""

    def __init__(self, spool: Spool, shared: Mapping[str, SessionAccount]) -> None:
        self._spool, self._shared = spool, shared

    def __len__(self) -> int:
        return len(self._spool)

    def __getitem__(self, index: Any) -> Any:
        if isinstance(index, slice):
            return [self._marked(a) for a in self._spool[index]]
        return self._marked(self._spool[index])

    def __iter__(self) -> Iterator[SessionAccount]:
        return (self._marked(account) for account in self._spool)

    def _marked(self, account: SessionAccount) -> SessionAccount:
        marked = self._shared.get(account.key)
        if marked is None:
            return account
        document = {**account.document, "findings": marked.document["findings"]}
        return replace(account, document=document, losses=marked.losses)


@dataclass(slots=True)
class _PlaceState:
    """A place under way: what is still to come of it."""

    number: int
    signature: str | None
    left: int = 0
    keys: list[str] = field(default_factory=list)
    skipped: list[SkippedFile] = field(default_factory=list)
    paths: list[str] = field(default_factory=list)
    whole: bool = True  # False where a task broke: look again next time


def gather(
    places: Sequence[Place],
    settings: Settings,
    *,
    ledger_url: str | None = None,
    jobs: int | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
) -> Gathered:
    """Audit every session in the places.

    Raises
    ------
    UsageError, SourceError
        If the ledger or the cluster cannot be used.
    """
    progress = progress or Progress(False)
    client = None
    if cluster is not None:
        from hubtack.fleet.cluster import connect

        client = connect(cluster)
        places = [replace(p, path=p.path.resolve(), top=p.top.resolve()) for p in places]
    ledger = Ledger.open(ledger_url) if ledger_url is not None else None
    work = _Work(places, settings, ledger, progress)
    try:
        work.plan(_over(_disk_bytes(places), jobs, client))
        work.run(_over(sum(task.size for task, _ in work.todo), jobs, client))
        work.finish()
    finally:
        try:
            if ledger is not None:
                ledger.close()
        finally:
            if client is not None:
                client.close()
    return work.gathered


def _over(total_bytes: int, jobs: int | None, client: Any) -> Over:
    """How to run a function over items: on the cluster, in a pool, or here where that is not worth it."""
    if client is not None:
        from hubtack.fleet.cluster import clustered

        return lambda function, items: clustered(function, items, client)
    n = jobs if jobs is not None else (cores() if total_bytes >= SMALL_BYTES else 1)
    if n <= 1:
        return in_process
    return lambda function, items: pooled(function, items, n) if len(items) > 1 else in_process(function, items)


def _disk_bytes(places: Iterable[Place]) -> int:
    total = 0
    for place in places:
        try:
            files = place.path.iterdir() if place.is_folder else [place.path]
            total += sum(p.stat().st_size for p in files if p.is_file())
        except OSError:
            continue
        if total >= SMALL_BYTES:
            break
    return total


@dataclass(slots=True)
class _Work:
    places: Sequence[Place]
    settings: Settings
    ledger: Ledger | None
    progress: Progress
    gathered: Gathered = field(default_factory=Gathered)
    states: list[_PlaceState] = field(default_factory=list)
    todo: list[tuple[Task, tuple[int, int]]] = field(default_factory=list)  # with place and number in it
    seen: dict[str, str] = field(default_factory=dict)  # key -> first file
    light: dict[tuple[int, ...], SessionAccount] = field(default_factory=dict)
    wanted: dict[str, tuple[int, ...]] = field(default_factory=dict)  # keys to load from the ledger

    def plan(self, over: Over) -> None:
        """Look into every place that has changed since the ledger was written."""
        self.states = [
            _PlaceState(i, signature_of(p, self.settings) if self.ledger else None) for i, p in enumerate(self.places)
        ]
        changed = [i for i in range(len(self.places)) if not self._from_ledger(i)]
        self.progress.start("looking", 0, len(changed))
        number_of = {self.places[i]: i for i in changed}
        for done in over(_Planner(self.settings), [self.places[i] for i in changed]):
            self.progress.advance(0)
            state = self.states[number_of[done.item]]
            if isinstance(done.result, Broken):
                state.whole = False
                state.skipped.append(SkippedFile(done.item.path, None, done.result.reason))
            else:
                self._take_plan(state, done.result)
            self._maybe_done(state)

    def _from_ledger(self, i: int) -> bool:
        state = self.states[i]
        known = self.ledger.place(state.signature) if self.ledger and state.signature else None
        if known is None:
            return False
        keys, skipped = known
        for n, key in enumerate(keys):
            self.wanted.setdefault(key, (i, n, 0))
            self.seen.setdefault(key, str(self.places[i].path))
        state.skipped.extend(skipped)
        self.gathered.reused += len(keys)
        return True

    def _take_plan(self, state: _PlaceState, plan: Plan) -> None:
        state.skipped.extend(plan.skipped)
        state.whole = state.whole and not any(s.offset is None for s in plan.skipped)
        for n, task in enumerate(plan.tasks):
            state.paths.extend(fact.path for fact in task.facts)
            first = task.facts[0].path
            if task.key in self.seen:
                # Every log that was named is a row; whether one is a copy, only a person can tell.
                self.gathered.notices.append(
                    f"{first}: the same content as {self.seen[task.key]}; both are counted. "
                    "If one log is a copy, take it out of the folder"
                )
                again = next(n for n in itertools.count(2) if f"{task.key}+{n}" not in self.seen)
                task = replace(task, key=f"{task.key}+{again}")
            self.seen[task.key] = first
            keys = self.ledger.sessions_of(task.key, task.settings_sha256, first) if self.ledger else []
            if keys:
                self.gathered.reused += len(keys)
                state.keys.extend(keys)
                self.wanted.update({key: (state.number, n, m) for m, key in enumerate(keys)})
            else:
                state.left += 1
                self.todo.append((task, (state.number, n)))

    def run(self, over: Over) -> None:
        """Audit what is not known; the largest first, so that no core waits long for the last one."""
        if self.ledger is not None and self.wanted:
            for account in self.ledger.load(list(self.wanted)):
                self._put(self.wanted[account.key], account)
        self.todo.sort(key=lambda pair: -pair[0].size)
        self.progress.start("reading", sum(task.size for task, _ in self.todo), len(self.todo))
        where = {task.key: place for task, place in self.todo}
        flushed_s = time.monotonic()
        for done in over(run_task, [task for task, _ in self.todo]):
            task: Task = done.item
            place = where[task.key]
            state = self.states[place[0]]
            self.progress.advance(task.size)
            state.left -= 1
            if isinstance(done.result, Broken):
                state.whole = False
                state.skipped.append(SkippedFile(Path(task.facts[0].path), None, done.result.reason))
            else:
                self._take_outcome(state, place, done.result)
            self._maybe_done(state)
            if self.ledger is not None and time.monotonic() - flushed_s > FLUSH_EVERY_S:
                self.ledger.flush()
                flushed_s = time.monotonic()

    def _take_outcome(self, state: _PlaceState, place: tuple[int, int], outcome: Outcome) -> None:
        state.skipped.extend(outcome.skipped)
        for m, account in enumerate(outcome.accounts):
            state.keys.append(account.key)
            self._put((*place, m), account)
            if self.ledger is not None:
                self.ledger.add(account)

    def _put(self, place: tuple[int, ...], account: SessionAccount) -> None:
        self.gathered.spool.put(place, account)
        document = {
            k: account.document.get(k)
            for k in ("name", "machine", "files", "start_utc", "end_utc", "epochs", "findings")
        }
        kept = {
            "stands": account.provenance.get("stands"),
            "heard": heard_of(account.document.get("link")),
            "high_cn0_dbhz": high_of(account.document),
        }
        self.light[place] = SessionAccount(account.key, document, losses=account.losses, provenance=kept)

    def _maybe_done(self, state: _PlaceState) -> None:
        if self.ledger is not None and state.signature is not None and not state.left and state.whole:
            place = str(self.places[state.number].path)
            self.ledger.add_place(state.signature, place, state.keys, state.skipped, state.paths)

    def finish(self) -> None:
        """What only all sessions together can tell."""
        light = [self.light[place] for place in sorted(self.light)]
        self.gathered.skipped = [s for state in self.states for s in state.skipped]
        for machine, one, other in overlapping(light):
            self.gathered.notices.append(
                f"{machine}: {one.document['name']} ({one.document['files'][0]}) and {other.document['name']} "
                f"({other.document['files'][0]}) overlap in time: two machines of one name, or one logged twice"
            )
        overnight, sinking = overnight_findings(light), sinking_signals(light)

        def told(account: SessionAccount) -> SessionAccount:
            return with_sinks(with_finding(account, overnight.get(account.key)), sinking.get(account.key, ()))

        for i, place in enumerate(sorted(self.light)):
            if told(light[i]) is light[i]:
                continue
            account = told(self.gathered.spool[i])
            self._put(place, account)
            light[i] = self.light[place]
            if self.ledger is not None:
                self.ledger.add(account)
        self.gathered.severities = {f["severity"] for a in light for f in a.document["findings"]}
        if len({a.document["machine"] for a in light}) > 1:
            self.gathered.shared = {a.key: a for a in common_cause(light)}


@dataclass(frozen=True, slots=True)
class _Planner:
    """``plan_place`` with its settings, as something that can be sent to a worker."""

    settings: Settings

    def __call__(self, place: Place) -> Plan:
        return plan_place(place, self.settings)
