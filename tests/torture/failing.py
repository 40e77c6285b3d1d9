"""Counts the I/O calls that touch a folder or a socket, and makes one of them fail in a chosen way.

Only calls below ``root`` count (and sockets), so that imports and the test's own files are left alone. What is patched is
what Python's own library calls: ``open`` and the file it gives, the functions of ``os``, and sockets. A serial port counts
where it is opened by a link below ``root``.
"""

from __future__ import annotations

import builtins
import contextlib
import errno
import io
import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from unittest import mock

WAYS: dict[str, tuple[str, ...]] = {
    "open": ("ENOENT", "EACCES", "EMFILE", "EIO"),
    "create": ("EACCES", "ENOSPC", "EROFS", "EMFILE"),
    "read": ("EIO", "short"),
    "write": ("ENOSPC", "EIO", "short"),
    "sync": ("EIO", "ENOSPC"),
    "rename": ("EACCES", "ENOSPC", "EIO"),
    "list": ("EACCES", "EIO", "ENOENT"),
    "make": ("EACCES", "ENOSPC"),
    "connect": ("ECONNREFUSED", "ENETUNREACH", "timeout"),
    "receive": ("ECONNRESET", "timeout", "end"),
    "bind": ("EADDRINUSE", "EACCES", "EADDRNOTAVAIL"),
    "device": ("EIO", "ENXIO", "end"),
}


def error(way: str) -> OSError:
    if way == "timeout":
        return TimeoutError(errno.ETIMEDOUT, os.strerror(errno.ETIMEDOUT))
    number = getattr(errno, way)
    return OSError(number, os.strerror(number))  # the subclass that fits, as the system call would raise it


