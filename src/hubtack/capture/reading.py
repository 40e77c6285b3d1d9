"""Reads a capture back: the same events, with the arrival times and numbers that they had."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from hubtack.capture import layout
from hubtack.errors import LogFormatError, SourceError
from hubtack.readers.chunk import Chunk, Event, Notice, SourceState
from hubtack.readers.clock import Clock, ScaledClock
from hubtack.safe import safe_text

MAX_DESCRIPTION = 1 << 20
BLOCK_BYTES = 1 << 20


def is_capture(path: Path) -> bool:
    """True for a folder that ``hubtack record`` made."""
    return (path / layout.DESCRIPTION).is_file()


@dataclass(frozen=True, slots=True)
class Description:
    """What ``capture.json`` says: when it began, and each source's label (never with a password)."""

    start_utc: str
    labels: Mapping[str, str]


def read_description(folder: Path) -> Description:
    """Raises ``LogFormatError`` where the folder is no capture, or one of a later format."""
    path = folder / layout.DESCRIPTION
    shown = safe_text(str(path))
    try:
        with path.open("rb") as file:
            found = json.loads(file.read(MAX_DESCRIPTION))
        kind = found["format"]
        labels = {str(name): str(about["label"]) for name, about in found["sources"].items()}
        start = str(found["start_utc"])
    except FileNotFoundError as err:
        raise LogFormatError(f"{safe_text(str(folder))}: no capture; {layout.DESCRIPTION} is missing") from err
    except OSError as err:
        raise SourceError(f"{shown}: cannot be read ({err.strerror})") from err
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as err:
        raise LogFormatError(f"{shown}: byte 0: not the description of a capture; expected {layout.FORMAT}") from err
    if kind != layout.FORMAT:
        raise LogFormatError(f"{shown}: format {safe_text(str(kind), 40)!r}; this version reads {layout.FORMAT}")
    return Description(start, labels)


@dataclass(slots=True)
class Losses:
    """What a capture lost when it was cut off: index lines that could not be read, bytes that no line speaks of."""

    bad_lines: int = 0
    missing_bytes: int = 0
    unindexed_bytes: int = 0


def iter_capture(folder: Path, losses: Losses | None = None) -> Iterator[Event]:
    """The events of a capture in the order of their numbers.

    Bytes behind the last line of an index (written, and the power failed before their line was) come as one last chunk
    of their source, with the arrival of the last event.
    """
    losses = Losses() if losses is None else losses
    read_description(folder)
    parts = sorted(folder.glob("index-*.csv"))
    if not parts:
        shown = safe_text(str(folder))
        raise LogFormatError(f"{shown}: a capture without an index; its .log files can be read one by one")
    for path in parts:
        yield from _iter_part(folder, path, losses)


def _iter_part(folder: Path, path: Path, losses: Losses) -> Iterator[Event]:
    part = int(path.stem.rpartition("-")[2]) if path.stem.rpartition("-")[2].isdigit() else 0
    files: dict[str, IO[bytes]] = {}
    ends: dict[str, int] = {}
    last: layout.Entry | None = None
    try:
        with path.open(encoding="utf-8", errors="replace", newline="\n") as index:
            for line in index:
                if line == layout.HEAD:
                    continue
                entry = layout.parse_line(line)
                if entry is None or "/" in entry.source or "\\" in entry.source:
                    losses.bad_lines += 1
                    continue
                last = entry
                if entry.what != layout.BYTES:
                    yield layout.notice_of(entry)
                    continue
                at, until = entry.offset, entry.offset + entry.length
                # In blocks: a damaged length must not ask for more memory than there is.
                while data := _read(folder, part, files, entry.source, at, min(until - at, BLOCK_BYTES)):
                    at += len(data)
                    yield Chunk(entry.source, data, entry.t_utc_ns, entry.t_mono_ns, entry.sequence)
                losses.missing_bytes += until - at
                if at > entry.offset:
                    ends[entry.source] = max(ends.get(entry.source, 0), at)
        for raw in sorted(folder.glob(f"*-{part:04d}.log")):
            source = raw.stem.rpartition("-")[0]
            utc, mono = (last.t_utc_ns, last.t_mono_ns) if last is not None else (None, None)
            at = ends.get(source, 0)
            while data := _read(folder, part, files, source, at, BLOCK_BYTES):
                at += len(data)
                losses.unindexed_bytes += len(data)
                yield Chunk(source, data, utc, mono)
    except OSError as err:
        raise SourceError(f"{safe_text(str(folder))}: cannot be read ({err.strerror})") from err
    finally:
        for file in files.values():
            file.close()


def _read(folder: Path, part: int, files: dict[str, IO[bytes]], source: str, offset: int, length: int) -> bytes:
    if source not in files:
        path = folder / layout.raw_name(source, part)
        if not path.is_file():
            return b""
        files[source] = path.open("rb")
    if offset >= os.fstat(files[source].fileno()).st_size:
        return b""  # asked first: to seek further than the file system has room is an error
    files[source].seek(offset)
    return files[source].read(length)


class CaptureClock(ScaledClock):
    """A clock that stands where the capture stood, and runs on from there at the speed of the replay."""

    def __init__(self, folder: Path, speed: float) -> None:
        first = next((event for event in iter_capture(folder) if event.t_mono_ns is not None), None)
        super().__init__(speed, first.t_mono_ns if first else None, first.t_utc_ns if first else None)


class CaptureReader:
    """Plays a capture back into a session: all its sources, in one, with their arrivals and numbers.

    ``clock`` None: as fast as it goes; else a ``CaptureClock``, by which each event is handed on when it is due.
    """

    def __init__(self, folder: Path, name: str = "capture", clock: Clock | None = None) -> None:
        self.name = name
        self.label = str(folder)
        self.losses = Losses()
        self._folder = folder
        self._clock = clock

    def check(self) -> None:
        """Raise ``LogFormatError`` or ``SourceError`` where the folder is no capture that can be read."""
        read_description(self._folder)

    def run(self, emit: Callable[[Event], None], stop: threading.Event) -> None:
        """Hand on every event, then say that each source has ended."""
        seen: dict[str, None] = {}
        state, message = SourceState.ENDED, "end of the capture"
        try:
            for event in iter_capture(self._folder, self.losses):
                seen[event.source] = None
                if self._clock is not None and event.t_mono_ns is not None:
                    while (wait_ns := event.t_mono_ns - self._clock.mono_ns()) > 0:
                        if self._clock.wait(stop, wait_ns * 1e-9):
                            return
                if stop.is_set():
                    return
                emit(event)
        except (SourceError, LogFormatError) as err:
            state, message = SourceState.REFUSED, str(err)
        for source in seen or {self.name: None}:
            emit(Notice(source, state, f"{self.label}: {message}"))
