"""Hands the correction stream on to a serial port or a TCP address: unchanged, soon, and never in the reader's way.

Corrections that are late are worth nothing, so what has waited longer than ``MAX_AGE_S`` is dropped, oldest first. A
dead or slow receiver costs its own bytes only. Where the port feeds a radio transmitter, the licence for frequency,
power and place is the user's; commands say so.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections import deque
from typing import TYPE_CHECKING, Protocol

from hubtack.errors import SourceError, UsageError
from hubtack.readers.network import connect_tcp
from hubtack.readers.urls import SourceSpec, parse_source

if TYPE_CHECKING:
    import serial

MAX_AGE_S = 2.0
MAX_BYTES = 65_536
PIECE = 256
RETRY_S = 2.0
DRIVER_BYTES = 512  # at 9600 baud half a second of backlog in the driver
LICENCE = (
    "where this port feeds a radio transmitter: frequency, power and antenna need a licence in most countries, and two "
    "transmitters on one channel silence both; switch the failed one off first"
)


class _Sink(Protocol):
    def write(self, data: bytes, deadline_s: float) -> int: ...

    def close(self) -> None: ...


class _TcpSink:
    def __init__(self, spec: SourceSpec) -> None:
        self._sock = connect_tcp(spec.host, spec.port, timeout_s=5.0)
        self._sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        # A small buffer in the system, or seconds of old corrections would wait there where nobody can drop them.
        self._sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 8192)

    def write(self, data: bytes, deadline_s: float) -> int:
        self._sock.settimeout(max(0.01, deadline_s - time.monotonic()))
        try:
            return self._sock.send(data)
        except TimeoutError:
            return 0

    def close(self) -> None:
        self._sock.close()


class _SerialSink:
    def __init__(self, spec: SourceSpec) -> None:
        from hubtack.readers.serial_port import open_port

        self._port: serial.Serial = open_port(spec, write_timeout_s=1.0)

    def write(self, data: bytes, deadline_s: float) -> int:
        import serial

        while self._waiting() > DRIVER_BYTES:
            if time.monotonic() > deadline_s:
                return 0
            time.sleep(0.01)
        try:
            return self._port.write(data[:PIECE]) or 0
        except serial.SerialTimeoutException:
            return 0

    def _waiting(self) -> int:
        try:
            return int(self._port.out_waiting)
        except (AttributeError, NotImplementedError):
            return 0

    def close(self) -> None:
        self._port.close()


class Forwarder:
    """Sends bytes on, from a thread of its own; ``send`` returns at once.

    Raises
    ------
    UsageError
        A target that is neither a serial port nor a TCP address.
    SourceError
        The target cannot be opened at the start. Later failures are tried again, and shown by ``status``.
    """

    def __init__(self, url: str, *, max_age_s: float = MAX_AGE_S) -> None:
        spec = parse_source(url)
        if spec.kind not in ("serial", "tcp"):
            raise UsageError(f"--forward {spec.label}: give serial:///dev/... or tcp://host:port")
        self.label = spec.label
        self.caution = LICENCE if spec.kind == "serial" else None
        self.sent = 0
        self.dropped = 0
        self.trouble: str | None = None
        self._spec = spec
        self._max_age_s = max_age_s
        self._queue: deque[tuple[float, bytes]] = deque()
        self._queued = 0
        self._changed = threading.Condition()
        self._stop = False
        self._sink: _Sink | None = self._open()
        self._thread = threading.Thread(target=self._run, name="forward", daemon=True)
        self._thread.start()

    def _open(self) -> _Sink:
        return _TcpSink(self._spec) if self._spec.kind == "tcp" else _SerialSink(self._spec)

    def send(self, data: bytes) -> None:
        """Queue ``data``; where too much waits, the oldest goes."""
        with self._changed:
            self._queue.append((time.monotonic(), data))
            self._queued += len(data)
            while self._queued > MAX_BYTES and len(self._queue) > 1:
                self._drop_oldest()
            self._changed.notify()

    def _drop_oldest(self) -> None:
        _, old = self._queue.popleft()
        self._queued -= len(old)
        self.dropped += len(old)

    @property
    def status(self) -> str:
        """One line for a screen."""
        lost = f", {self.dropped} dropped" if self.dropped else ""
        return f"forward to {self.label}: {self.sent} bytes{lost}" + (f"; {self.trouble}" if self.trouble else "")

    def _next(self) -> tuple[float, bytes] | None:
        with self._changed:
            while True:
                while self._queue and time.monotonic() - self._queue[0][0] > self._max_age_s:
                    self._drop_oldest()
                if self._queue:
                    at, data = self._queue.popleft()
                    self._queued -= len(data)
                    return at, data
                if self._stop:
                    return None
                self._changed.wait(0.5)

    def _run(self) -> None:
        while (item := self._next()) is not None:
            at, data = item
            deadline_s = at + self._max_age_s
            rest = memoryview(data)
            while rest and time.monotonic() < deadline_s:
                if self._sink is None and not self._reopen(deadline_s):
                    continue
                assert self._sink is not None
                try:
                    n = self._sink.write(bytes(rest[:4096]), deadline_s)
                except Exception as err:  # whatever the driver raises: the port is gone
                    self._lose(f"lost ({err})")
                    continue
                self.sent += n
                rest = rest[n:]
                if n:
                    self.trouble = None
            if rest:
                self.dropped += len(rest)
                self.trouble = self.trouble or "the receiver does not keep up"
        if self._sink is not None:
            self._sink.close()

    def _reopen(self, deadline_s: float) -> bool:
        try:
            self._sink = self._open()
        except SourceError as err:
            self.trouble = str(err)
            with self._changed:
                self._changed.wait_for(lambda: self._stop, min(RETRY_S, max(0.0, deadline_s - time.monotonic()) + 0.05))
            return False
        self.trouble = None
        return True

    def _lose(self, why: str) -> None:
        self.trouble = why
        if self._sink is not None:
            with contextlib.suppress(Exception):
                self._sink.close()
        self._sink = None

    def close(self) -> None:
        """Send what waits (no longer than it may be old), then let go."""
        with self._changed:
            self._stop = True
            self._changed.notify_all()
        self._thread.join(self._max_age_s + 1.0)

    def __enter__(self) -> Forwarder:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
