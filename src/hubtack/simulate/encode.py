"""RTCM 3 frames and station messages written bit by bit; pyrtcm reads them back in the tests.

Layouts here are the simulator's own and owe nothing to the decoder's tables. Source: RTCM 10403.3 by way of field
lists seen in pyrtcm 1.2.1.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

_POLY = 0x1864CFB


def _crc_table() -> list[int]:
    table = []
    for byte in range(256):
        crc = byte << 16
        for _ in range(8):
            crc = crc << 1 ^ (_POLY if crc & 0x800000 else 0)
        table.append(crc & 0xFFFFFF)
    return table


_TABLE = _crc_table()
_TABLE_ARRAY = np.array(_TABLE, dtype=np.uint32)


def crc24q(data: bytes) -> int:
    """CRC-24Q by table (RTCM 10403.3, section 4)."""
    crc = 0
    for byte in data:
        crc = (crc << 8 ^ _TABLE[(crc >> 16 ^ byte) & 0xFF]) & 0xFFFFFF
    return crc


def frames_of(payloads: NDArray[np.uint8]) -> list[bytes]:
    """Whole frames of equally long payloads (T, B): header in front, CRC behind."""
    count, length = payloads.shape
    whole = np.empty((count, length + 6), dtype=np.uint8)
    whole[:, 0], whole[:, 1], whole[:, 2] = 0xD3, length >> 8, length & 0xFF
    whole[:, 3:-3] = payloads
    crc = np.zeros(count, dtype=np.uint32)
    for column in range(length + 3):
        crc = (crc << np.uint32(8)) ^ _TABLE_ARRAY[(crc >> np.uint32(16) ^ whole[:, column]) & np.uint32(0xFF)]
        crc &= np.uint32(0xFFFFFF)
    for i, shift in enumerate((16, 8, 0)):
        whole[:, length + 3 + i] = crc >> np.uint32(shift) & np.uint32(0xFF)
    text = whole.tobytes()
    return [text[i : i + length + 6] for i in range(0, len(text), length + 6)]


class Bits:
    """A payload under construction: fields are appended most significant bit first."""

    def __init__(self) -> None:
        self._value, self._width = 0, 0

    def put(self, value: int, width: int) -> Bits:
        """Append an unsigned field, or a negative value in two's complement."""
        self._value = self._value << width | value & (1 << width) - 1
        self._width += width
        return self

    def sign_magnitude(self, value: int, width: int) -> Bits:
        """Append a field whose first bit is the sign, as GLONASS has them."""
        limit = (1 << width - 1) - 1
        return self.put(int(value < 0), 1).put(min(abs(value), limit), width - 1)

    def text(self, text: str) -> Bits:
        """Append a counted string (8 bits of length, then Latin-1)."""
        raw = text.encode("latin-1")
        self.put(len(raw), 8)
        return self.put(int.from_bytes(raw, "big"), 8 * len(raw))

    def frame(self) -> bytes:
        """The whole frame: the last byte filled with zeros, header in front, CRC behind."""
        pad = -self._width % 8
        payload = (self._value << pad).to_bytes((self._width + pad) // 8, "big")
        head = bytes((0xD3, len(payload) >> 8, len(payload) & 0xFF)) + payload
        return head + crc24q(head).to_bytes(3, "big")


def base_position(
    station: int, arp_m: Sequence[float], *, height_m: float | None = None, computed: bool = False
) -> bytes:
    """1005, or 1006 with an antenna height."""
    bits = Bits().put(1005 if height_m is None else 1006, 12).put(station, 12).put(0, 6).put(1, 1).put(1, 1).put(1, 1)
    bits.put(int(computed), 1)
    for i, coordinate_m in enumerate(arp_m):
        bits.put(round(coordinate_m * 1e4), 38)
        if i < 2:
            bits.put(0, 2)
    if height_m is not None:
        bits.put(round(height_m * 1e4), 16)
    return bits.frame()


def physical_position(station: int, physical: int, arp_m: Sequence[float]) -> bytes:
    """1032: the physical base behind a computed one."""
    bits = Bits().put(1032, 12).put(station, 12).put(physical, 12).put(0, 6)
    for coordinate_m in arp_m:
        bits.put(round(coordinate_m * 1e4), 38)
    return bits.frame()


def antenna(station: int, name: str, serial: str) -> bytes:
    """1008."""
    return Bits().put(1008, 12).put(station, 12).text(name).put(0, 8).text(serial).frame()


def descriptors(station: int, antenna_name: str, serial: str, receiver: str, firmware: str) -> bytes:
    """1033."""
    bits = Bits().put(1033, 12).put(station, 12).text(antenna_name).put(0, 8).text(serial)
    return bits.text(receiver).text(firmware).text("1001").frame()


def glonass_biases(station: int, biases_m: Sequence[float] = (0.0, 0.0, 0.0, 0.0)) -> bytes:
    """1230 with the code-phase biases of L1 C/A, L1 P, L2 C/A and L2 P, on steps of 2 cm."""
    bits = Bits().put(1230, 12).put(station, 12).put(1, 1).put(0, 3).put(0b1111, 4)
    for bias_m in biases_m:
        bits.put(round(bias_m / 0.02), 16)
    return bits.frame()


def system_parameters(station: int, mjd: int, seconds: int) -> bytes:
    """1013 without announcements; 18 leap seconds (IERS, since 2017)."""
    return Bits().put(1013, 12).put(station, 12).put(mjd, 16).put(seconds, 17).put(0, 5).put(18, 8).frame()
