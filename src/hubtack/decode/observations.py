"""Satellites and signals of observation messages, MSM1 to MSM7 and the legacy ones, one row a cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.bits import BitField
from hubtack.decode.tables import SATELLITE_COLUMNS
from hubtack.knowledge.messages import GLONASS, GPS

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
_COLUMN = {name: i for i, name in enumerate(SATELLITE_COLUMNS)}

LIGHT_M_S = 299_792_458.0
_LIGHT_MS_M = LIGHT_M_S / 1000.0

# Bits of a satellite and of a cell by MSM level, and where in a cell's list of fields each field lies. Data are stored
# field by field: all satellites' (or cells') values of one field stand together (RTCM 10403.3, MSM tables).
_CODE_BITS = {1: 15, 3: 15, 4: 15, 5: 15, 6: 20, 7: 20}
_PHASE_BITS = {2: 22, 3: 22, 4: 22, 5: 22, 6: 24, 7: 24}
_LOCK_BITS = {2: 4, 3: 4, 4: 4, 5: 4, 6: 10, 7: 10}
_CN0_BITS = {4: 6, 5: 6, 6: 10, 7: 10}
_SAT_BITS = np.array([0, 10, 10, 10, 18, 36, 18, 36])  # by level
_CELL_BITS = np.array([0, 15, 27, 42, 48, 63, 65, 80])
_MASKS_AT = 73  # satellite mask 64, signal mask 32, cell mask X [bit of the payload]
_CELLS_AT = 169
_MOST_CELLS = 64
_QUOTIENT = np.arange(_MOST_CELLS)[None, :] // np.maximum(np.arange(33), 1)[:, None]  # (signals, pair) -> satellite


def blank_cells(n: int) -> Floats:
    """(n, columns) of NaN, each column in one piece."""
    return np.full((len(SATELLITE_COLUMNS), n), np.nan).T


def msm_cells(
    bits: BitField, msm: Ints, system: Ints, level: Ints, observables: bool
) -> tuple[Floats, Ints, Ints, Ints]:
    """Cells of MSM frames ``msm`` in order, with the numbers of satellites, signals and cells of each frame.

    A frame whose masks announce more than its payload holds gives no cells (a CRC can be good and the sender wrong).
    """
    masks = bits.mask(msm, _MASKS_AT, 64 + 32 + _MOST_CELLS)
    sat_mask, sig_mask, cell_mask = masks[:, :64], masks[:, 64:96], masks[:, 96:]
    n_sat = np.count_nonzero(sat_mask, axis=1)
    n_sig = np.count_nonzero(sig_mask, axis=1)
    n_pairs = n_sat * n_sig
    cell_mask &= np.arange(_MOST_CELLS) < np.where(n_pairs <= _MOST_CELLS, n_pairs, 0)[:, None]
    n_cell = np.count_nonzero(cell_mask, axis=1)
    lvl = level[msm]
    cell_start = _CELLS_AT + n_pairs + _SAT_BITS[lvl] * n_sat
    fits = cell_start + _CELL_BITS[lvl] * n_cell <= bits.n_bits[msm]
    cell_mask &= fits[:, None]
    n_cell = np.where(fits, n_cell, 0)

    row, at = np.nonzero(cell_mask)  # frame by frame, pair by pair
    first = np.cumsum(n_cell) - n_cell
    rank = np.arange(len(row)) - first[row]  # number of the cell within its frame
    sat_rank = _QUOTIENT[n_sig[row], at]
    sig_rank = at - sat_rank * n_sig[row]
    cells = blank_cells(len(row))
    frame = msm[row]
    cells[:, _COLUMN["frame"]] = frame
    cells[:, _COLUMN["system"]] = system[frame]
    cells[:, _COLUMN["satellite"]] = (np.nonzero(sat_mask)[1] + 1)[(np.cumsum(n_sat) - n_sat)[row] + sat_rank]
    cells[:, _COLUMN["signal"]] = (np.nonzero(sig_mask)[1] + 1)[(np.cumsum(n_sig) - n_sig)[row] + sig_rank]
    origin = bits.start[msm]
    sat_start = origin + _CELLS_AT + n_pairs
    place = _Place(rank, n_cell[row], (origin + cell_start)[row], sat_rank, n_sat[row], sat_start[row])
    levels = np.unique(lvl)
    for one in levels:
        pick = slice(None) if len(levels) == 1 else np.flatnonzero(lvl[row] == one)
        _msm_fields(bits, int(one), cells, pick, place.take(pick), observables)
    return cells, n_sat, n_sig, n_cell


@dataclass(frozen=True, slots=True)
class _Place:
    """Where the fields of cells lie: number within the frame, cells of the frame, bit at which the lists begin."""

    rank: Ints
    n_cell: Ints
    cell_start: Ints
    sat_rank: Ints
    n_sat: Ints
    sat_start: Ints

    def take(self, pick: slice | Ints) -> _Place:
        if isinstance(pick, slice):
            return self
        return _Place(*(getattr(self, name)[pick] for name in self.__slots__))


def _msm_fields(bits: BitField, level: int, cells: Floats, pick: slice | Ints, at: _Place, observables: bool) -> None:
    """Fill the columns of cells of one MSM level."""
    code_w, phase_w, lock_w, cn0_w = (t.get(level, 0) for t in (_CODE_BITS, _PHASE_BITS, _LOCK_BITS, _CN0_BITS))
    phase_at = at.cell_start + code_w * at.n_cell
    lock_at = phase_at + phase_w * at.n_cell
    half_at = lock_at + lock_w * at.n_cell
    cn0_at = half_at + (1 if level >= 2 else 0) * at.n_cell
    cells[pick, _COLUMN["has_phase"]] = 0.0
    rough_ms = _rough_range_ms(bits, level, at) if observables else None
    if rough_ms is not None:
        cells[pick, _COLUMN["has_code"]] = 0.0
    if code_w and rough_ms is not None:
        fine = bits.signed_at(at.cell_start + at.rank * code_w, code_w)
        valid = fine != -(1 << (code_w - 1))
        cells[pick, _COLUMN["has_code"]] = valid
        scale = 2.0**-24 if code_w == 15 else 2.0**-29
        cells[pick, _COLUMN["pseudorange_m"]] = np.where(valid, (rough_ms + fine * scale) * _LIGHT_MS_M, np.nan)
    if phase_w:
        raw = bits.unsigned_at(phase_at + at.rank * phase_w, phase_w)
        valid = raw != 1 << (phase_w - 1)
        cells[pick, _COLUMN["has_phase"]] = valid
        if rough_ms is not None:
            fine = raw - (raw >> (phase_w - 1) << phase_w)
            scale = 2.0**-29 if phase_w == 22 else 2.0**-31
            cells[pick, _COLUMN["phase_range_m"]] = np.where(valid, (rough_ms + fine * scale) * _LIGHT_MS_M, np.nan)
        lock = bits.unsigned_at(lock_at + at.rank * lock_w, lock_w)
        cells[pick, _COLUMN["lock_ms"]] = (_LOCK_MS_4 if lock_w == 4 else _LOCK_MS_10)[lock]
        cells[pick, _COLUMN["half_cycle"]] = bits.unsigned_at(half_at + at.rank, 1)
    if cn0_w:
        raw = bits.unsigned_at(cn0_at + at.rank * cn0_w, cn0_w)
        cells[pick, _COLUMN["cn0_dbhz"]] = (_CN0_6 if cn0_w == 6 else _CN0_10)[raw]
    if level in (5, 7) and observables:
        info = bits.unsigned_at(at.sat_start + 8 * at.n_sat + at.sat_rank * 4, 4)
        glonass = cells[pick, _COLUMN["system"]] == GLONASS
        cells[pick, _COLUMN["glonass_channel"]] = np.where(glonass & (info <= 13), info - 7.0, np.nan)


def _rough_range_ms(bits: BitField, level: int, at: _Place) -> Floats:
    """Rough range of the cell's satellite; NaN where MSM1 to MSM3 leave out the whole milliseconds. [ms]"""
    if level <= 3:
        return np.full(len(at.rank), np.nan)
    whole = bits.unsigned_at(at.sat_start + at.sat_rank * 8, 8)
    modulo_at = at.sat_start + 8 * at.n_sat + (4 * at.n_sat if level in (5, 7) else 0)
    part = bits.unsigned_at(modulo_at + at.sat_rank * 10, 10)
    return np.where(whole == 255, np.nan, whole + part / 1024.0)


