"""Which speed does a serial port run at? The usual ones are tried, and what comes is scored by the frames in it.

Nothing is written to the port. At a wrong speed a receiver's bytes come out as noise without one good frame; a good
one brings nothing but good frames. An open radio channel has good frames in bursts and noise between.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from hubtack.decode.nmea import xor
from hubtack.framing.splitter import Kind, Splitter

# Common practice: data ports of receivers, then radios, then old ones.
USUAL_SPEEDS = (115200, 38400, 9600, 57600, 19200, 230400, 460800, 921600, 4800)
GOOD_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Score:
    """What a stretch of bytes holds; ``good_bytes`` lie in checked sentences and frames."""

    total_bytes: int
    good_bytes: int
    sentences: int
    frames: int

    @property
    def share(self) -> float:
        """Share of the bytes that lie in good sentences or frames; 0 where nothing came."""
        return self.good_bytes / self.total_bytes if self.total_bytes else 0.0


def score(data: bytes) -> Score:
    """Score of a stretch of bytes; only sentences with a checksum that agrees are counted."""
    splitter = Splitter()
    good = sentences = frames = 0
    for piece in (*splitter.feed(data), *splitter.flush()):
        if piece.kind is Kind.FRAME:
            frames += 1
            good += len(piece.data)
        elif piece.kind is Kind.SENTENCE:
            body, star, digits = piece.data[1:].rpartition(b"*")
            if star and len(digits) >= 2 and f"{xor(body):02X}".encode() == digits[:2].upper():
                sentences += 1
                good += len(piece.data) + 2  # its line end
    return Score(len(data), min(good, len(data)), sentences, frames)


def detect(listen: Callable[[int], bytes], speeds: Sequence[int] = USUAL_SPEEDS) -> tuple[int | None, dict[int, Score]]:
    """The speed at which good frames come, and the score of each that was tried.

    ``listen(baud)`` gives what a few seconds at that speed brought. The first speed with more than half of its bytes
    good ends the search; else the best with any good frame at all; None where there is none.
    """
    scores: dict[int, Score] = {}
    for baud in speeds:
        scores[baud] = found = score(listen(baud))
        if found.share > GOOD_SHARE:
            return baud, scores
    best = max(scores, key=lambda baud: scores[baud].good_bytes, default=None)
    return (best if best is not None and scores[best].good_bytes else None), scores
