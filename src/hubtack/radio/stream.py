"""A correction stream measured for the radio's sake: a log whole, or a live source for a while."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from hubtack.decode.decoder import Decoder
from hubtack.engine.axis import SessionAxis
from hubtack.engine.link import LinkEngine, LinkSetup
from hubtack.engine.link_tally import LinkTally
from hubtack.errors import LogFormatError, SourceError
from hubtack.readers.files import iter_log
from hubtack.readers.urls import SourceSpec
from hubtack.safe import safe_text

LEAST_EPOCHS = 5  # fewer say nothing of the interval


@dataclass(frozen=True, slots=True)
class StreamMeasure:
    """The sums of a stream; ``bytes_per_epoch`` counts all its frames, those that come seldom too."""

    tally: LinkTally
    bytes_per_epoch: float

    @property
    def interval_s(self) -> float:
        """Interval of its epochs; NaN where too few came to tell. [s]"""
        return self.tally.interval_s() if self.tally.epochs >= LEAST_EPOCHS else math.nan


def measure(path: Path) -> StreamMeasure:
    """Every frame of a log, or of the correction logs of a session folder.

    Raises
    ------
    SourceError
        If it cannot be read.
    LogFormatError
        If it holds no observation epochs in RTCM 3.
    """
    shown = safe_text(str(path), 200)
    if not path.is_dir():
        return _sums(iter_log(path), shown)
    from hubtack.logs.discover import discover

    logs = [s for s in discover([path]).sessions if s.corrections]
    if len(logs) != 1:
        raise LogFormatError(f"{shown}: holds {len(logs)} correction logs; name the one that is meant")
    return _sums((block for log in logs[0].corrections for block in iter_log(log)), shown)


def listen(spec: SourceSpec, for_s: float) -> StreamMeasure:
    """A live source for ``for_s`` seconds.

    Raises
    ------
    SourceError
        If it cannot be opened or is refused.
    LogFormatError
        If no observation epochs came in that time.
    """
    from hubtack.readers.chunk import Chunk, Notice, SourceState
    from hubtack.readers.hub import Hub
    from hubtack.readers.opening import open_reader

    blocks: list[bytes] = []
    refused = ""
    with Hub([open_reader(spec, "corrections")]) as hub, contextlib.suppress(KeyboardInterrupt):
        until_s = time.monotonic() + for_s
        while time.monotonic() < until_s and not hub.done:
            for event in hub.events(0.1):
                if isinstance(event, Chunk):
                    blocks.append(event.data)
                elif isinstance(event, Notice) and event.state in (SourceState.REFUSED, SourceState.FAILED):
                    refused = event.message.partition("; next try")[0]  # there will be none
            if refused and not blocks:
                break
    if refused and not blocks:
        raise SourceError(refused)
    return _sums(blocks, spec.label)


def _sums(blocks: Iterable[bytes], shown: str) -> StreamMeasure:
    engine, decoder = LinkEngine(LinkSetup(), SessionAxis()), Decoder()
    total = 0
    for block in blocks:
        part = decoder.feed(block)
        total += int(part.frames["length"].sum())
        engine.feed(part, None, np.full(len(part.frames), -1, dtype=np.int64))
    part = decoder.flush()
    total += int(part.frames["length"].sum())
    engine.feed(part, None, np.full(len(part.frames), -1, dtype=np.int64))
    engine.release()
    if not engine.tally.epochs:
        raise LogFormatError(f"{shown}: no observation epochs; expected a correction stream in RTCM 3")
    return StreamMeasure(engine.tally, total / engine.tally.epochs)
