"""Frames of a whole block at once: the same frames as the splitter's, found without an object for each.

A sentence cannot hold a preamble byte, so no sentence can swallow a frame, and frames can be taken out first.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from hubtack.framing.crc import calculate
from hubtack.framing.splitter import FRAME_OVERHEAD, claimed_type


@dataclass(slots=True)
class Scan:
    """Frames of a block, by offset in it.

    ``bad`` are (offset, type, length) of preambles whose frame is whole and fails its CRC. From ``limit`` on nothing
    is decided: a frame may begin there that the block does not end.
    """

    limit: int
    start: list[int] = field(default_factory=list)
    length: list[int] = field(default_factory=list)
    bad: list[tuple[int, int, int]] = field(default_factory=list)


def scan_frames(data: bytes, size: int | None = None) -> Scan:
    """Good frames, failed ones, and where the undecided rest begins, in ``size`` bytes (None: all). 1 us a frame.

    Behind ``size`` there may be nothing but zeros.
    """
    n = len(data) if size is None else size
    scan = Scan(limit=n)
    find = data.find
    starts, lengths, check = scan.start.append, scan.length.append, calculate
    at = find(b"\xd3")
    while at >= 0:
        if at + 2 < n:
            high = data[at + 1]
            if high > 3:
                at = find(b"\xd3", at + 1)
                continue
            length = FRAME_OVERHEAD + (high << 8 | data[at + 2])
            end = at + length
            if end <= n:
                if check(data[at:end]) == 0:
                    starts(at)
                    lengths(length)
                    at = end if end < n and data[end] == 0xD3 else find(b"\xd3", end)
                else:
                    scan.bad.append((at, claimed_type(data, at, length), length))
                    at = find(b"\xd3", at + 1)
                continue
        elif at + 1 < n and data[at + 1] > 3:
            at = -1
            continue
        scan.limit = at
        break
    return scan
