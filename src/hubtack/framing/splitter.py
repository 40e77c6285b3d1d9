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
MAX_SENTENCE = 1024  # NMEA 0183 says 82 characters; receivers send more, and none this much
_START = re.compile(rb"[$\xd3]")
_DOLLAR = re.compile(rb"[$]")
_STOP = re.compile(rb"[^\x20-\x23\x25-\x7e]")  # all that cannot be inside a sentence, a second $ included
_CHECKED = re.compile(rb"\*[0-9A-Fa-f]{2} *\Z")
_LINE = re.compile(rb"\$(?:[A-Z]{5}|P[A-Z0-9]{3,}),[\x20-\x23\x25-\x7e]*[\r\n]")  # too much like one to be chance


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


def frame_length(head: bytes | bytearray, at: int = 0) -> int:
    """Whole length that the frame at ``at`` claims; 0 where none can start, -1 where more bytes are needed. [byte]

    Source: RTCM 10403.3, section 4 (preamble, 6 zero bits, 10-bit length, payload, CRC-24Q).
    """
    left = len(head) - at
    if head[at] != PREAMBLE or (left > 1 and head[at + 1] & 0xFC):
        return 0
    return FRAME_OVERHEAD + ((head[at + 1] & 0x03) << 8 | head[at + 2]) if left > 2 else -1


def claimed_type(buf: bytes | bytearray, at: int, length: int) -> int:
    """Message number of the frame of ``length`` bytes at ``at``; -1 where its payload is too short to have one."""
    return buf[at + 3] << 4 | buf[at + 4] >> 4 if length >= FRAME_OVERHEAD + 2 else -1


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

    def hand_over(self) -> bytes:
        """The pending bytes, for someone else to split; go on with ``move_to`` where they stopped."""
        held = bytes(self._buf)
        self._buf.clear()
        return held

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
        """All that is held back, as at the end of input: whole sentences and frames in it come out as such.

        A last line without its end is a sentence only if it has a checksum: cut short without one, its last number
        would pass for a whole one.
        """
        return self._split(final=True)

    def release(self) -> list[Piece]:
        """What a false preamble holds back on a link that has fallen quiet; a frame or line half received lives on.

        The bytes behind the preamble are searched for a whole frame or a whole sentence. If there is one, the
        preamble was a false one, and all up to the end of the last such record comes out. If there is none, nothing
        is lost by waiting, and the frame can still be completed. So the records are the same as without this call,
        only earlier. The exception: a message that carries a sentence in its text and pauses in the middle of it.
        """
        pieces: list[Piece] = []
        while self._buf and self._buf[0] == PREAMBLE and self._holds_record():
            pieces.append(Piece(Kind.OTHER, self._pos, bytes(self._buf[:1])))
            del self._buf[:1]
            self._pos += 1
            pieces.extend(self._split(final=False))
        return pieces

    def _holds_record(self) -> bool:
        buf = self._buf
        if _LINE.search(buf, 1):
            return True
        at = buf.find(PREAMBLE, 1)
        while at >= 0:
            length = frame_length(buf, at)
            if 0 < length <= len(buf) - at and crc24q(bytes(buf[at : at + length])) == 0:
                return True
            at = buf.find(PREAMBLE, at + 1)
        return False

    def _split(self, *, final: bool) -> list[Piece]:
        pieces, used = _split(self._buf, self._pos, final=final, preambles=True)
        del self._buf[:used]
        self._pos += used
        return pieces


def split_text(data: bytes, base: int) -> list[Piece]:
    """Sentences and other bytes of a closed stretch between frames: a preamble in it is known to be a false one.

    A line that the stretch does not end is no sentence, since what follows is a preamble.
    """
    return _split(data, base, final=False, preambles=False)[0]


def _split(buf: bytes | bytearray, base: int, *, final: bool, preambles: bool) -> tuple[list[Piece], int]:
    """Pieces of ``buf``, and how many of its bytes they are."""
    pieces: list[Piece] = []
    n, at, other = len(buf), 0, 0  # ``other`` is where the running stretch of other bytes began

    def put(kind: Kind, start: int, stop: int, **claim: int) -> None:
        if other < start:
            pieces.append(Piece(Kind.OTHER, base + other, bytes(buf[other:start])))
        pieces.append(Piece(kind, base + start, bytes(buf[start:stop]), **claim))

    begins = _START if preambles else _DOLLAR
    while at < n:
        found = begins.search(buf, at)
        if found is None:
            at = n
            break
        at = found.start()
        if buf[at] == PREAMBLE:
            length = frame_length(buf, at)
            if length < 0 or length > n - at:
                if not final:
                    break
                length = 0
            if length == 0:
                at += 1
            elif crc24q(bytes(buf[at : at + length])) == 0:
                put(Kind.FRAME, at, at + length)
                at = other = at + length
            else:
                put(Kind.BAD_CRC, at, at + 1, type=claimed_type(buf, at, length), length=length)
                at = other = at + 1
            continue
        stop = _STOP.search(buf, at + 1, at + MAX_SENTENCE)
        if stop is not None and buf[stop.start()] in b"\r\n":
            put(Kind.SENTENCE, at, stop.start())
            at = other = stop.start()
        elif stop is not None:
            at = max(at + 1, stop.start())
        elif n - at >= MAX_SENTENCE or not preambles:
            at += 1
        elif not final:
            break
        elif _CHECKED.search(buf, at):
            put(Kind.SENTENCE, at, n)
            at = other = n
        else:
            at += 1
    if other < at:
        pieces.append(Piece(Kind.OTHER, base + other, bytes(buf[other:at])))
    return pieces, at
