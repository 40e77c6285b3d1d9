"""CRC-24Q, the check of an RTCM 3 frame, in compiled code."""

from __future__ import annotations

import anycrc

# Polynomial 0x1864CFB, start 0, nothing reflected or inverted (RTCM 10403.3, section 4); the CRC catalogue lists the
# same parameters as CRC-24/LTE-A, with 0xCDE703 for b"123456789".
_CRC = anycrc.Model("CRC24-LTE-A")
calculate = _CRC.calc  # for loops that check many frames; as ``crc24q``, and without its step in between


def crc24q(data: bytes | bytearray | memoryview) -> int:
    """CRC-24Q of ``data``; 0 over a whole frame with its CRC."""
    return int(_CRC.calc(data))
