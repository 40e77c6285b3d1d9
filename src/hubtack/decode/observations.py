"""Satellites and signals of observation messages, MSM1 to MSM7 and the legacy ones, one row a cell."""

from __future__ import annotations

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
_SAT_BITS = {1: 10, 2: 10, 3: 10, 4: 18, 5: 36, 6: 18, 7: 36}
_CODE_BITS = {1: 15, 3: 15, 4: 15, 5: 15, 6: 20, 7: 20}
_PHASE_BITS = {2: 22, 3: 22, 4: 22, 5: 22, 6: 24, 7: 24}
_LOCK_BITS = {2: 4, 3: 4, 4: 4, 5: 4, 6: 10, 7: 10}
_CN0_BITS = {4: 6, 5: 6, 6: 10, 7: 10}


def msm_cells(
    bits: BitField, msm: Ints, system: Ints, level: Ints, observables: bool
) -> tuple[Floats, Ints, Ints, Ints]:
    """Cells of MSM frames ``msm``, with the numbers of satellites, signals and cells of each frame.

    A frame whose masks announce more than its payload holds gives no cells (a CRC can be good and the sender wrong).
    """
    sat_mask = bits.mask(msm, 73, 64)
    sig_mask = bits.mask(msm, 137, 32)
    n_sat, n_sig = sat_mask.sum(axis=1), sig_mask.sum(axis=1)
    n_pairs = n_sat * n_sig
    fits = (n_pairs <= 64) & (bits.n_bits[msm] >= 169 + n_pairs)
    usable = np.where(fits, n_pairs, 0)
    width = int(usable.max()) if len(usable) else 0
    pair = np.arange(width)[None, :]
    cell_mask = bits.mask(msm, 169, width) & (pair < usable[:, None]) if width else np.zeros((len(msm), 0), dtype=bool)
    n_cell = cell_mask.sum(axis=1)
    lvl = level[msm]
    sat_bits = np.array([_SAT_BITS[int(v)] for v in lvl], dtype=np.int64)
    cell_bits = np.array([_cell_bits(int(v)) for v in lvl], dtype=np.int64)
    whole = 169 + n_pairs + sat_bits * n_sat + cell_bits * n_cell
    cell_mask &= (whole <= bits.n_bits[msm])[:, None]
    n_cell = cell_mask.sum(axis=1)

    row, at = np.nonzero(cell_mask)  # frame by frame, pair by pair
    rank = _rank(row, n_cell)  # number of the cell within its frame
    safe_sig = np.maximum(n_sig[row], 1)
    sat_rank, sig_rank = at // safe_sig, at % safe_sig
    sat_numbers, sig_numbers = _numbers(sat_mask), _numbers(sig_mask)
    frame = msm[row]
    cells = np.full((len(row), len(_COLUMN)), np.nan)
    cells[:, _COLUMN["frame"]] = frame
    cells[:, _COLUMN["system"]] = system[frame]
    cells[:, _COLUMN["satellite"]] = sat_numbers[row, sat_rank]
    cells[:, _COLUMN["signal"]] = sig_numbers[row, sig_rank]
    sat_start, cell_start = 169 + n_pairs, 169 + n_pairs + sat_bits * n_sat
    for lev in np.unique(lvl):
        pick = np.flatnonzero(lvl[row] == lev)
        if len(pick):
            r = row[pick]
            _msm_fields(
                bits,
                int(lev),
                cells,
                pick,
                frame[pick],
                rank[pick],
                n_cell[r],
                cell_start[r],
                sat_rank[pick],
                n_sat[r],
                sat_start[r],
                observables,
            )
    return cells, n_sat, n_sig, n_cell


def _cell_bits(level: int) -> int:
    half = 1 if level >= 2 else 0
    rate = 15 if level in (5, 7) else 0
    return (
        _CODE_BITS.get(level, 0)
        + _PHASE_BITS.get(level, 0)
        + _LOCK_BITS.get(level, 0)
        + half
        + _CN0_BITS.get(level, 0)
        + rate
    )


