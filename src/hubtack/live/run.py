"""The live driver: events of the readers into one session, and the session's state out to whoever shows it.

Reading is never held up: drawing happens only when the queue is empty, and not more often than ``draw_s``. A clock
decides when to look, never what is stored.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Protocol

from hubtack.engine.rover import JudgedRows
from hubtack.readers.chunk import Chunk, Event, Notice, SourceState
from hubtack.session.session import Session

LOOK_AGAIN_S = 0.1  # an open row that stays incomplete this long is judged as it is
RELEASE_S = 1.0  # bytes held back for a frame that never ends are let go after this much silence


class EventQueue(Protocol):
    """What the loop needs of the readers' hub."""

    def get(self, timeout_s: float) -> Event | None:
        """The next event in the order of arrival, or None when nothing came in time."""
        ...

    @property
    def finished(self) -> bool:
        """True when every reader has returned and nothing is left to get."""
        ...


@dataclass(slots=True)
class LiveRun:
    """One live run. ``on_rows`` gets every block of committed rows, ``on_look`` is called when there is time to draw.

    ``on_look(elapsed_ns, partial)``: time since the newest row arrived, and whether open rows may be taken as they are.
    """

    session: Session
    events: EventQueue
    on_rows: Callable[[JudgedRows], None]
    on_look: Callable[[int, bool], bool]
    draw_s: float = 0.25
    for_s: float | None = None
    mono: Callable[[], float] = time.monotonic
    refused: list[Notice] = field(default_factory=list)
    ended: set[str] = field(default_factory=set)
    _last_bytes_s: float | None = None
    _released: bool = True
    _last_row_s: float | None = None

    def loop(self) -> None:
        """Run until the sources end, ``for_s`` is over or ``on_look`` returns False."""
        start_s = self.mono()
        next_draw_s = start_s
        while True:
            now_s = self.mono()
            if self.for_s is not None and now_s - start_s >= self.for_s:
                break
            event = self.events.get(max(0.0, min(LOOK_AGAIN_S, next_draw_s - now_s)))
            if event is not None:
                self._take(event)
            elif self.events.finished:
                break
            now_s = self.mono()
            quiet_s = now_s - self._last_bytes_s if self._last_bytes_s is not None else 0.0
            if event is None and not self._released and quiet_s > RELEASE_S:
                for name in list(self.session.sources):
                    self.on_rows(self.session.release(name))
                self._released = True
            if now_s >= next_draw_s:
                next_draw_s = now_s + self.draw_s
                if not self.on_look(self.elapsed_ns(now_s), quiet_s > LOOK_AGAIN_S):
                    break

    def elapsed_ns(self, now_s: float) -> int:
        """Time since the newest row's bytes arrived; 0 before the first. [ns]"""
        newest_s = self._last_row_s
        return 0 if newest_s is None else int((now_s - newest_s) * 1e9)

    def _take(self, event: Event) -> None:
        if isinstance(event, Chunk):
            before = self.session.newest_row_ns()
            self.on_rows(self.session.feed(event))
            self._last_bytes_s, self._released = self.mono(), False
            if self.session.newest_row_ns() != before:
                self._last_row_s = self._last_bytes_s
            return
        self.session.notice(event)
        if event.state is SourceState.ENDED:
            self.ended.add(event.source)
            self.on_rows(self.session.end_source(event.source))
        elif event.state is SourceState.REFUSED:
            self.refused.append(event)


def drain(events: EventQueue) -> Iterator[Event]:
    """All events until the readers have finished; for drivers that only want the end."""
    while not events.finished:
        event = events.get(0.1)
        if event is not None:
            yield event
