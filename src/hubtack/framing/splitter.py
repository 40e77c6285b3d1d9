"""A mixed stream cut into NMEA sentences, RTCM 3 frames and everything else. No I/O, and nothing raises.

The cut depends on the bytes alone, never on how they came: any division of the input gives the same pieces. Lengths of
the pieces plus the bytes still held equal the bytes put in. A false preamble costs its own byte, never a good frame
behind it: the search goes on one byte after it.

    bytes  ->  D3 00..03 len len ... CRC good            FRAME
               $ printable ... CR or LF                  SENTENCE (its checksum is the decoder's business)
               D3 with good reserved bits, CRC bad       BAD_CRC, the one byte D3; the rest is searched again
               anything else                             OTHER
"""

from __future__ import annotations

import enum
import re
from dataclasses import dataclass

from hubtack.framing.crc import crc24q

PREAMBLE = 0xD3
FRAME_OVERHEAD = 6  # preamble, reserved bits and length, CRC (RTCM 10403.3, section 4)
MAX_FRAME = 1023 + FRAME_OVERHEAD
MAX_SENTENCE = 1024  # NMEA 0183 says 82 characters; receivers send more, and none this much
_START = re.compile(rb"[$\xd3]")
_STOP = re.compile(rb"[^\x20-\x23\x25-\x7e]")  # all that cannot be inside a sentence, a second $ included


class Kind(enum.IntEnum):
    """What a piece of the stream is."""

    OTHER = 0
    SENTENCE = 1
    FRAME = 2
    BAD_CRC = 3


@dataclass(frozen=True, slots=True)
class Piece:
    """``data`` from offset ``pos`` of the stream. A sentence comes without its line end, a frame whole.

    For BAD_CRC ``data`` is the one preamble byte, and ``type`` and ``length`` say what the frame claimed to be.
    """

    kind: Kind
    pos: int
    data: bytes
    type: int = -1
    length: int = 0

    @property
    def end(self) -> int:
        """Offset one past the last byte."""
        return self.pos + len(self.data)


class Splitter:
    """Splits one stream as it comes in. ``pending`` bytes are held back: at most one frame's or sentence's length."""

    def __init__(self) -> None:
        self._buf = bytearray()
        self._pos = 0  # offset of the first byte in the buffer

    @property
    def pending(self) -> int:
        """Bytes taken in and not yet given out."""
        return len(self._buf)

    @property
    def position(self) -> int:
        """Offset of the next byte that is given out."""
        return self._pos

    def move_to(self, position: int) -> None:
        """Go on at another offset: the bytes between have been taken by someone else. Nothing may be pending."""
        if self._buf:
            raise ValueError(f"{len(self._buf)} bytes are pending")
        self._pos = position

    def feed(self, data: bytes) -> list[Piece]:
        """Pieces that ``data`` completes, in order."""
        self._buf += data
        return self._split(final=False)

    def flush(self) -> list[Piece]:
        """All that is held back, as at the end of input: whole sentences and frames in it come out as such."""
        return self._split(final=True)

    def _split(self, *, final: bool) -> list[Piece]:
        buf, pieces = self._buf, []
        n, at, other = len(buf), 0, 0  # ``other`` is where the running stretch of other bytes began

        def put(kind: Kind, start: int, stop: int, **claim: int) -> None:
            if other < start:
                pieces.append(Piece(Kind.OTHER, self._pos + other, bytes(buf[other:start])))
            pieces.append(Piece(kind, self._pos + start, bytes(buf[start:stop]), **claim))

        while at < n:
            found = _START.search(buf, at)
            if found is None:
                at = n
                break
            at = found.start()
            if buf[at] == PREAMBLE:
                if n - at < 3:
                    if not final and (n - at < 2 or not buf[at + 1] & 0xFC):
                        break
                    at += 1
                    continue
                if buf[at + 1] & 0xFC:
                    at += 1
                    continue
                length = FRAME_OVERHEAD + ((buf[at + 1] & 0x03) << 8 | buf[at + 2])
                if n - at < length:
                    if not final:
                        break
                    at += 1
                    continue
                if crc24q(bytes(buf[at : at + length])) == 0:
                    put(Kind.FRAME, at, at + length)
                    at = other = at + length
                else:
                    put(Kind.BAD_CRC, at, at + 1, type=buf[at + 3] << 4 | buf[at + 4] >> 4, length=length)
                    at = other = at + 1
                continue
            stop = _STOP.search(buf, at + 1, at + MAX_SENTENCE)
            if stop is None:
                if n - at < MAX_SENTENCE and not final:
                    break
                if n - at < MAX_SENTENCE:
                    put(Kind.SENTENCE, at, n)  # the last line of a file may lack its end
                    at = other = n
                else:
                    at += 1
                continue
            end = stop.start()
            if buf[end] in b"\r\n":
                put(Kind.SENTENCE, at, end)
                at = other = end
            else:
                at = max(at + 1, end)
        if other < at:
            pieces.append(Piece(Kind.OTHER, self._pos + other, bytes(buf[other:at])))
        del buf[:at]
        self._pos += at
        return pieces
