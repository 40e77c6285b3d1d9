"""The one queue of a live session: readers on their threads on one side, the driver on the other.

The sequence number is given under the queue's own lock: threads that number their chunks and then put them come out
of order now and then. The queue is bounded by bytes; a full one makes the readers wait (a file waits, a socket's
sender waits, a serial port overflows in the driver), so a driver that hangs costs data but never memory.
"""

from __future__ import annotations

import dataclasses
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence

from hubtack.readers.chunk import Chunk, Event, Notice, Reader, SourceState
from hubtack.site.secrets import mask_password

MAX_BYTES = 16 << 20
NOTICE_COST = 256


class Hub:
    """Runs readers and hands out their events in one order.

    Use as a context manager, or call ``start`` and ``close``. ``tap`` is called with each event, numbered, in the
    reader's thread and under the lock: for a recorder that must see the same order; it has to be quick.
    """

    def __init__(
        self, readers: Sequence[Reader], *, max_bytes: int = MAX_BYTES, tap: Callable[[Event], None] | None = None
    ) -> None:
        self.readers = tuple(readers)
        self._max_bytes = max_bytes
        self._tap = tap
        self._events: deque[Event] = deque()
        self._bytes = 0
        self._sequence = 0
        self._running = 0
        self._lock = threading.Lock()
        self._changed = threading.Condition(self._lock)
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []

    def check(self) -> None:
        """Raise ``SourceError`` for the first reader that can tell already that it cannot read."""
        for reader in self.readers:
            check = getattr(reader, "check", None)
            if check is not None:
                check()

    def start(self) -> None:
        """Check every reader, then start them all."""
        self.check()
        self._running = len(self.readers)
        for reader in self.readers:
            thread = threading.Thread(target=self._run, args=(reader,), name=f"reader-{reader.name}", daemon=True)
            self._threads.append(thread)
            thread.start()

    def _run(self, reader: Reader) -> None:
        try:
            reader.run(self.emit, self._stop)
        except Exception as err:  # a bug in a reader is shown, never a silent thread
            text = mask_password(f"{reader.label}: {type(err).__name__}: {err}")
            self.emit(Notice(reader.name, SourceState.REFUSED, text))
        finally:
            with self._changed:
                self._running -= 1
                self._changed.notify_all()

    def emit(self, event: Event) -> None:
        """Number ``event`` and queue it; waits while the queue is full. An event that has a number keeps it."""
        cost = len(event.data) if isinstance(event, Chunk) else NOTICE_COST
        with self._changed:
            while self._bytes and self._bytes + cost > self._max_bytes and not self._stop.is_set():
                self._changed.wait(0.25)
            if self._stop.is_set():
                return
            if event.sequence:
                self._sequence = max(self._sequence, event.sequence)
            else:
                self._sequence += 1
                event = dataclasses.replace(event, sequence=self._sequence)
            self._bytes += cost
            self._events.append(event)
            if self._tap is not None:
                self._tap(event)
            self._changed.notify_all()

    def events(self, timeout_s: float) -> Iterator[Event]:
        """What is waiting now, or the first that comes within ``timeout_s``; then it ends.

        Only what was there at the start is handed out, so that a fast source cannot keep the screen from being drawn.
        """
        with self._changed:
            if not self._events and self._running:
                self._changed.wait_for(lambda: self._events or not self._running, timeout_s)
            batch = list(self._events)
            self._events.clear()
            self._bytes = 0
            self._changed.notify_all()
        yield from batch

    @property
    def done(self) -> bool:
        """All readers have returned and nothing waits."""
        with self._lock:
            return not self._running and not self._events

    def close(self, timeout_s: float = 2.0) -> None:
        """Stop the readers and wait for them, ``timeout_s`` in all."""
        self._stop.set()
        with self._changed:
            self._changed.notify_all()
        for thread in self._threads:
            thread.join(timeout_s / max(1, len(self._threads)))

    def __enter__(self) -> Hub:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