class Io:
    """The I/O of one run: ``calls`` are (kind, what) in their order; call ``fail_at`` fails in the way ``way``."""

    def __init__(self, root: Path, fail_at: int | None = None, way: str = "") -> None:
        self.root = str(root)
        self.calls: list[tuple[str, str]] = []
        self._fail_at = fail_at
        self._way = way
        self._fds: dict[int, str] = {}

    def inside(self, path: object) -> bool:
        try:
            return os.fspath(path).startswith(self.root)  # type: ignore[arg-type, call-overload]
        except (TypeError, AttributeError):
            return False

    def step(self, kind: str, what: object) -> str | None:
        """Count a call; raises where it is its turn to fail, or returns a way that is no error ("short", "end")."""
        self.calls.append((kind, str(what)))
        if len(self.calls) - 1 != self._fail_at:
            return None
        if self._way in ("short", "end"):
            return self._way
        raise error(self._way)

    @contextlib.contextmanager
    def watching(self) -> Iterator[Io]:
        with contextlib.ExitStack() as stack:
            for target, name, replacement in self._patches():
                stack.enter_context(mock.patch.object(target, name, replacement))
            yield self

    def _patches(self) -> list[tuple[Any, str, Any]]:
        real_open, real_os_open, real_write, real_fsync = io.open, os.open, os.write, os.fsync
        real_connect, real_recv, real_bind = socket.create_connection, socket.socket.recv, socket.socket.bind
        real_read, real_close = os.read, os.close

        def opened(file: Any, mode: str = "r", *args: Any, **more: Any) -> Any:
            if not self.inside(file):
                return real_open(file, mode, *args, **more)
            self.step("open" if set(mode) <= set("rbtU") else "create", file)
            return CountedFile(real_open(file, mode, *args, **more), self, file) if "b" in mode and "r" in mode else (
                CountedWriter(real_open(file, mode, *args, **more), self, file)
            )  # fmt: skip

        def os_opened(path: Any, flags: int, *args: Any, **more: Any) -> int:
            if not self.inside(path):
                return real_os_open(path, flags, *args, **more)
            self.step("create" if flags & os.O_CREAT else "open", path)
            fd = real_os_open(path, flags, *args, **more)
            self._fds[fd] = str(path)
            return fd

        def written(fd: int, data: Any) -> int:
            if fd in self._fds and self.step("write", self._fds[fd]) == "short":
                return real_write(fd, bytes(data)[: max(1, len(data) // 2)])
            return real_write(fd, data)

        def synced(fd: int) -> None:
            if fd in self._fds:
                self.step("sync", self._fds[fd])
            real_fsync(fd)

        def by_path(real: Callable[..., Any], kind: str) -> Callable[..., Any]:
            def call(path: Any, *args: Any, **more: Any) -> Any:
                if self.inside(path):
                    self.step(kind, path)
                return real(path, *args, **more)

            return call

        def device_read(fd: int, n: int) -> bytes:
            if fd in self._fds and self.step("device", self._fds[fd]) == "end":
                return b""
            return real_read(fd, n)

        def closed(fd: int) -> None:
            self._fds.pop(fd, None)  # its number will be another's
            real_close(fd)

        def connected(*args: Any, **more: Any) -> Any:
            self.step("connect", args[0])
            return real_connect(*args, **more)

        io_self = self

        class Socket(socket.socket):
            def recv(self, *args: Any) -> bytes:
                way = io_self.step("receive", "socket")
                return b"" if way == "end" else real_recv(self, *args)

            def bind(self, *args: Any) -> None:
                if self.type == socket.SOCK_DGRAM:  # the servers of the scenes are streams
                    io_self.step("bind", "socket")
                real_bind(self, *args)

        return [
            (builtins, "open", opened), (io, "open", opened), (os, "open", os_opened), (os, "write", written),
            (os, "read", device_read), (os, "close", closed),
            (os, "fsync", synced), (os, "replace", by_path(os.replace, "rename")),
            (os, "rename", by_path(os.rename, "rename")), (os, "listdir", by_path(os.listdir, "list")),
            (os, "scandir", by_path(os.scandir, "list")), (os, "mkdir", by_path(os.mkdir, "make")),
            (socket, "create_connection", connected), (socket, "socket", Socket),
        ]  # fmt: skip


class CountedFile(io.RawIOBase):
    """A binary file for reading whose reads are counted."""

    def __init__(self, file: Any, owner: Io, name: object) -> None:
        self._file, self._owner, self.name = file, owner, name

    def _read(self, call: Callable[..., bytes], *args: Any) -> bytes:
        way = self._owner.step("read", self.name)
        data = call(*args)
        if way == "short" and len(data) > 1:
            self._file.seek(-(len(data) - len(data) // 2), 1)  # as a pipe or a network disk may give it
            return data[: len(data) // 2]
        return data

    def read(self, *args: Any) -> bytes:
        self._owner.step("read", self.name)  # a plain read is never short before the end of the file
        return bytes(self._file.read(*args))

    def read1(self, *args: Any) -> bytes:
        return self._read(self._file.read1, *args)

    def readinto(self, buffer: Any) -> int:
        self._owner.step("read", self.name)
        return int(self._file.readinto(buffer))

    def readline(self, *args: Any) -> bytes:
        return bytes(self._file.readline(*args))

    def peek(self, *args: Any) -> bytes:
        return bytes(self._file.peek(*args))

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def fileno(self) -> int:
        return int(self._file.fileno())

    def seek(self, *args: Any) -> int:
        return int(self._file.seek(*args))

    def tell(self) -> int:
        return int(self._file.tell())

    def close(self) -> None:
        self._file.close()
        super().close()


class CountedWriter:
    """A file for writing, or a text file, whose reads and writes are counted."""

    def __init__(self, file: Any, owner: Io, name: object) -> None:
        self._file, self._owner, self._name = file, owner, name

    def write(self, data: Any) -> Any:
        self._owner.step("write", self._name)
        return self._file.write(data)

    def read(self, *args: Any) -> Any:
        self._owner.step("read", self._name)
        return self._file.read(*args)

    def __iter__(self) -> Iterator[Any]:
        return iter(self._file)

    def __enter__(self) -> CountedWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)
