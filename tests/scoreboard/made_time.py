"""Time that passes only while everybody waits: real sockets and threads, and no second of waiting.

A session with a caster is made of waiting: for an answer, for the next epoch, for a pause before the next try. Here
every thread that waits says for how long, and the clock moves to the earliest of them as soon as all of them wait. The
commands, readers, sockets and TLS are the real ones; only the clocks that they read, and the waits, are these.
"""

from __future__ import annotations

import contextlib
import functools
import heapq
import itertools
import socket
import ssl
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from hubtack.live.run import LiveRun
from hubtack.readers.chunk import Event
from hubtack.readers.hub import Hub

_ZERO_NS = 10**9  # a clock that never steps does not begin at nothing
_STUCK_S = 600.0  # of real time; a loaded computer is not stuck


class MadeTime:
    """The clock of one session. Whoever takes part in it has joined, and waits by ``sleep`` alone."""

    def __init__(self, utc_ns: int) -> None:
        self._lock = threading.Lock()
        self._now_ns = 0
        self._utc_ns = utc_ns
        self._awake = 0
        self._asleep: list[tuple[int, int, _Sleeper]] = []
        self._number = itertools.count()
        self._news: Counter[str] = Counter()
        self._over = False

    def mono_ns(self) -> int:
        """Now by the clock that never steps. [ns]"""
        return _ZERO_NS + self._now_ns

    def utc_ns(self) -> int:
        """Now by the wall clock. [ns]"""
        return self._utc_ns + self._now_ns

    def now_s(self) -> float:
        """Since the session began. [s]"""
        return self._now_ns / 1e9

    def mono_s(self) -> float:
        """Now by the clock that never steps. [s]"""
        return self.mono_ns() / 1e9

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        """As ``readers.clock.Clock`` has it."""
        self.sleep(seconds)
        return stop.is_set()

    def join(self, n: int = 1) -> None:
        """So many threads more take part, and are awake."""
        with self._lock:
            self._awake += n

    def leave(self) -> None:
        """This thread takes part no longer."""
        with self._lock:
            self._awake -= 1
            self._move_on()

    def news(self, of: str) -> int:
        """To be asked for before looking whether there is something, and handed to ``sleep`` where there is nothing."""
        with self._lock:
            return self._news[of]

    def tell(self, of: str) -> None:
        """Whoever sleeps until there is news of this wakes up now."""
        with self._lock:
            self._news[of] += 1
            for _, _, sleeper in self._asleep:
                if sleeper.of == of:
                    self._wake(sleeper)

    def sleep(self, seconds: float, of: str = "", seen: int = -1) -> None:
        """Wait so long; less where there is news ``of`` something since it was ``seen``."""
        with self._lock:
            if self._over or (of and self._news[of] != seen):
                return
            sleeper = _Sleeper(threading.Condition(self._lock), of)
            heapq.heappush(self._asleep, (self._now_ns + max(1000, round(seconds * 1e9)), next(self._number), sleeper))
            self._awake -= 1
            self._move_on()
            while sleeper.asleep and not self._over:
                if not sleeper.woken.wait(_STUCK_S):
                    raise RuntimeError(f"nobody has moved for {_STUCK_S:.0f} s, {self._awake} awake")

    def end(self) -> None:
        """The session is over: nobody waits any more."""
        with self._lock:
            self._over = True
            for _, _, sleeper in self._asleep:
                sleeper.woken.notify_all()

    def _wake(self, sleeper: _Sleeper) -> None:
        if sleeper.asleep:
            sleeper.asleep = False
            self._awake += 1
            sleeper.woken.notify_all()

    def _move_on(self) -> None:
        while self._awake == 0 and self._asleep and not self._over:
            at_ns, _, sleeper = heapq.heappop(self._asleep)
            if sleeper.asleep:
                self._now_ns = max(self._now_ns, at_ns)
                self._wake(sleeper)


class _Sleeper:
    __slots__ = ("asleep", "of", "woken")

    def __init__(self, woken: threading.Condition, of: str) -> None:
        self.woken, self.of, self.asleep = woken, of, True


