"""Writes a capture: byte for byte, never over anything, on disk within a second, and whole when the disk is full."""

from __future__ import annotations

import contextlib
import datetime
import errno
import json
import os
from collections.abc import Mapping
from pathlib import Path

from hubtack import __version__
from hubtack.capture import layout
from hubtack.errors import SourceError, UsageError
from hubtack.readers.chunk import Chunk, Event
from hubtack.readers.clock import Clock, RealClock
from hubtack.safe import safe_text

SYNC_EVERY_NS = 1_000_000_000
DAY_NS = 86_400 * 1_000_000_000
_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


class DiskFull(SourceError):
    """The disk took no more; what was written before is kept and whole."""


class CaptureWriter:
    """One capture being written.

    Bytes go to the source's file first and to the index second, so an index never speaks of bytes that are not there.
    A new part begins when the files of a part reach ``split_bytes`` together, or at midnight UTC (``split_daily``).

    Raises
    ------
    UsageError
        The folder exists and is not empty, or cannot be made.
    """

    def __init__(
        self,
        folder: Path,
        sources: Mapping[str, str],
        *,
        site_text: str | None = None,
        split_bytes: int = 1_000_000_000,
        split_daily: bool = True,
        clock: Clock | None = None,
    ) -> None:
        self.folder = folder
        self.bytes_written = 0
        self.bytes_by_source: dict[str, int] = dict.fromkeys(sources, 0)
        self.part = 0
        self._clock: Clock = clock or RealClock()
        self._split_bytes = split_bytes
        self._split_daily = split_daily
        self._raw: dict[str, int] = {}
        self._sizes: dict[str, int] = {}
        self._index = -1
        self._index_size = 0
        self._day = 0
        self._synced_ns = self._clock.mono_ns()
        self._dirty = False
        self.closed = False
        self._make_folder()
        start_ns = self._clock.utc_ns()
        start = datetime.datetime.fromtimestamp(start_ns / 1e9, datetime.UTC)
        text = json.dumps({
            "format": layout.FORMAT,
            "program": f"hubtack {__version__}",
            "start_utc": start.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "sources": {name: {"label": safe_text(label, 400)} for name, label in sources.items()},
        }, indent=2)
        self._write_whole(layout.DESCRIPTION, text + "\n")
        if site_text is not None:
            self._write_whole("site.toml", site_text)
        try:
            self._begin_part(start_ns)
        except OSError as err:
            raise self._stop_full(err) from err

    # Opening ---------------------------------------------------------------------------------------------------------

    def _make_folder(self) -> None:
        shown = safe_text(str(self.folder))
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            if any(self.folder.iterdir()):
                raise UsageError(f"{shown}: is not empty; a capture never overwrites anything: name another folder")
        except FileExistsError as err:
            raise UsageError(f"{shown}: is a file; name a folder for the capture") from err
        except OSError as err:
            raise UsageError(f"{shown}: cannot make the folder ({err.strerror})") from err

    def _create(self, name: str) -> int:
        path = self.folder / name
        try:
            fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o600)
        except OSError as err:
            if err.errno in _FULL:
                raise self._full(err) from err
            raise SourceError(f"{safe_text(str(path))}: cannot write ({err.strerror})", retry=False) from err
        self._sync_folder()
        return fd

    def _sync_folder(self) -> None:
        # A new name is safe from a power cut only once its folder is on disk.
        if os.name != "posix":
            return
        with contextlib.suppress(OSError):
            fd = os.open(self.folder, os.O_RDONLY)
            try:
                os.fsync(fd)
            finally:
                os.close(fd)

    def _write_whole(self, name: str, text: str) -> None:
        fd = self._create(name)
        try:
            _write_all(fd, text.encode("utf-8"))
            os.fsync(fd)
        except OSError as err:
            raise self._full(err) from err
        finally:
            os.close(fd)

    def _begin_part(self, utc_ns: int) -> None:
        self._close_files()
        self.part += 1
        self._day = utc_ns // DAY_NS
        self._raw, self._sizes = {}, {}
        self._index = self._create(layout.index_name(self.part))
        self._index_size = 0
        self._put_index(layout.HEAD)

    # Writing ---------------------------------------------------------------------------------------------------------

    def write(self, event: Event) -> None:
        """Keep one event.

        Raises
        ------
        DiskFull
            The event is not in the capture; all before it are. The writer is closed.
        """
        utc_ns = event.t_utc_ns if event.t_utc_ns is not None else self._clock.utc_ns()
        try:
            if self._wants_new_part(event, utc_ns):
                self._begin_part(utc_ns)
            offset = 0
            if isinstance(event, Chunk):
                offset = self._put_raw(event.source, event.data)
            try:
                self._put_index(layout.to_line(layout.entry_of(event, offset)))
            except OSError:
                if isinstance(event, Chunk):
                    self._cut(self._raw[event.source], offset)
                raise
        except OSError as err:
            raise self._stop_full(err) from err
        except SourceError:
            self.close()
            raise
        if isinstance(event, Chunk):
            self.bytes_written += len(event.data)
            self.bytes_by_source[event.source] = self.bytes_by_source.get(event.source, 0) + len(event.data)
        self._dirty = True
        self.sync_if_due()

    def _wants_new_part(self, event: Event, utc_ns: int) -> bool:
        if not self._sizes:
            return False
        if self._split_daily and utc_ns // DAY_NS > self._day:
            return True
        size = len(event.data) if isinstance(event, Chunk) else 0
        return sum(self._sizes.values()) + size > self._split_bytes

    def _put_raw(self, source: str, data: bytes) -> int:
        if source not in self._raw:
            self._raw[source] = self._create(layout.raw_name(source, self.part))
            self._sizes[source] = 0
        offset = self._sizes[source]
        try:
            _write_all(self._raw[source], data)
        except OSError:
            self._cut(self._raw[source], offset)
            raise
        self._sizes[source] = offset + len(data)
        return offset

    def _put_index(self, line: str) -> None:
        raw = line.encode("utf-8")
        try:
            _write_all(self._index, raw)
        except OSError:
            self._cut(self._index, self._index_size)
            raise
        self._index_size += len(raw)

    @staticmethod
    def _cut(fd: int, size: int) -> None:
        with contextlib.suppress(OSError):
            os.ftruncate(fd, size)

    def sync_if_due(self) -> None:
        """Put everything on disk where a second has passed since the last time; call it when nothing arrives, too."""
        if self._dirty and self._clock.mono_ns() - self._synced_ns >= SYNC_EVERY_NS:
            try:
                self.sync()
                self._check_names()
            except OSError as err:
                raise self._stop_full(err) from err

    def _check_names(self) -> None:
        """Files that were removed while they are open take bytes as before, and nobody will ever read them."""
        for fd in (*self._raw.values(), self._index):
            if fd >= 0 and not os.fstat(fd).st_nlink:
                raise OSError(errno.ENOENT, "its files are gone: somebody removed them")

    def sync(self) -> None:
        """Put everything on disk: bytes first, then the index that speaks of them."""
        for fd in self._raw.values():
            os.fsync(fd)
        if self._index >= 0:
            os.fsync(self._index)
        self._synced_ns = self._clock.mono_ns()
        self._dirty = False

    # End -------------------------------------------------------------------------------------------------------------

    def _full(self, err: OSError) -> DiskFull:
        shown = safe_text(str(self.folder))
        if err.errno == errno.ENOENT:
            return DiskFull(f"recording stopped: {shown}: {err.strerror}. Start a new recording", retry=False)
        what = "the disk is full" if err.errno in _FULL else f"the disk refuses ({err.strerror})"
        kept = f"{self.bytes_written} bytes are kept in {shown}"
        return DiskFull(f"recording stopped: {what}; {kept}. Make room and start a new recording", retry=False)

    def _stop_full(self, err: OSError) -> DiskFull:
        with contextlib.suppress(OSError):
            self.close()
        return self._full(err)

    def _close_files(self) -> None:
        with contextlib.suppress(OSError):
            self.sync()
        for fd in (*self._raw.values(), self._index):
            if fd >= 0:
                with contextlib.suppress(OSError):
                    os.close(fd)
        self._raw, self._index = {}, -1

    def close(self) -> None:
        """Put everything on disk and let go of the files; may be called twice."""
        if not self.closed:
            self.closed = True
            self._close_files()
            self._sync_folder()

    def __enter__(self) -> CaptureWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _write_all(fd: int, data: bytes) -> None:
    """All of ``data``, however often the system takes only a part of it."""
    view = memoryview(data)
    while view:
        view = view[os.write(fd, view) :]
