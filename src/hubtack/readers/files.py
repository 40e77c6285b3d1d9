"""Logs on disk and standard input. What a file is packed with is found by looking inside, not by its name."""

from __future__ import annotations

import bz2
import gzip
import lzma
import os
import select
import sys
import threading
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO, cast

from hubtack.errors import SourceError
from hubtack.readers.base import POLL_S, READ_SIZE, Emit
from hubtack.readers.chunk import Chunk, Notice, SourceState
from hubtack.readers.clock import Clock, RealClock
from hubtack.readers.pacing import Pace, PacedLog, TimeMarks

BLOCK = 1 << 20
_MAGIC = ((b"\x1f\x8b", "gzip"), (b"BZh", "bzip2"), (b"\xfd7zXZ\x00", "xz"))
_BROKEN = (OSError, EOFError, zlib.error, lzma.LZMAError)


def packing(head: bytes) -> str | None:
    """``"gzip"``, ``"bzip2"``, ``"xz"`` or None (plain), by the first six bytes of a file."""
    for magic, name in _MAGIC:
        if head.startswith(magic):
            return name
    return None


def open_bytes(path: str | os.PathLike[str]) -> IO[bytes]:
    """The bytes of a log, unpacked on the way.

    Raises
    ------
    SourceError
        The file is missing, a folder, empty, a device, or may not be read.
    """
    shown = str(path)
    try:
        if os.path.isdir(path):
            raise SourceError(f"{shown}: is a folder, not a log; name a file in it")
        raw = open(path, "rb")  # noqa: SIM115 - handed on to the caller
        head = raw.peek(6)[:6]
    except SourceError:
        raise
    except FileNotFoundError as err:
        raise SourceError(f"{shown}: no such file{_near(path)}") from err
    except PermissionError as err:
        raise SourceError(f"{shown}: no permission to read it; ask its owner, or copy it") from err
    except (OSError, ValueError) as err:
        raise SourceError(f"{shown}: cannot be read ({getattr(err, 'strerror', None) or err})") from err
    if not head:
        raw.close()
        raise SourceError(f"{shown}: the file is empty")
    kind = packing(head)
    if kind == "gzip":
        return cast(IO[bytes], gzip.GzipFile(fileobj=raw))
    if kind == "bzip2":
        return bz2.BZ2File(raw)
    if kind == "xz":
        return lzma.LZMAFile(raw)
    return raw


def iter_log(path: str | os.PathLike[str], block: int = BLOCK) -> Iterator[bytes]:
    """The unpacked log in blocks; a damaged archive gives all that can be unpacked, then ``SourceError``."""
    with open_bytes(path) as file:
        offset = 0
        while True:
            try:
                data = file.read1(block) if hasattr(file, "read1") else file.read(block)
            except _BROKEN as err:
                raise SourceError(
                    f"{path}: damaged after {offset} unpacked bytes ({str(err) or type(err).__name__}); what came "
                    "before it was read", retry=False,
                ) from err
            if not data:
                return
            offset += len(data)
            yield data


def _near(path: str | os.PathLike[str]) -> str:
    import difflib

    wanted = Path(path)
    try:
        names = os.listdir(wanted.parent)
    except OSError:
        return f" (and no folder {wanted.parent})"
    near = difflib.get_close_matches(wanted.name, names, 1, 0.75)
    return f"; did you mean {near[0]}?" if near else ""


class FileReader:
    """A log, as fast as it goes (no arrival times) or at its own pace (arrival by the pace's clock, no wall clock)."""

    def __init__(self, path: str, name: str, pace: Pace | None = None) -> None:
        self.name = name
        self.label = path
        self._path = path
        self._pace = pace

    def check(self) -> None:
        """Raise ``SourceError`` where the file cannot be read."""
        open_bytes(self._path).close()

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Hand on the whole file, then say that it has ended."""
        state, message = SourceState.ENDED, f"{self.label}: end of the file"
        try:
            emit(Notice(self.name, SourceState.OPENED, f"{self.label} is open"))
            if self._pace is None:
                for data in iter_log(self._path):
                    if stop.is_set():
                        return
                    emit(Chunk(self.name, data))
            else:
                self._run_paced(self._pace, emit, stop)
        except SourceError as err:
            state, message = SourceState.REFUSED, str(err)
        if not stop.is_set():
            emit(Notice(self.name, state, message))

    def _run_paced(self, pace: Pace, emit: Emit, stop: threading.Event) -> None:
        clock, marks, way = pace.clock, TimeMarks(), PacedLog(pace)
        due_ns = clock.mono_ns()

        def play(pieces: list[tuple[float | None, bytes]]) -> None:
            nonlocal due_ns
            for tod_s, data in pieces:
                if tod_s is not None:
                    due_ns = way.due_ns(tod_s)
                    # A hand-moved clock may wake us early; a stopped one must not trap us.
                    while (wait_ns := due_ns - clock.mono_ns()) > 0:
                        if clock.wait(stop, wait_ns * 1e-9):
                            return
                if stop.is_set():
                    return
                emit(Chunk(self.name, data, None, clock.mono_ns()))

        for data in iter_log(self._path, READ_SIZE):
            play(marks.feed(data))
            if stop.is_set():
                return
        play(marks.feed(b"", end=True))


class StdinReader:
    """Standard input, as it comes."""

    label = "standard input"

    def __init__(self, name: str, clock: Clock | None = None, file: IO[bytes] | None = None) -> None:
        self.name = name
        self._clock: Clock = clock or RealClock()
        self._file = file

    def check(self) -> None:
        """Raise ``SourceError`` where nothing is connected to standard input."""
        file = self._file or sys.stdin.buffer
        if file.isatty():
            raise SourceError("standard input is the keyboard; pipe a log or a stream into it, or name a source")

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Hand on what comes until the end of it."""
        fd = (self._file or sys.stdin.buffer).fileno()
        emit(self._notice(SourceState.OPENED, "standard input is open"))
        while not stop.is_set():
            try:
                if os.name != "nt" and not select.select([fd], [], [], POLL_S)[0]:
                    continue
                data = os.read(fd, READ_SIZE)
            except (OSError, ValueError) as err:
                emit(self._notice(SourceState.REFUSED, f"standard input: {err}"))
                return
            if not data:
                emit(self._notice(SourceState.ENDED, "standard input: end of the input"))
                return
            emit(Chunk(self.name, data, self._clock.utc_ns(), self._clock.mono_ns()))

    def _notice(self, state: SourceState, message: str) -> Notice:
        return Notice(self.name, state, message, None, self._clock.utc_ns(), self._clock.mono_ns())
