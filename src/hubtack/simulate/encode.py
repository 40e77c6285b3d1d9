"""RTCM 3 messages written bit by bit, from tables of this module's own; pyrtcm reads them back in the tests."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from hubtack.simulate.sky import BEIDOU, GALILEO, GLONASS, GPS

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
LIGHT_M_MS = 299_792.458
_RANGE_UNIT = 1024.0

# MSM: first type of the system's family, and signal numbers used (RINEX 1C 2W; 1C 2C; 1X 5X; 2I 6I).
MSM_BASE: Mapping[int, int] = {GPS: 1070, GLONASS: 1080, GALILEO: 1090, BEIDOU: 1120}
SIGNALS: Mapping[int, tuple[int, int]] = {GPS: (2, 10), GLONASS: (2, 8), GALILEO: (5, 24), BEIDOU: (2, 8)}


def crc24q(data: bytes) -> int:
    """CRC-24Q by table (RTCM 10403.3, section 4)."""
    crc = 0
    for byte in data:
        crc = (crc << 8 ^ _TABLE[(crc >> 16 ^ byte) & 0xFF]) & 0xFFFFFF
    return crc


class Bits:
    """A payload under construction: fields are appended most significant bit first."""

    def __init__(self) -> None:
        self._value, self._width = 0, 0

    def put(self, value: int, width: int) -> Bits:
        """Append an unsigned field, or a negative value in two's complement."""
        self._value = self._value << width | value & (1 << width) - 1
        self._width += width
        return self

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


def glonass_biases(station: int) -> bytes:
    """1230 with all four biases zero."""
    bits = Bits().put(1230, 12).put(station, 12).put(1, 1).put(0, 3).put(0b1111, 4)
    for _ in range(4):
        bits.put(0, 16)
    return bits.frame()


def system_parameters(station: int, mjd: int, seconds: int) -> bytes:
    """1013 without announcements; 18 leap seconds (IERS, since 2017)."""
    return Bits().put(1013, 12).put(station, 12).put(mjd, 16).put(seconds, 17).put(0, 5).put(18, 8).frame()


def gps_ephemeris(
    satellite: int,
    week: int,
    toe_s: int,
    node_rad: float,
    latitude_rad: float,
    radius_m: float,
    inclination_rad: float,
    clock_s: float,
) -> bytes:
    """1019 of a circular orbit: argument of perigee 0, so the mean anomaly is the argument of latitude."""
    semi = 2.0**31  # semicircle fields: value / pi * 2^31

    def half_turns(angle_rad: float) -> int:
        turns = angle_rad / 3.141592653589793
        turns -= 2.0 * round(turns / 2.0)
        return max(-(1 << 31), min((1 << 31) - 1, round(turns * semi)))

    bits = Bits().put(1019, 12).put(satellite, 6).put(week % 1024, 10).put(0, 4).put(1, 2).put(0, 14).put(1, 8)
    bits.put(toe_s // 16, 16).put(0, 8).put(0, 16).put(round(clock_s * 2**31), 22).put(1, 10).put(0, 16).put(0, 16)
    bits.put(half_turns(latitude_rad), 32).put(0, 16).put(0, 32).put(0, 16)
    bits.put(round(radius_m**0.5 * 2**19), 32).put(toe_s // 16, 16).put(0, 16).put(half_turns(node_rad), 32)
    bits.put(0, 16).put(half_turns(inclination_rad), 32).put(0, 16).put(0, 32).put(0, 24).put(0, 8).put(0, 6)
    return bits.put(0, 1).put(0, 1).frame()


@dataclass(frozen=True, slots=True)
class Observed:
    """One satellite of an observation epoch, both signals: code and phase range [m], lock [ms], strength [dB-Hz]."""

    satellite: int
    code_m: tuple[float, float]
    phase_m: tuple[float, float]
    lock_ms: int
    cn0_dbhz: tuple[float, float]
    channel: int = 0


def msm(level: int, system: int, station: int, epoch: int, observed: Sequence[Observed], *, more: bool) -> bytes:
    """MSM1, MSM4 or MSM7 of one system; ``epoch`` is the 30-bit field of that system's own time scale."""
    satellites = sorted(observed, key=lambda o: o.satellite)
    signals = SIGNALS[system]
    bits = Bits().put(MSM_BASE[system] + level, 12).put(station, 12).put(epoch, 30).put(int(more), 1)
    bits.put(0, 3).put(0, 7).put(0, 2).put(0, 2).put(0, 1).put(0, 3)
    bits.put(sum(1 << 64 - o.satellite for o in satellites), 64)
    bits.put(sum(1 << 32 - s for s in signals), 32)
    n_cells = len(satellites) * len(signals)
    bits.put((1 << n_cells) - 1, n_cells)
    rough = [round(o.code_m[0] / LIGHT_M_MS * _RANGE_UNIT) for o in satellites]
    if level >= 4:
        for r in rough:
            bits.put(r // 1024, 8)
    if level in (5, 7):
        for o in satellites:
            bits.put(o.channel + 7 if system == GLONASS else 0, 4)
    for r in rough:
        bits.put(r % 1024, 10)
    if level in (5, 7):
        for _ in satellites:
            bits.put(0, 14)
    code_width, code_scale = (20, 2.0**29) if level >= 6 else (15, 2.0**24)
    cells = [(o, r / _RANGE_UNIT, k) for o, r in zip(satellites, rough, strict=True) for k in range(len(signals))]
    for o, rough_ms, k in cells:
        bits.put(_fine(o.code_m[k], rough_ms, code_scale, code_width), code_width)
    if level == 1:
        return bits.frame()
    phase_width, phase_scale = (24, 2.0**31) if level >= 6 else (22, 2.0**29)
    for o, rough_ms, k in cells:
        bits.put(_fine(o.phase_m[k], rough_ms, phase_scale, phase_width), phase_width)
    for o, _, _ in cells:
        bits.put(*((_lock_10(o.lock_ms), 10) if level >= 6 else (_lock_4(o.lock_ms), 4)))
    bits.put(0, n_cells)
    if level >= 4:
        for o, _, k in cells:
            cn0 = o.cn0_dbhz[k]
            bits.put(*((round(cn0 * 16), 10) if level >= 6 else (round(cn0), 6)))
    if level in (5, 7):
        for _ in cells:
            bits.put(0, 15)
    return bits.frame()


def _fine(range_m: float, rough_ms: float, scale: float, width: int) -> int:
    """The part of a range beyond the rough one; the most negative value says "none" where it does not fit."""
    value = round((range_m / LIGHT_M_MS - rough_ms) * scale)
    limit = (1 << width - 1) - 1
    return value if -limit <= value <= limit else -(1 << width - 1)


def _lock_4(lock_ms: int) -> int:
    """DF402: 0 below 32 ms, then a step for each doubling."""
    return 0 if lock_ms < 32 else min(15, lock_ms.bit_length() - 5)


def _lock_10(lock_ms: int) -> int:
    """DF407: milliseconds up to 64, then 32 steps for each doubling."""
    if lock_ms < 64:
        return lock_ms
    octave = lock_ms.bit_length() - 6
    return min(704, 32 + 32 * octave + (lock_ms - (32 << octave) >> octave))
