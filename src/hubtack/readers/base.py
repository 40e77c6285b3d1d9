"""What all readers share: stamping, and the loop that opens, reads, fails and tries again."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import closing

from hubtack.errors import SourceError
from hubtack.readers.chunk import Chunk, Event, Notice, SourceState
from hubtack.readers.clock import Clock, RealClock
from hubtack.readers.retry import Backoff

Emit = Callable[[Event], None]
POLL_S = 0.25  # longest wait in one read, so that ``stop`` is seen in time
READ_SIZE = 65536


class RetryingReader:
    """A live source that is tried again for as long as it makes sense.

    A subclass opens the source in ``_session``: a generator that yields bytes, or b"" when nothing came for
    ``POLL_S``; it ends or raises ``SourceError`` when the source is lost.
    """

    what = "source"

    def __init__(self, name: str, label: str, backoff: Backoff, clock: Clock | None = None) -> None:
        self.name = name
        self.label = label
        self._backoff = backoff
        self._clock: Clock = clock or RealClock()

    def check(self) -> None:
        """Raise ``SourceError`` where it can already be told that the source cannot be read."""

    def _session(self, opened: Callable[[], None], stop: threading.Event) -> Iterator[bytes]:
        raise NotImplementedError

    def _chunk(self, data: bytes) -> Chunk:
        return Chunk(self.name, data, self._clock.utc_ns(), self._clock.mono_ns())

    def _notice(self, state: SourceState, message: str, code: str | None = None) -> Notice:
        return Notice(self.name, state, message, code, self._clock.utc_ns(), self._clock.mono_ns())

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Read until ``stop`` is set or the source refuses for good."""
        while not stop.is_set():
            first_ns = last_ns = 0
            try:
                session = self._session(lambda: emit(self._notice(SourceState.OPENED, f"{self.label} is open")), stop)
                with closing(session):  # type: ignore[type-var]
                    for data in session:
                        if data:
                            last_ns = self._clock.mono_ns()
                            first_ns = first_ns or last_ns
                            emit(self._chunk(data))
                        if stop.is_set():
                            return
                failure = SourceError(f"{self.label}: the other side closed the connection")
            except SourceError as err:
                failure = err
            except Exception as err:  # a reader thread must never die unseen
                failure = SourceError(f"{self.label}: {type(err).__name__}: {err}")
            if stop.is_set():
                return
            if not failure.retry:
                emit(self._notice(SourceState.REFUSED, str(failure), failure.code))
                return
            self._backoff.worked((last_ns - first_ns) * 1e-9)
            pause_s = self._backoff.next_s()
            emit(self._notice(SourceState.FAILED, f"{failure}; next try in {pause_s:.0f} s", failure.code))
            self._clock.wait(stop, pause_s)