def lock_ms_4(indicator: Ints) -> Floats:
    """Least lock time of DF402. [ms]"""
    return np.where(indicator > 0, 2.0 ** (indicator + 4), 0.0)


def lock_ms_10(indicator: Ints) -> Floats:
    """Least lock time of DF407; NaN for the reserved values above 704. [ms]

    Below 64 the indicator itself; then segments of 32 values, each with twice the slope of the one before.
    """
    segment = np.maximum(indicator - 32, 0) // 32  # 0 for 32 to 63, 1 for 64 to 95, ...
    first = 32 + 32 * segment
    base = np.where(segment > 0, 32.0 * 2.0**segment, 32.0)
    value = base + (indicator - first) * 2.0**segment
    value = np.where(indicator < 64, indicator, value)
    return np.where(indicator > 704, np.nan, value)


_LOCK_MS_4 = lock_ms_4(np.arange(1 << 4))
_LOCK_MS_10 = lock_ms_10(np.arange(1 << 10))
_CN0_6 = np.concatenate(([np.nan], np.arange(1, 1 << 6)))  # 0: not said
_CN0_10 = np.concatenate(([np.nan], np.arange(1, 1 << 10) / 16.0))


def _rank(row: Ints, count: Ints) -> Ints:
    """Number of each entry within its row, for rows in order with ``count`` entries each."""
    start = np.concatenate(([0], np.cumsum(count)[:-1])) if len(count) else count
    return np.arange(len(row)) - start[row]


