"""Plays a capture or plain logs to outputs, in step, with faults on the way."""

from __future__ import annotations

import heapq
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from hubtack.capture.faults import Fault, FaultyLine
from hubtack.capture.outputs import Output
from hubtack.capture.reading import CaptureReader
from hubtack.errors import SourceError
from hubtack.readers.chunk import Event, Notice, Reader, SourceState
from hubtack.readers.clock import Clock
from hubtack.readers.files import FileReader
from hubtack.readers.hub import Hub
from hubtack.readers.pacing import Pace


class Player:
    """Sends each role's bytes to its outputs when they are due by ``clock`` (None: as fast as it goes).

    ``source`` is the folder of a capture, or the plain log of each role.
    """

    def __init__(
        self, source: Path | Mapping[str, Path], outputs: Mapping[str, Sequence[Output]],
        faults: Sequence[Fault] = (), *, clock: Clock | None = None, seed: int = 1,
    ) -> None:
        self.bytes_by_role: dict[str, int] = dict.fromkeys(outputs, 0)
        self._outputs = outputs
        self._clock = clock
        self._lines = {
            role: FaultyLine([f for f in faults if f.role in ("", role)], seed + i)
            for i, role in enumerate(sorted(outputs))
        }
        self._late: list[tuple[int, int, str, bytes]] = []  # (due by the clock [ns], order, role, bytes)
        self._order = 0
        self._start_ns: int | None = None
        self._readers = self._readers_of(source)

    def _readers_of(self, source: Path | Mapping[str, Path]) -> list[Reader]:
        if isinstance(source, Path):
            return [CaptureReader(source, clock=self._clock)]
        pace = Pace(self._clock) if self._clock is not None else None
        return [FileReader(str(source[role]), role, pace) for role in self._outputs]

    @property
    def lost_by_role(self) -> dict[str, int]:
        """Bytes that the faults took, by role."""
        return {role: line.lost for role, line in self._lines.items()}

    def run(self, stop: threading.Event, on_round: Callable[[], None] | None = None) -> None:
        """Play to the end or until ``stop``; ``on_round`` is called several times a second.

        Raises
        ------
        SourceError
            The source turns out to be damaged, or an output cannot be written.
        """
        with Hub(self._readers) as hub:
            while not stop.is_set() and not (hub.done and not self._late):
                if on_round is not None:
                    on_round()
                for event in hub.events(self._wait_s(hub.done)):
                    self._take(event)
                if hub.done and self._late and self._clock is not None:
                    self._clock.wait(stop, self._until_due_s())
                self._send_due()
        for role in self._outputs:
            rest = self._lines[role].feed(self._now_s(), b"", end=True)
            if rest and not stop.is_set():
                self._send(role, rest)

    def _take(self, event: Event) -> None:
        if isinstance(event, Notice):
            if event.state is SourceState.REFUSED and event.t_mono_ns is None:
                raise SourceError(event.message, retry=False)
            return
        if event.source not in self._outputs:
            return
        line = self._lines[event.source]
        data = line.feed(self._now_s(), event.data)
        if not data:
            return
        if line.delay_s > 0 and self._clock is not None:
            self._order += 1
            due_ns = self._clock.mono_ns() + round(line.delay_s * 1e9)
            heapq.heappush(self._late, (due_ns, self._order, event.source, data))
        else:
            self._send(event.source, data)

    def _now_s(self) -> float:
        """Since the first event, by the replay's clock. [s]"""
        if self._clock is None:
            return 0.0
        now_ns = self._clock.mono_ns()
        self._start_ns = now_ns if self._start_ns is None else self._start_ns
        return (now_ns - self._start_ns) * 1e-9

    def _until_due_s(self) -> float:
        assert self._clock is not None
        return max(0.0, (self._late[0][0] - self._clock.mono_ns()) * 1e-9)

    def _wait_s(self, done: bool) -> float:
        if not self._late or done:
            return 0.2
        return min(0.2, self._until_due_s())

    def _send_due(self) -> None:
        while self._late and self._clock is not None and self._late[0][0] <= self._clock.mono_ns():
            _, _, role, data = heapq.heappop(self._late)
            self._send(role, data)

    def _send(self, role: str, data: bytes) -> None:
        self.bytes_by_role[role] += len(data)
        for output in self._outputs[role]:
            output.write(data)
