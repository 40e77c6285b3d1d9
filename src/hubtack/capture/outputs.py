"""Where a replay goes: a file, a TCP port, a pseudo-terminal, a caster's mount point."""

from __future__ import annotations

import contextlib
import os
import threading
from pathlib import Path
from typing import Protocol

from hubtack.capture.serving import Caster, MountPoint, Server, mount_record
from hubtack.errors import SourceError, UsageError
from hubtack.readers.urls import parse_source
from hubtack.safe import safe_text
from hubtack.secret import Secret

FORMS = "tcp://127.0.0.1:5017, ntrip://127.0.0.1:2101/MOUNT, pty:, pty:LINK or a new file"


class Output(Protocol):
    """Takes the bytes of one source. ``where`` says how to reach it; ``ready`` is set once somebody listens."""

    where: str
    ready: threading.Event

    def write(self, data: bytes) -> None: ...

    def close(self) -> None: ...


class FileOutput:
    """A new file; an old one is never overwritten."""

    def __init__(self, path: Path) -> None:
        self.where = str(path)
        self.ready = threading.Event()
        self.ready.set()
        try:
            self._file = path.open("xb")
        except FileExistsError as err:
            raise UsageError(f"{safe_text(str(path))}: is there already, and nothing is overwritten") from err
        except OSError as err:
            raise UsageError(f"{safe_text(str(path))}: cannot write ({err.strerror})") from err

    def write(self, data: bytes) -> None:
        try:
            self._file.write(data)
            self._file.flush()
        except OSError as err:
            raise SourceError(f"{safe_text(self.where)}: cannot write ({err.strerror})", retry=False) from err

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._file.close()


class ServerOutput:
    """A TCP port or a caster."""

    def __init__(self, server: Server, where: str) -> None:
        self.where = where
        self.server = server
        self.ready = server.connected

    def write(self, data: bytes) -> None:
        self.server.publish(data)

    def close(self) -> None:
        self.server.close()


class PtyOutput:
    """A pseudo-terminal: to another program it is a serial port. Bytes that nobody reads are lost, as on a wire."""

    def __init__(self, link: Path | None) -> None:
        if os.name != "posix":
            raise UsageError("pty: pseudo-terminals are there on Linux and macOS only; use tcp://")
        import pty
        import tty

        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        name = os.ttyname(self._theirs)
        self._link = link
        if link is not None:
            try:
                link.symlink_to(name)
            except OSError as err:
                raise UsageError(f"{safe_text(str(link))}: cannot make the link ({err.strerror})") from err
        self.where = f"serial://{link.absolute() if link is not None else name}"
        self.ready = threading.Event()
        self.ready.set()  # whether a program has the other end open cannot be told
        self.lost = 0

    def write(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            try:
                view = view[os.write(self._ours, view) :]
            except BlockingIOError:
                self.lost += len(view)
                return

    def close(self) -> None:
        for fd in (self._ours, self._theirs):
            with contextlib.suppress(OSError):
                os.close(fd)
        if self._link is not None:
            with contextlib.suppress(OSError):
                self._link.unlink()


def open_output(text: str, *, password: Secret | None = None) -> Output:
    """The output that ``text`` names.

    Raises
    ------
    UsageError
        A wrong form, or a file that is there already.
    SourceError
        A port that is in use.
    """
    if text == "pty:" or text.startswith("pty:"):
        rest = text.removeprefix("pty:")
        return PtyOutput(Path(rest) if rest else None)
    bare, _, query = text.partition("?")
    if query not in ("", "needs_position"):
        raise UsageError(f"--to {text}: {query!r} is not known; only ?needs_position, for a caster")
    spec = parse_source(bare if bare.startswith("ntrip") else text)
    if spec.kind == "tcp":
        server = Server(spec.host, spec.port)
        return ServerOutput(server, f"tcp://{spec.host}:{server.port}")
    if spec.kind == "ntrip":
        if not spec.mount:
            raise UsageError(f"--to {spec.label}: name the mount point: ntrip://127.0.0.1:2101/MOUNT")
        if spec.tls:
            raise UsageError(f"--to {spec.label}: the replay's caster speaks no TLS; write ntrip://")
        secret = (spec.password or password) if spec.user else None
        if spec.user and secret is None:
            raise UsageError(f"--to {spec.label}: set HUBTACK_PASSWORD to the password that the caster shall ask for")
        needs = query == "needs_position"
        mount = MountPoint(
            spec.mount, mount_record(spec.mount, needs_position=needs, login=secret is not None), needs_position=needs
        )
        caster = Caster(spec.host, spec.port, mount, user=spec.user, password=secret)
        login = f"{spec.user}@" if spec.user else ""
        return ServerOutput(caster, f"ntrip://{login}{spec.host}:{caster.port}/{spec.mount}")
    if spec.kind == "file":
        return FileOutput(Path(spec.path))
    raise UsageError(f"--to {spec.label}: a replay goes to {FORMS}")