class MadeSocket:
    """A real socket whose waiting is of made time."""

    def __init__(self, sock: socket.socket, clock: MadeTime, poll_s: float) -> None:
        self._sock, self._clock, self._poll_s = sock, clock, poll_s
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        sock.setblocking(False)

    def recv(self, size: int) -> bytes:
        """What is there now or comes within the poll; ``TimeoutError`` where nothing does."""
        for again in (True, False):
            seen = self._clock.news("bytes")
            try:
                return self._sock.recv(size)
            except (BlockingIOError, ssl.SSLWantReadError):
                if again:
                    self._clock.sleep(self._poll_s, "bytes", seen)
        raise TimeoutError

    def sendall(self, data: bytes) -> None:
        """Send, and let whoever waits for bytes look."""
        self._sock.setblocking(True)
        self._sock.settimeout(10)
        try:
            self._sock.sendall(data)
        finally:
            self._sock.setblocking(False)
            self._clock.tell("bytes")

    def close(self) -> None:
        """Close, which the other side may see at once."""
        with contextlib.suppress(OSError):
            self._sock.shutdown(socket.SHUT_RDWR)
        self._sock.close()
        self._clock.tell("bytes")

    def __enter__(self) -> MadeSocket:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def made_hub(clock: MadeTime) -> type[Hub]:
    """The readers' hub, whose readers and whose driver wait in made time."""

    class MadeHub(Hub):
        def start(self) -> None:
            clock.join(1 + len(self.readers))
            super().start()

        def _run(self, reader: Any) -> None:
            super()._run(reader)
            clock.tell("events")
            clock.leave()

        def emit(self, event: Event) -> None:
            super().emit(event)
            clock.tell("events")

        def events(self, timeout_s: float) -> Iterator[Event]:
            for again in (True, False):
                seen = clock.news("events")
                batch = list(super().events(0.0))
                if batch or not again or self.done:
                    break
                clock.sleep(timeout_s, "events", seen)
            yield from batch

        def close(self, timeout_s: float = 2.0) -> None:
            clock.end()
            super().close(timeout_s)

    return MadeHub


@contextlib.contextmanager
def passing(clock: MadeTime, may_connect: Callable[[], None] = lambda: None) -> Iterator[None]:
    """While this lasts, live commands of this process live in made time; connections reckon with a thread at the other end.

    ``may_connect`` is called before each connection to a caster and raises what the network does.
    """
    from hubtack.readers import network, ntrip_source
    from hubtack.readers.base import POLL_S

    dial, to_caster = network.connect_tcp, ntrip_source.connect

    def to_casters_port(*args: Any, **more: Any) -> socket.socket:
        may_connect()
        return counted(*args, **more)

    def counted(*args: Any, **more: Any) -> socket.socket:
        clock.join()  # the thread that will serve it
        try:
            return dial(*args, **more)
        except BaseException:
            clock.leave()
            raise

    def by_plain_tcp(*args: Any, **more: Any) -> MadeSocket:
        return MadeSocket(counted(*args, **more), clock, POLL_S)

    def by_ntrip(*args: Any, **more: Any) -> MadeSocket:
        return MadeSocket(to_caster(*args, **more), clock, POLL_S)

    run = functools.partial(LiveRun, mono=clock.mono_s)
    hub = made_hub(clock)
    with pytest.MonkeyPatch.context() as patch:
        for module in ("linking", "watching"):
            patch.setattr(f"hubtack.live.{module}.Hub", hub)
            patch.setattr(f"hubtack.live.{module}.LiveRun", run)
        for module in ("base", "ntrip_source"):
            patch.setattr(f"hubtack.readers.{module}.RealClock", lambda: clock)
        patch.setattr(network, "connect_tcp", by_plain_tcp)
        patch.setattr(ntrip_source, "connect_tcp", to_casters_port)
        patch.setattr(ntrip_source, "connect", by_ntrip)
        yield
