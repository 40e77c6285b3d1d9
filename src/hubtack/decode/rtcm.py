"""RTCM 3 frames as tables: headers, base positions, descriptors, and the satellites and signals of observations.

Works on all frames of a stretch at once with integer arithmetic on bits; a live stream is a stretch of one frame.
pyrtcm is the tests' oracle. Field orders and widths: RTCM 10403.3 as pyrtcm's tables reproduce them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.bits import BitField
from hubtack.decode.observations import legacy_cells, msm_cells
from hubtack.decode.ranged import RangedFrames
from hubtack.decode.tables import Decoded, Rows, TextRecord
from hubtack.framing.splitter import FRAME_OVERHEAD
from hubtack.knowledge.leap_seconds import BEIDOU_BEHIND_GPS_S, CURRENT_LEAP_S, GLONASS_AHEAD_OF_UTC_S
from hubtack.knowledge.messages import BEIDOU, GLONASS, LEGACY_OBSERVATIONS, msm_level, system_of

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

DAY_MS = 86_400_000
WEEK_MS = 7 * DAY_MS
# By message number, with one place more for a frame that has none (-1).
_SYSTEM = np.array([*(system_of(i) or 0 for i in range(4096)), 0])
_LEVEL = np.array([*(msm_level(i) or 0 for i in range(4096)), 0])
_IS_LEGACY = np.array([*(i in LEGACY_OBSERVATIONS for i in range(4096)), False])
_HAS_STATION = 24  # a payload shorter than type and station ID has no station ID [bit]


def decode_frames(
    data: bytes,
    start: Ints,
    length: Ints,
    pos: Ints,
    decoded: Decoded,
    *,
    leap_s: int = CURRENT_LEAP_S,
    observables: bool = False,
    on_request: bool = False,
    keep_payloads: frozenset[int] = frozenset(),
) -> None:
    """Fill the tables of ``decoded`` from whole frames with good CRC, in order.

    Frame i is ``length[i]`` bytes of ``data`` from ``start[i]`` on, and lies at ``pos[i]`` of the source. With
    ``on_request`` the ranges of chosen frames can be had afterwards, from ``decoded.cells_of``.
    """
    n = len(start)
    if not n:
        return
    bits = BitField(data, start + 3, length - FRAME_OVERHEAD)
    every = np.arange(n)
    number = np.where(bits.n_bits >= 12, bits.unsigned(every, 0, 12), -1)
    station = np.where(bits.n_bits >= _HAS_STATION, bits.unsigned(every, 12, 12), -1)
    system, level = _SYSTEM[number], _LEVEL[number]
    columns = {name: np.full(n, np.nan) for name in ("epoch", "utc", "more", "n_sat", "n_sig", "n_cell", "iods")}

    legacy = np.flatnonzero(_IS_LEGACY[number] & (bits.n_bits >= 61))
    msm = np.flatnonzero((level > 0) & (bits.n_bits >= 169))
    _legacy_header(bits, legacy, system, columns)
    _msm_header(bits, msm, columns)
    columns["utc"] = _utc_ms_of_week(columns["epoch"], system, leap_s)
    day_only = legacy[system[legacy] == GLONASS]  # the legacy GLONASS epoch is a time of day without its day
    columns["utc"][day_only] = (columns["epoch"][day_only] - GLONASS_AHEAD_OF_UTC_S * 1000) % DAY_MS

    parts: list[Floats] = []
    if len(msm):
        cells, n_sat, n_sig, n_cell = msm_cells(bits, msm, system, level, observables)
        columns["n_sat"][msm], columns["n_sig"][msm], columns["n_cell"][msm] = n_sat, n_sig, n_cell
        parts.append(cells)
    if len(legacy):
        parts.append(legacy_cells(bits, legacy, number, system, columns["n_sat"], observables))
    if on_request and parts:
        decoded.ranged.append((0, RangedFrames(bits, number, system, level, columns["n_sat"])))
    crc = bits.unsigned_at((start + length - 3) * 8, 24)
    decoded.frames = Rows("frames", pos, pos + length, np.array((
        number, np.where(station < 0, np.nan, station), length, columns["epoch"], columns["utc"], columns["more"],
        columns["n_sat"], columns["n_sig"], columns["n_cell"], crc, columns["iods"],
    )).T)  # fmt: skip
    if parts:
        values = parts[0]
        if len(parts) > 1 or len(legacy):
            values = np.concatenate(parts)
            values = values[np.argsort(values[:, 0], kind="stable")]
        frame = values[:, 0].astype(np.int64)
        decoded.satellites = Rows("satellites", pos[frame], (pos + length)[frame], values)
    _stations(bits, number, station, pos, length, decoded)
    _texts(data, start, length, pos, number, station, decoded)
    if keep_payloads:
        for i in np.flatnonzero(np.isin(number, list(keep_payloads))):
            payload = data[start[i] + 3 : start[i] + length[i] - 3]
            decoded.payloads.append((int(pos[i]), int(pos[i] + length[i]), int(number[i]), payload))


def _msm_header(bits: BitField, msm: Ints, columns: dict[str, Floats]) -> None:
    columns["epoch"][msm] = bits.unsigned(msm, 24, 30)
    columns["more"][msm] = bits.unsigned(msm, 54, 1)
    columns["iods"][msm] = bits.unsigned(msm, 55, 3)


def _legacy_header(bits: BitField, legacy: Ints, system: Ints, columns: dict[str, Floats]) -> None:
    """1001-1004: 30 bits of GPS time of week; 1009-1012: 27 bits of GLONASS time of day; then sync, satellites."""
    glonass = system[legacy] == GLONASS
    for index, width in ((legacy[~glonass], 30), (legacy[glonass], 27)):
        columns["epoch"][index] = bits.unsigned(index, 24, width)
        columns["more"][index] = bits.unsigned(index, 24 + width, 1)
        columns["n_sat"][index] = bits.unsigned(index, 25 + width, 5)


def _utc_ms_of_week(epoch: Floats, system: Ints, leap_s: int) -> Floats:
    """UTC milliseconds of the week of each frame's own epoch field; NaN without one or outside its range.

    GPS, Galileo, QZSS, SBAS and NavIC count GPS time; BeiDou is 14 s behind it; GLONASS MSM has the day of week in
    three bits (7: unknown) and the time of day in UTC + 3 h.
    """
    leap_ms = leap_s * 1000
    with_gps = (epoch - leap_ms) % WEEK_MS
    beidou = (epoch + (BEIDOU_BEHIND_GPS_S * 1000 - leap_ms)) % WEEK_MS
    raw = np.where(np.isnan(epoch), 0, epoch).astype(np.int64)
    day, tod = raw >> 27, raw & (1 << 27) - 1
    glonass = np.where(
        (day < 7) & (tod <= DAY_MS + 999), (day * DAY_MS + tod - GLONASS_AHEAD_OF_UTC_S * 1000) % WEEK_MS, np.nan
    )
    utc = np.where(system == GLONASS, glonass, np.where(system == BEIDOU, beidou, with_gps))
    out_of_range = (system != GLONASS) & (epoch >= WEEK_MS)
    return np.where(np.isnan(epoch) | out_of_range, np.nan, utc)


def _stations(bits: BitField, number: Ints, station: Ints, pos: Ints, length: Ints, decoded: Decoded) -> None:
    """1005, 1006: ARP; 1032: position of the physical base behind a computed one."""
    need = {1005: 152, 1006: 168, 1032: 156}
    index = np.flatnonzero(np.isin(number, list(need)))
    index = index[bits.n_bits[index] >= np.array([need[int(t)] for t in number[index]], dtype=np.int64)]
    if not len(index):
        return
    arp = number[index] != 1032
    # 1032: number, ID of the computed base, ID of the physical one, ITRF year 6, then three plain 38-bit coordinates.
    x_at, y_at, z_at = (np.where(arp, a, b) for a, b in ((34, 42), (74, 80), (114, 118)))
    xyz = [bits.signed(index, at, 38) * 1e-4 for at in (x_at, y_at, z_at)]
    height = np.where(number[index] == 1006, bits.unsigned(index, 152, 16) * 1e-4, np.nan)
    flags = [np.where(arp, bits.unsigned(index, at, 1), np.nan) for at in (33, 30, 31, 32)]
    physical = np.where(arp, np.nan, bits.unsigned(index, 24, 12))
    decoded.stations = Rows("stations", pos[index], pos[index] + length[index], np.stack((
        number[index].astype(np.float64), station[index].astype(np.float64), *xyz, height, *flags, physical,
    ), axis=1))  # fmt: skip


def _texts(data: bytes, start: Ints, length: Ints, pos: Ints, number: Ints, station: Ints, decoded: Decoded) -> None:
    """Descriptors, free text and system parameters: rare, so one at a time."""
    for i in np.flatnonzero(np.isin(number, (1007, 1008, 1013, 1029, 1033))):
        fields = _text_fields(int(number[i]), data[start[i] + 3 : start[i] + length[i] - 3])
        if fields is not None:
            first = int(pos[i])
            decoded.texts.append(TextRecord(first, first + int(length[i]), int(number[i]), int(station[i]), fields))


def _text_fields(number: int, payload: bytes) -> dict[str, str | int | float] | None:
    """Fields of one text message; None where the payload is too short for what it announces."""
    try:
        if number == 1013:
            value = int.from_bytes(payload, "big") >> (len(payload) * 8 - 70)
            return {"mjd": value >> 30 & 0xFFFF, "seconds_of_day": value >> 13 & 0x1FFFF, "leap_s": value & 0xFF}
        if number == 1029:
            value = int.from_bytes(payload[:9], "big")
            n_bytes = payload[8]
            text = payload[9 : 9 + n_bytes].decode("utf-8", "replace")
            return {"mjd": value >> 32 & 0xFFFF, "seconds_of_day": value >> 15 & 0x1FFFF, "text": text}
        reader = _Strings(payload)
        fields: dict[str, str | int | float] = {"antenna": reader.text(), "setup_id": reader.byte()}
        if number in (1008, 1033):
            fields["antenna_serial"] = reader.text()
        if number == 1033:
            fields["receiver"], fields["firmware"], fields["receiver_serial"] = (
                reader.text(),
                reader.text(),
                reader.text(),
            )
        return fields
    except (IndexError, ValueError):
        return None


class _Strings:
    """Counted strings after the type and station ID (3 bytes)."""

    def __init__(self, payload: bytes) -> None:
        self._payload, self._at = payload, 3

    def byte(self) -> int:
        self._at += 1
        return self._payload[self._at - 1]

    def text(self) -> str:
        n = self.byte()
        if self._at + n > len(self._payload):
            raise IndexError(n)
        self._at += n
        return self._payload[self._at - n : self._at].decode("latin-1").strip(" \0")
