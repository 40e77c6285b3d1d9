"""The ledger: Parquet files in a folder or any store that fsspec knows, which readers never see half written.

    FOLDER/sessions-20261104T080000-1a2b3c4d.parquet     one row a session
    FOLDER/findings-..., minutes-..., losses-..., bases-..., files-...   its findings, minutes, losses, bases, files
    FOLDER/places-....parquet                             what was found in which folder, for the next run

Each run adds batches. The sessions file is written last and makes its batch count; a batch without one is what an
interrupted run left, and is removed. Every file appears under its name whole: written beside it and renamed, or put in
one request on a store. A session that is audited again (changed limits, another version, a log that has grown) takes the
place of the old one: the new batch comes first, then the old rows go, so a reader sees a session once, for a moment twice,
never not at all.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import importlib
import io
import itertools
import json
import os
import uuid
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from hubtack.errors import SourceError, UsageError
from hubtack.fleet.account import SessionAccount
from hubtack.fleet.tables import COLUMNS, TABLES, Row, account_from, rows_of
from hubtack.logs.discover import SkippedFile
from hubtack.safe import safe_text

PLACES = {"signature": "text", "place": "text", "keys": "text", "skipped_json": "text"}
_BATCH_SESSIONS = 200
_BATCH_MINUTES = 300_000
_ORDER = ("findings", "minutes", "losses", "bases", "files", "sessions")  # the sessions make a batch count


@dataclass(frozen=True, slots=True)
class Known:
    """A session in the ledger: the batch that it lies in, the settings it was audited with, and its first file."""

    batch: str
    settings_sha256: str
    path: str | None


@dataclass(slots=True)
class Ledger:
    """A ledger open for reading and adding. ``now`` gives UTC for the rows' ``written_utc`` and the batches' names."""

    url: str
    now: Callable[[], dt.datetime] = field(default=lambda: dt.datetime.now(dt.UTC))
    known: dict[str, Known] = field(default_factory=dict)
    places: dict[str, tuple[tuple[str, ...], tuple[SkippedFile, ...]]] = field(default_factory=dict)
    _fs: Any = None
    _root: str = ""
    # By key, as Arrow tables, which take a tenth of the memory of lists; a session that comes again replaces itself.
    _pending: dict[str, dict[str, Any]] = field(default_factory=dict)
    _pending_keys: dict[str, Known] = field(default_factory=dict)
    _retired: set[str] = field(default_factory=set)
    _pending_places: list[Row] = field(default_factory=list)
    _minutes: int = 0
    _lock: int | None = None

    # Opening -------------------------------------------------------------------------------------------------------

    @classmethod
    def open(cls, url: str, *, writing: bool = True, now: Callable[[], dt.datetime] | None = None) -> Ledger:
        """Open the ledger at a folder or URL (``memory://name``, ``file:///path``, a store that fsspec has a driver for).

        Raises
        ------
        UsageError
            If the libraries are missing, or another audit is writing to it.
        SourceError
            If it cannot be read or made, or holds a newer schema.
        """
        ledger = cls(url) if now is None else cls(url, now)
        fsspec = _library("fsspec")
        _library("pyarrow")
        try:
            ledger._fs, ledger._root = fsspec.core.url_to_fs(url)
            if writing:
                ledger._fs.makedirs(ledger._root, exist_ok=True)
                ledger._take_lock()
            elif not ledger._fs.exists(ledger._root):
                raise SourceError(
                    f"{safe_text(url)}: no such ledger; hubtack audit PATH --ledger {safe_text(url)} makes it"
                )
            ledger._read_index(writing)
        except (OSError, ValueError, ImportError) as err:
            ledger.close()
            raise SourceError(f"{safe_text(url)}: the ledger cannot be opened: {err}") from err
        except BaseException:
            ledger.close()  # a lock that is left behind would shut out the next try in this process
            raise
        return ledger

    def _take_lock(self) -> None:
        """One writer at a time in a local folder; a store has no locks, so there the user must see to it."""
        if not self._is_local or not hasattr(os, "O_CLOEXEC"):
            return
        try:
            import fcntl
        except ImportError:  # not on this system
            return
        handle = os.open(os.path.join(self._root, ".lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(handle)
            raise UsageError(f"{safe_text(self.url)}: another audit is writing to this ledger; wait for it") from None
        self._lock = handle

    @property
    def _is_local(self) -> bool:
        return "file" in ((self._fs.protocol,) if isinstance(self._fs.protocol, str) else self._fs.protocol)

    def _read_index(self, writing: bool) -> None:
        batches = self._batches("sessions")
        doubled: dict[str, set[str]] = defaultdict(set)
        for batch in batches:
            table = self._read("sessions", batch, ["schema", "key", "settings_sha256"])
            paths: dict[str, str] = {}
            for row in self._read("files", batch, ["key", "path"]) if self._has("files", batch) else ():
                paths.setdefault(row["key"], row["path"])
            for row in table:
                if row["schema"] is None or not str(row["schema"]).startswith("hubtack-ledger/1"):
                    raise SourceError(
                        f"{safe_text(self.url)}: written as {safe_text(str(row['schema']))}; this version reads "
                        "hubtack-ledger/1: use a newer Hubtack, or another folder"
                    )
                if row["key"] in self.known:
                    doubled[self.known[row["key"]].batch].add(row["key"])
                self.known[row["key"]] = Known(batch, str(row["settings_sha256"]), paths.get(row["key"]))
        for batch in self._batches("places"):
            for row in self._read("places", batch, None):
                skipped = tuple(
                    SkippedFile(_path(s["path"]), s["offset"], s["reason"]) for s in json.loads(row["skipped_json"])
                )
                self.places[row["signature"]] = (tuple(json.loads(row["keys"])), skipped)
        if writing:
            self._clean(set(batches), doubled)

    def _clean(self, good: set[str], doubled: dict[str, set[str]]) -> None:
        """Finish what an interrupted run began: batches that never counted, and rows that had been replaced."""
        for table in TABLES:
            for batch in self._batches(table):
                if batch not in good:
                    self._remove(table, batch)
        for name in self._fs.ls(self._root, detail=False):
            if name.endswith(".part"):
                self._fs.rm(name)
        for batch, keys in doubled.items():
            self._drop(batch, keys)

    # Looking up ----------------------------------------------------------------------------------------------------

    def sessions_of(self, key: str, settings_sha256: str, path: str) -> list[str]:
        """Keys of the sessions that a task gave with just these settings and at this path; none if it must be read.

        A capture with gaps in it gives several, numbered behind its key.
        """
        keys = [key, *itertools.takewhile(lambda k: k in self.known, (f"{key}-{n}" for n in itertools.count(2)))]
        found = [self.known.get(k) for k in keys]
        same = all(k is not None and k.settings_sha256 == settings_sha256 and k.path == path for k in found)
        return keys if same else []

    def place(self, signature: str) -> tuple[tuple[str, ...], tuple[SkippedFile, ...]] | None:
        """What was found last time in a place that has not changed: keys of its sessions, and its skipped files."""
        found = self.places.get(signature)
        return found if found is not None and all(key in self.known for key in found[0]) else None

    def load(self, keys: Iterable[str]) -> Iterator[SessionAccount]:
        """The accounts of these keys, one batch in memory at a time; in the order of the batches."""
        by_batch: dict[str, set[str]] = defaultdict(set)
        for key in keys:
            by_batch[self.known[key].batch].add(key)
        for batch, wanted in sorted(by_batch.items()):
            tables = {name: self._table(name, batch) for name in ("sessions", "minutes", "losses", "bases")}
            for key in sorted(wanted):
                yield account_from({name: _only(table, {key}).to_pylist() for name, table in tables.items()})

    def accounts(self) -> Iterator[SessionAccount]:
        """Every account in the ledger."""
        return self.load(list(self.known))

    # Adding --------------------------------------------------------------------------------------------------------

    def add(self, account: SessionAccount) -> None:
        """Add a session; it is written with its batch, at the latest by ``flush``."""
        arrow = _library("pyarrow")
        self._pending[account.key] = {
            table: arrow.table(columns, schema=_schema(arrow, COLUMNS[table]))
            for table, columns in rows_of(account, self.now()).items()
        }  # fmt: skip
        files = account.provenance.get("files") or [{"path": None}]
        settings = str(account.provenance.get("settings_sha256"))
        self._pending_keys[account.key] = Known("", settings, files[0]["path"])
        self._minutes += len(account.minutes["minute_ns"])
        if len(self._pending) >= _BATCH_SESSIONS or self._minutes >= _BATCH_MINUTES:
            self.flush()

    def add_place(
        self, signature: str, place: str, keys: Sequence[str], skipped: Sequence[SkippedFile], paths: Iterable[str]
    ) -> None:
        """Note that all of a place has been audited, so that it is not looked into again while it stays as it is.

        ``keys`` are its sessions and ``paths`` all files in them: what the ledger holds of those files under other keys
        is of a log as it was before, and goes.
        """
        here = set(paths)
        self._retired.update(key for key, known in self.known.items() if known.path in here and key not in keys)
        rows = [{"path": str(s.path), "offset": s.offset, "reason": s.reason} for s in skipped]
        self._pending_places.append(
            {"signature": signature, "place": place, "keys": json.dumps(list(keys)), "skipped_json": json.dumps(rows)}
        )

    def flush(self) -> None:
        """Write what is pending; raises ``SourceError`` where the ledger cannot be written."""
        try:
            self._flush()
        except OSError as err:
            raise SourceError(f"{safe_text(self.url)}: the ledger cannot be written: {err}") from err

    def _flush(self) -> None:
        batch = f"{self.now():%Y%m%dT%H%M%S}-{uuid.uuid4().hex[:8]}"
        if self._pending:
            concat = _library("pyarrow").concat_tables
            for table in _ORDER:
                merged = concat([part[table] for part in self._pending.values()])
                if table == "sessions" or len(merged):
                    self._write(table, batch, merged)
            self._replace(batch)
            for key, known in self._pending_keys.items():
                self.known[key] = Known(batch, known.settings_sha256, known.path)
            self._pending, self._pending_keys, self._minutes = {}, {}, 0
        else:
            self._replace(batch)
        if self._pending_places:
            self._write_places(batch)

    def _replace(self, batch: str) -> None:
        """Take out what the new rows stand for: the same session, or sessions of a log as it was before."""
        old: dict[str, set[str]] = defaultdict(set)
        for key in [*self._pending_keys, *self._retired]:
            known = self.known.get(key)
            if known is not None and known.batch != batch:
                old[known.batch].add(key)
        for old_batch, keys in old.items():
            self._drop(old_batch, keys)
            for key in keys:
                del self.known[key]
        self._retired.clear()

    def _drop(self, batch: str, keys: set[str]) -> None:
        for table in _ORDER:
            if not self._has(table, batch):
                continue
            rows = _only(self._table(table, batch), keys, but=True)
            if len(rows):
                self._write(table, batch, rows)
            else:
                self._remove(table, batch)

    def _write_places(self, batch: str) -> None:
        """The places of this run join those before that still stand; one file, so that it stays small."""
        now = {row["place"] for row in self._pending_places}
        kept = [
            row
            for old in self._batches("places")
            for row in self._read("places", old, None)
            if row["place"] not in now and all(key in self.known for key in json.loads(row["keys"]))
        ]
        old_batches = self._batches("places")
        rows = [*kept, *self._pending_places]
        self._write("places", batch, _arrow(rows, PLACES))
        for old in old_batches:
            if old != batch:
                self._remove("places", old)
        self._pending_places = []

    def close(self) -> None:
        """Write what is pending and let other writers in."""
        try:
            self.flush()
        finally:
            if self._lock is not None:
                os.close(self._lock)
                self._lock = None

    def files(self, table: str) -> list[str]:
        """Names of a table's files that count, in the terms of the store."""
        good = set(self._batches("sessions"))
        return [self._name(table, batch) for batch in self._batches(table) if batch in good]

    def dataset(self, table: str, names: Sequence[str]) -> Any:
        """A table as a dataset of Arrow, which is read as it is asked for."""
        arrow, dataset = _library("pyarrow"), importlib.import_module("pyarrow.dataset")
        return dataset.dataset(
            list(names), filesystem=self._fs, format="parquet", schema=_schema(arrow, COLUMNS[table])
        )

    # Files ---------------------------------------------------------------------------------------------------------

    def _name(self, table: str, batch: str) -> str:
        return f"{self._root.rstrip('/')}/{table}-{batch}.parquet"

    def _has(self, table: str, batch: str) -> bool:
        return bool(self._fs.exists(self._name(table, batch)))

    def _batches(self, table: str) -> list[str]:
        self._fs.invalidate_cache()
        names = [str(name).rpartition("/")[2] for name in self._fs.ls(self._root, detail=False)]
        head = f"{table}-"
        return sorted(n[len(head) : -len(".parquet")] for n in names if n.startswith(head) and n.endswith(".parquet"))

    def _table(self, table: str, batch: str, columns: list[str] | None = None) -> Any:
        """A table of a batch as Arrow has it; empty where the batch has none."""
        if not self._has(table, batch):
            return _arrow([], COLUMNS[table])
        parquet = importlib.import_module("pyarrow.parquet")
        with self._fs.open(self._name(table, batch), "rb") as file:
            return parquet.read_table(file, columns=columns)

    def _read(self, table: str, batch: str, columns: list[str] | None) -> list[Row]:
        rows: list[Row] = self._table(table, batch, columns).to_pylist()
        return rows

    def _write(self, table: str, batch: str, rows: Any) -> None:
        buffer = io.BytesIO()
        importlib.import_module("pyarrow.parquet").write_table(rows, buffer, compression="zstd")
        self._put(self._name(table, batch), buffer.getvalue())

    def _put(self, name: str, data: bytes) -> None:
        if not self._is_local:
            self._fs.pipe_file(name, data)  # a store shows an object when all of it is there
            return
        part = f"{name}.part"
        with open(part, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, name)

    def _remove(self, table: str, batch: str) -> None:
        with contextlib.suppress(FileNotFoundError):
            self._fs.rm(self._name(table, batch))


def _only(table: Any, keys: set[str], *, but: bool = False) -> Any:
    """The rows of these keys, or all ``but`` theirs; in Arrow, so that a batch takes little memory."""
    arrow, compute = _library("pyarrow"), importlib.import_module("pyarrow.compute")
    picked = compute.is_in(table["key"], value_set=arrow.array(sorted(keys), arrow.string()))
    return table.filter(compute.invert(picked) if but else picked)


def _arrow(rows: Sequence[Row], kinds: Mapping[str, str]) -> Any:
    arrow = _library("pyarrow")
    columns = {name: [row.get(name) for row in rows] for name in kinds}
    return arrow.table(columns, schema=_schema(arrow, kinds))


def _schema(arrow: Any, kinds: Mapping[str, str]) -> Any:
    types = {
        "text": arrow.string(), "real": arrow.float64(), "int": arrow.int64(), "bool": arrow.bool_(),
        "time": arrow.timestamp("ms", tz="UTC"),
    }  # fmt: skip
    return arrow.schema([(name, types[kind]) for name, kind in kinds.items()])


def _path(text: str) -> Any:
    from pathlib import Path

    return Path(text)


def _library(name: str) -> Any:
    try:
        return importlib.import_module(name)
    except ImportError:
        raise UsageError(f"--ledger needs {name}: pip install 'hubtack[fleet]'") from None
