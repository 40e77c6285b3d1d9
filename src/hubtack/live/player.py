"""Plays the logs of one session as their sources were: in the order of the times they speak of, at a chosen speed.

Separate logs have no arrival times. What was heard when is told from their content: corrections of an epoch go before
the rover's sentences of the same time. A log without any time in it comes in one piece.
"""

from __future__ import annotations

import heapq
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from hubtack.decode.decoder import Decoder
from hubtack.decode.tables import Decoded
from hubtack.errors import HubtackError
from hubtack.readers.chunk import Chunk, Event, Notice, SourceState
from hubtack.readers.files import open_bytes

BLOCK = 65_536
DAY_MS = 86_400_000
RANK = {"corrections": 0, "second_antenna": 1, "rover": 2}
_LONGEST_WAIT_S = 600.0  # a gap of hours in a log is not waited out


def timed_pieces(path: Path) -> Iterator[tuple[int, bytes]]:
    """The bytes of a log cut where the time they speak of changes: (UTC time of day, unwrapped [ms]; bytes).

    The pieces in sum are the file, byte for byte.
    """
    decoder = Decoder()
    held, base, now_ms = b"", 0, None
    with open_bytes(path) as stream:
        while True:
            block = stream.read(BLOCK)
            decoded = decoder.feed(block) if block else decoder.flush()
            held += block
            for pos, time_ms in _marks(decoded):
                if now_ms is None:
                    now_ms = time_ms
                    continue
                step = (time_ms - now_ms + DAY_MS // 2) % DAY_MS - DAY_MS // 2
                if step == 0 or pos <= base:
                    continue
                yield now_ms, held[: pos - base]
                held, base = held[pos - base :], pos
                now_ms += max(step, 0)
            if not block:
                break
    if held:
        yield now_ms or 0, held


def _marks(decoded: Decoded) -> list[tuple[int, int]]:
    """Offsets at which a new time may begin, in order, with the time of day there. [byte, ms]"""
    marks: list[tuple[int, int]] = []
    for kind in ("GGA", "GNS", "RMC"):
        rows = decoded.sentences.get(kind)
        if rows is not None and len(rows):
            times = rows["time_ms"]
            marks.extend((int(p), int(t)) for p, t in zip(rows.pos, times, strict=True) if not np.isnan(t))
    if not marks and len(decoded.frames):
        times = decoded.frames["utc_ms_of_week"]
        marks.extend(
            (int(p), int(t) % DAY_MS) for p, t in zip(decoded.frames.pos, times, strict=True) if not np.isnan(t)
        )
    return sorted(marks)


@dataclass(slots=True)
class LogPlayer:
    """Reader that plays several logs as one session; ``speed`` 0 is as fast as it goes.

    ``clock`` and ``sleep`` are passed in, so that a test needs no real time.
    """

    logs: dict[str, Path]  # by role
    speed: float = 1.0
    name: str = "logs"
    label: str = ""
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = field(default=time.sleep)

    def run(self, emit: Callable[[Event], None], stop: threading.Event) -> None:
        """Emit every byte of every log once, in the order of its time; then say of each that it has ended."""
        try:
            self._play(emit, stop)
        except (HubtackError, OSError) as err:
            for role in self.logs:
                emit(Notice(role, SourceState.REFUSED, str(err)))
            return
        for role in self.logs:
            emit(Notice(role, SourceState.ENDED, "end of the log"))

    def _play(self, emit: Callable[[Event], None], stop: threading.Event) -> None:
        merged = heapq.merge(
            *(self._ordered(role, path) for role, path in self.logs.items()), key=lambda p: (p[0], p[1])
        )
        start_s, first_ms = self.clock(), None
        for time_ms, _, role, data in merged:
            if stop.is_set():
                return
            if first_ms is None:
                first_ms = time_ms
            if self.speed > 0:
                due_s = start_s + (time_ms - first_ms) / 1000.0 / self.speed
                if due_s - self.clock() > _LONGEST_WAIT_S / self.speed:
                    start_s -= due_s - self.clock()
                    due_s = self.clock()
                while (wait_s := due_s - self.clock()) > 0 and not stop.is_set():
                    self.sleep(min(wait_s, 0.1))
            emit(Chunk(role, data))

    def _ordered(self, role: str, path: Path) -> Iterator[tuple[int, int, str, bytes]]:
        """Pieces of one log with a time that never steps back, on the day nearest to the rover's first."""
        shift: int | None = None
        latest = 0
        for time_ms, data in timed_pieces(path):
            if shift is None:
                shift = self._shift(time_ms)
                latest = time_ms + shift
            latest = max(latest, time_ms + shift)
            yield latest, RANK.get(role, 3), role, data

    _origin_ms: int | None = None

    def _shift(self, time_ms: int) -> int:
        """Days to add so that all logs lie within half a day of the first one asked for."""
        if self._origin_ms is None:
            self._origin_ms = time_ms
            return 0
        gap = time_ms - self._origin_ms
        return (gap + DAY_MS // 2) % DAY_MS - DAY_MS // 2 - gap
