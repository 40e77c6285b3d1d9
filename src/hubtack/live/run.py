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

    def events(self, timeout_s: float) -> Iterator[Event]:
        """What is waiting now, in the order of arrival, or the first that comes in time; then it ends."""
        ...

    @property
    def done(self) -> bool:
        """True when every reader has returned and nothing is left."""
        ...


@dataclass(slots=True)
class LiveRun:
    """One live run. ``on_rows`` gets every block of committed rows, ``on_look`` is called when there is time to draw.

    ``on_look(elapsed_ns, partial)``: what ``elapsed_ns`` tells, and whether open rows may be taken as they are.
    """

    session: Session
    events: EventQueue
    on_rows: Callable[[JudgedRows], None]
    on_look: Callable[[int, bool], bool]
    draw_s: float = 0.25
    look_on_row: bool = False  # look as soon as an epoch has come and nothing waits, not only every ``draw_s``
    for_s: float | None = None
    forward: Callable[[bytes], None] | None = None  # gets the correction stream unchanged; must not block
    time_scale: float = 1.0  # seconds of content to a second of waiting: a log's speed, 0 as fast as it goes
    mono: Callable[[], float] = time.monotonic
    refused: list[Notice] = field(default_factory=list)
    failed: bool = False
    ended: set[str] = field(default_factory=set)
    _last_bytes_s: float | None = None
    _released: bool = True
    _last_row_s: float | None = None
    _last_frame_s: float | None = None
    _start_s: float = 0.0

    def loop(self) -> None:
        """Run until the sources end, ``for_s`` is over or ``on_look`` returns False."""
        start_s = self._start_s = self.mono()
        next_draw_s = start_s
        while True:
            now_s = self.mono()
            if self.for_s is not None and now_s - start_s >= self.for_s:
                break
            came, row_s = False, self._last_row_s
            for event in self.events.events(max(0.0, min(LOOK_AGAIN_S, next_draw_s - now_s))):
                came = True
                self._take(event)
                if self.mono() >= next_draw_s:
                    if not self._look():
                        return
                    next_draw_s = self.mono() + self.draw_s
            if not came and self.events.done:
                break
            now_s = self.mono()
            if not came and not self._released and self._quiet_s() > RELEASE_S:
                for name in list(self.session.sources):
                    self.on_rows(self.session.release(name))
                self._released = True
            if now_s >= next_draw_s or (self.look_on_row and self._last_row_s != row_s):
                if not self._look():
                    return
                next_draw_s = self.mono() + self.draw_s

    def _quiet_s(self) -> float:
        return self.mono() - self._last_bytes_s if self._last_bytes_s is not None else 0.0

    def _look(self) -> bool:
        return self.on_look(self.elapsed_ns(self.mono()), self._quiet_s() > LOOK_AGAIN_S)

    def troubles(self) -> list[str]:
        """Sources that were refused, and those that fail still, as their readers said it."""
        refused = [notice.message for notice in self.refused]
        return refused + [message for message in self.session.notices().values() if message not in refused]

    def listened_s(self) -> float:
        """How long the loop has run. [s]"""
        return self.mono() - self._start_s

    def elapsed_ns(self, now_s: float) -> int:
        """Time since the newest row's bytes came; before the first since the newest frame's, or since listening began. [ns]"""
        newest_s = self._last_row_s if self._last_row_s is not None else self._last_frame_s
        return int((now_s - (self._start_s if newest_s is None else newest_s)) * self.time_scale * 1e9)

    def _take(self, event: Event) -> None:
        if isinstance(event, Chunk):
            if self.forward is not None and event.source == self.session.link_role:
                self.forward(event.data)
            before, frames = self.session.newest_row_end(), self.session.link.tally.frames
            self.on_rows(self.session.feed(event))
            self._last_bytes_s, self._released = self.mono(), False
            if self.session.newest_row_end() != before:
                self._last_row_s = self._last_bytes_s
            if self.session.link.tally.frames != frames:
                self._last_frame_s = self._last_bytes_s
            return
        self.session.notice(event)
        if event.state is SourceState.ENDED:
            self.ended.add(event.source)
            self.on_rows(self.session.end_source(event.source))
        elif event.state is SourceState.REFUSED:
            self.refused.append(event)
        elif event.state is SourceState.FAILED:
            self.failed = True