# Legacy messages: bits per satellite, and within them code indicator, pseudorange, phase, lock time, and for the
# extended ones the ambiguity of the pseudorange and C/N0 (0.25 dB-Hz); the second band likewise.
_LEGACY_SAT_BITS = {1001: 58, 1002: 74, 1003: 101, 1004: 125, 1009: 64, 1010: 79, 1011: 107, 1012: 130}
_EXTENDED = (1002, 1004, 1010, 1012)
_TWO_BANDS = (1003, 1004, 1011, 1012)
_GPS_AMBIGUITY_M = LIGHT_M_S / 1000.0
_GLONASS_AMBIGUITY_M = 2.0 * LIGHT_M_S / 1000.0
# DF013/DF019/DF043/DF049: (first value, factor, offset) of each segment, least lock time in seconds.
_LEGACY_LOCK = ((24, 1, 0), (48, 2, 24), (72, 4, 120), (96, 8, 408), (120, 16, 1176), (127, 32, 3096))


def legacy_cells(bits: BitField, legacy: Ints, number: Ints, system: Ints, n_sat: Floats, observables: bool) -> Floats:
    """Cells of 1001 to 1004 and 1009 to 1012 frames; the second band's signal is named by its code indicator."""
    parts = []
    for kind in np.unique(number[legacy]):
        index = legacy[number[legacy] == kind]
        glonass = int(kind) >= 1009
        header = 61 if glonass else 64
        per = _LEGACY_SAT_BITS[int(kind)]
        room = (bits.n_bits[index] - header) // per
        count = np.minimum(n_sat[index].astype(np.int64), room)
        frame = np.repeat(index, count)
        rank = _rank(np.repeat(np.arange(len(index)), count), count)
        base = header + rank * per
        parts.extend(_legacy_bands(bits, int(kind), glonass, frame, base, system, observables))
    return np.concatenate(parts) if parts else blank_cells(0)


