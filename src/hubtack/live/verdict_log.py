"""The verdict log: what a screen showed, written down when it showed it, so that it can be held against the data later.

JSON lines, each with the SHA-256 of the line before it: a line changed, taken out or put in afterwards breaks the
chain from there on. The log is evidence and never a gate: where it cannot be written, the screen says so and goes on.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import hubtack

if sys.platform != "win32":  # there a file has one writer at a time by itself
    import fcntl

FILE_NAME = "verdicts.jsonl"
SAY_AGAIN_S = 60.0  # a verdict that stays is written again after this long
HOLDS_FOR_S = 90.0  # so a line speaks for this long at the most; after that nothing was shown
FIRST = "0" * 64
_TAIL = 65_536


@dataclass(slots=True)
class VerdictLog:
    """Writer of one verdict log; ``now`` gives this computer's UTC, since the moment of showing is what is recorded.

    ``failed`` is None, or what went wrong with the last line in one sentence.
    """

    path: Path
    site_sha256: str | None = None
    machine: str | None = None
    now: Callable[[], dt.datetime] = field(default=lambda: dt.datetime.now(dt.UTC))
    failed: str | None = None
    _last: tuple[object, ...] | None = None
    _last_at: dt.datetime | None = None

    def show(self, document: Mapping[str, Any]) -> None:
        """Note what is being shown, a document of kind ``watch`` or ``ready``, where it is new or a minute old."""
        key = (document["verdict"], tuple(document["reasons"]), document["tolerance_95_m"]["vertical"])
        now = self.now()
        fresh = self._last_at is not None and abs((now - self._last_at).total_seconds()) < SAY_AGAIN_S
        if key == self._last and fresh:
            return
        body = {
            "shown_utc": now.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "utc": document["utc"],
            "verdict": document["verdict"],
            "reasons": list(document["reasons"]),
            "tolerance_95_m": dict(document["tolerance_95_m"]),
            "clearance_m": document["clearance_m"],
            "checked": document["checked"],
            "machine": self.machine,
            "version": hubtack.__version__,
            "site_sha256": self.site_sha256,
        }
        self.append(body)
        self._last, self._last_at = key, now

    def note(self, event: str, **details: object) -> None:
        """Write down what a person did: a base confirmed with a key, say."""
        now = self.now().isoformat(timespec="milliseconds").replace("+00:00", "Z")
        self.append({"shown_utc": now, "event": event, **details, "machine": self.machine})

    def append(self, body: Mapping[str, object]) -> None:
        """Write one line at the end of the chain, whoever else writes to the file meanwhile."""
        try:
            with _locked(self.path) as handle:
                prev = _last_line_hash(handle)
                line = json.dumps({**body, "prev": prev}, allow_nan=False, ensure_ascii=True)
                os.lseek(handle, 0, os.SEEK_END)
                _write_all(handle, line.encode() + b"\n")
                os.fsync(handle)
            self.failed = None
        except OSError as err:
            self.failed = f"{self.path}: the verdict log cannot be written: {err.strerror}"


@contextlib.contextmanager
def _locked(path: Path) -> Iterator[int]:
    """The file, open for reading and writing and locked against other writers; private, since it tells places' times."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        if sys.platform != "win32":
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield handle
    finally:
        os.close(handle)


def _last_line_hash(handle: int) -> str:
    """Hash of the last line; a line that a loss of power cut short is ended first, and is part of the chain as it is."""
    size = os.lseek(handle, 0, os.SEEK_END)
    if size == 0:
        return FIRST
    os.lseek(handle, max(0, size - _TAIL), os.SEEK_SET)
    tail = os.read(handle, _TAIL)
    if not tail.endswith(b"\n"):
        os.lseek(handle, 0, os.SEEK_END)
        _write_all(handle, b"\n")
    else:
        tail = tail[:-1]
    return hashlib.sha256(tail.rpartition(b"\n")[2]).hexdigest()


def _write_all(handle: int, data: bytes) -> None:
    while data:
        data = data[os.write(handle, data) :]


@dataclass(frozen=True, slots=True)
class Shown:
    """What a verdict log says was shown. Times without a line for a minute and a half were not shown.

    ``broken_at`` is the number (from 1) of the first line that does not follow from the one before, None if all do.
    """

    grade_s: float
    rough_s: float
    hold_s: float
    from_utc: str | None
    to_utc: str | None
    lines: int
    broken_at: int | None


def read_verdict_log(path: Path, start_utc: str | None = None, end_utc: str | None = None) -> Shown:
    """Add up a verdict log, optionally only what was shown from ``start_utc`` to ``end_utc`` (ISO 8601, UTC).

    A line that is damaged, or whose hash of the line before does not fit, is reported and what can be read is used.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    low, high = _time(start_utc), _time(end_utc)
    seconds = dict.fromkeys(("GRADE", "ROUGH", "HOLD"), 0.0)
    prev, broken_at, count = FIRST, None, 0
    before: tuple[dt.datetime, str] | None = None
    first = last = None
    with path.open("rb") as stream:
        for count, raw in enumerate(stream, start=1):
            line = raw.removesuffix(b"\n")
            try:
                record = json.loads(line)
                at = _time(record["shown_utc"])
                chained = record["prev"] == prev
                verdict = str(record.get("verdict"))
            except (ValueError, KeyError, TypeError, RecursionError):
                record, at, chained, verdict = {}, None, False, None
            if not chained and broken_at is None:
                broken_at = count
            prev = hashlib.sha256(line).hexdigest()
            if at is None or verdict not in seconds:
                continue
            if before is not None:
                seconds[before[1]] += _overlap(before[0], at, low, high)
            before = (at, verdict)
            first, last = first or at, at
    return Shown(
        seconds["GRADE"], seconds["ROUGH"], seconds["HOLD"], _iso(first), _iso(last), count, broken_at
    )  # fmt: skip


def _overlap(start: dt.datetime, end: dt.datetime, low: dt.datetime | None, high: dt.datetime | None) -> float:
    end = min(end, start + dt.timedelta(seconds=HOLDS_FOR_S), high or end)
    return max(0.0, (end - max(start, low or start)).total_seconds())


def _time(text: object) -> dt.datetime | None:
    if not isinstance(text, str):
        return None
    try:
        at = dt.datetime.fromisoformat(text)
    except ValueError:
        return None
    if not 1980 <= at.year < 9000:  # before GPS, or so late that nothing can be added to it: damage
        return None
    return at if at.tzinfo is not None else at.replace(tzinfo=dt.UTC)


def _iso(at: dt.datetime | None) -> str | None:
    return None if at is None else at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
