"""A plain splitter of recorded RTCM streams for tests, independent of the package."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from pyrtcm.rtcmhelpers import calc_crc24q


def frames_of(path: Path) -> Iterator[bytes]:
    """Whole frames with a good CRC."""
    data, i = path.read_bytes(), 0
    while (i := data.find(b"\xd3", i)) >= 0 and i + 6 <= len(data):
        end = i + 6 + ((data[i + 1] & 3) << 8 | data[i + 2])
        if end - i > 8 and end <= len(data) and calc_crc24q(data[i:end]) == 0:
            yield data[i:end]
            i = end
        else:
            i += 1


def payloads_of(path: Path) -> Iterator[bytes]:
    """Payloads of whole frames."""
    for frame in frames_of(path):
        yield frame[3:-3]