def _legacy_bands(
    bits: BitField, kind: int, glonass: bool, frame: Ints, base: Ints, system: Ints, observables: bool
) -> list[Floats]:
    extended, two = kind in _EXTENDED, kind in _TWO_BANDS
    satellite = bits.unsigned(frame, base, 6)
    code = bits.unsigned(frame, base + 6, 1)
    at = base + (12 if glonass else 7)
    range_bits = 25 if glonass else 24
    pseudo = bits.unsigned(frame, at, range_bits)
    phase = bits.signed(frame, at + range_bits, 20)
    lock = bits.unsigned(frame, at + range_bits + 20, 7)
    next_at = at + range_bits + 27
    cn0 = np.full(len(frame), np.nan)
    l1_m = pseudo * 0.02
    ambiguity_m = np.full(len(frame), np.nan)
    if extended:
        ambiguity_bits = 7 if glonass else 8
        unit = _GLONASS_AMBIGUITY_M if glonass else _GPS_AMBIGUITY_M
        ambiguity_m = bits.unsigned(frame, next_at, ambiguity_bits) * unit
        raw = bits.unsigned(frame, next_at + ambiguity_bits, 8)
        cn0 = np.where(raw > 0, raw * 0.25, np.nan)
        next_at = next_at + ambiguity_bits + 8
    range_m = l1_m + ambiguity_m
    # 40 to 63 in a GPS message are SBAS satellites, told by their own numbers in the standard.
    valid_phase = phase != -(1 << 19)
    first = _legacy_block(frame, system, satellite, np.where(code == 1, 3, 2), cn0, lock, valid_phase)
    if observables:
        first[:, _COLUMN["pseudorange_m"]] = range_m
        first[:, _COLUMN["phase_range_m"]] = np.where(valid_phase, range_m + phase * 0.0005, np.nan)
    if glonass:
        channel = bits.unsigned(frame, base + 7, 5)
        first[:, _COLUMN["glonass_channel"]] = np.where(channel <= 20, channel - 7.0, np.nan)
    blocks = [first]
    if two:
        code2 = bits.unsigned(frame, next_at, 2)
        difference = bits.signed(frame, next_at + 2, 14)
        phase2 = bits.signed(frame, next_at + 16, 20)
        lock2 = bits.unsigned(frame, next_at + 36, 7)
        cn02 = np.full(len(frame), np.nan)
        if extended:
            raw2 = bits.unsigned(frame, next_at + 43, 8)
            cn02 = np.where(raw2 > 0, raw2 * 0.25, np.nan)
        present = (difference != -(1 << 13)) | (phase2 != -(1 << 19))
        # GPS: 0 C/A or L2C, 1 P, 2 P cross-correlated, 3 correlated P/Y; GLONASS: 0 C/A, 1 P.
        signal2 = np.array([8, 9, 10, 10])[code2] if not glonass else np.where(code2 == 0, 8, 9)
        second = _legacy_block(frame, system, satellite, signal2, cn02, lock2, phase2 != -(1 << 19))
        if observables:
            range2 = np.where(difference != -(1 << 13), range_m + difference * 0.02, np.nan)
            second[:, _COLUMN["pseudorange_m"]] = range2
            second[:, _COLUMN["phase_range_m"]] = np.where(phase2 != -(1 << 19), range_m + phase2 * 0.0005, np.nan)
        blocks.append(second[present])
    return blocks


def _legacy_block(
    frame: Ints, system: Ints, satellite: Ints, signal: Ints, cn0: Floats, lock: Ints, has_phase: NDArray[np.bool_]
) -> Floats:
    cells = blank_cells(len(frame))
    cells[:, _COLUMN["frame"]] = frame
    sbas = (system[frame] == GPS) & (satellite >= 40)
    cells[:, _COLUMN["system"]] = np.where(sbas, 7, system[frame])
    cells[:, _COLUMN["satellite"]] = np.where(sbas, satellite - 39, satellite)
    cells[:, _COLUMN["signal"]] = signal
    cells[:, _COLUMN["cn0_dbhz"]] = cn0
    cells[:, _COLUMN["lock_ms"]] = legacy_lock_s(lock) * 1000.0
    cells[:, _COLUMN["half_cycle"]] = np.nan
    cells[:, _COLUMN["has_phase"]] = has_phase
    cells[:, _COLUMN["has_code"]] = 1.0
    return cells


def legacy_lock_s(indicator: Ints) -> Floats:
    """Least lock time of the seven-bit indicator; 937 s for 127. [s] (RTCM 10403.3, table of DF013; from memory)"""
    value = np.full(len(indicator), 937.0)
    low = 0
    for high, factor, offset in _LEGACY_LOCK:
        inside = (indicator >= low) & (indicator < high)
        value[inside] = indicator[inside] * factor - offset
        low = high
    return value