def _msm_fields(
    bits: BitField,
    level: int,
    cells: Floats,
    pick: Ints,
    frame: Ints,
    rank: Ints,
    n_cell: Ints,
    cell_start: Ints,
    sat_rank: Ints,
    n_sat: Ints,
    sat_start: Ints,
    observables: bool,
) -> None:
    """Fill the columns of cells of one MSM level."""
    code_w, phase_w, lock_w, cn0_w = (t.get(level, 0) for t in (_CODE_BITS, _PHASE_BITS, _LOCK_BITS, _CN0_BITS))
    phase_at = cell_start + code_w * n_cell
    lock_at = phase_at + phase_w * n_cell
    half_at = lock_at + lock_w * n_cell
    cn0_at = half_at + (1 if level >= 2 else 0) * n_cell
    cells[pick, _COLUMN["has_code"]] = 0.0
    cells[pick, _COLUMN["has_phase"]] = 0.0
    rough_ms: Floats | None = None
    if observables:
        rough_ms = _rough_range_ms(bits, level, frame, sat_rank, n_sat, sat_start)
    if code_w:
        fine = bits.signed(frame, cell_start + rank * code_w, code_w)
        valid = fine != -(1 << (code_w - 1))
        cells[pick, _COLUMN["has_code"]] = valid
        if rough_ms is not None:
            scale = 2.0**-24 if code_w == 15 else 2.0**-29
            cells[pick, _COLUMN["pseudorange_m"]] = np.where(valid, (rough_ms + fine * scale) * _LIGHT_MS_M, np.nan)
    if phase_w:
        fine = bits.signed(frame, phase_at + rank * phase_w, phase_w)
        valid = fine != -(1 << (phase_w - 1))
        cells[pick, _COLUMN["has_phase"]] = valid
        if rough_ms is not None:
            scale = 2.0**-29 if phase_w == 22 else 2.0**-31
            cells[pick, _COLUMN["phase_range_m"]] = np.where(valid, (rough_ms + fine * scale) * _LIGHT_MS_M, np.nan)
        lock = bits.unsigned(frame, lock_at + rank * lock_w, lock_w)
        cells[pick, _COLUMN["lock_ms"]] = lock_ms_4(lock) if lock_w == 4 else lock_ms_10(lock)
        cells[pick, _COLUMN["half_cycle"]] = bits.unsigned(frame, half_at + rank, 1)
    if cn0_w:
        raw = bits.unsigned(frame, cn0_at + rank * cn0_w, cn0_w)
        scaled = raw if cn0_w == 6 else raw / 16.0
        cells[pick, _COLUMN["cn0_dbhz"]] = np.where(raw > 0, scaled, np.nan)
    if level in (5, 7):
        info = bits.unsigned(frame, sat_start + 8 * n_sat + sat_rank * 4, 4)
        glonass = cells[pick, _COLUMN["system"]] == GLONASS
        cells[pick, _COLUMN["glonass_channel"]] = np.where(glonass & (info <= 13), info - 7.0, np.nan)


def _rough_range_ms(bits: BitField, level: int, frame: Ints, sat_rank: Ints, n_sat: Ints, sat_start: Ints) -> Floats:
    """Rough range of the cell's satellite; NaN where MSM1 to MSM3 leave out the whole milliseconds. [ms]"""
    if level <= 3:
        return np.full(len(frame), np.nan)
    whole = bits.unsigned(frame, sat_start + sat_rank * 8, 8)
    modulo_at = sat_start + 8 * n_sat + (4 * n_sat if level in (5, 7) else 0)
    part = bits.unsigned(frame, modulo_at + sat_rank * 10, 10)
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


def _numbers(mask: NDArray[np.bool_]) -> Ints:
    """For each row, the numbers (from 1) of the bits that are set, in order, padded with 0."""
    order = np.argsort(~mask, axis=1, kind="stable") + 1
    return np.where(np.arange(mask.shape[1])[None, :] < mask.sum(axis=1)[:, None], order, 0)


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
    return np.concatenate(parts) if parts else np.zeros((0, len(_COLUMN)))


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
    cells = np.full((len(frame), len(_COLUMN)), np.nan)
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
