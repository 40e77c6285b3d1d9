"""MSM1, MSM4, MSM5 and MSM7 of one system, for many epochs with the same satellites at once.

All fields of an epoch are one row of bits, so a day of epochs is packed by a few array operations. Layout: RTCM
10403.3, section 3.5.16 (order and widths seen in pyrtcm 1.2.1).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.simulate.encode import frames_of
from hubtack.simulate.sky import BEIDOU, GALILEO, GLONASS, GPS, LIGHT_M_S

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# First message type of each system's family.
MSM_BASE: Mapping[int, int] = {GPS: 1070, GLONASS: 1080, GALILEO: 1090, BEIDOU: 1120}
# Signal numbers and carrier frequencies [Hz] in the order used: RINEX 1C 2W 5X; 1C 2C; 1X 5X 7X; 2I 6I 7I.
# GLONASS frequencies are those of channel 0; each channel adds 9/16 and 7/16 MHz.
SIGNALS: Mapping[int, tuple[tuple[int, float], ...]] = {
    GPS: ((2, 1575.42e6), (10, 1227.60e6), (24, 1176.45e6)),
    GLONASS: ((2, 1602.0e6), (8, 1246.0e6)),
    GALILEO: ((5, 1575.42e6), (24, 1176.45e6), (16, 1207.14e6)),
    BEIDOU: ((2, 1561.098e6), (8, 1268.52e6), (14, 1207.14e6)),
}
_LIGHT_M_MS = LIGHT_M_S / 1000.0
MOST_CELLS = 64


@dataclass(slots=True)
class Epochs:
    """Observations of one system at T epochs with the same S satellites and K signals (numbers count from 1).

    ``code_m`` and ``phase_m`` are (T, S, K) with ``cells`` (S, K) true where there is one; ``lock_ms`` (T, S, K),
    ``cn0_dbhz`` (T, S, K), ``rate_m_s`` (T, S); ``channel`` (S,) is the GLONASS channel.
    """

    satellites: Ints
    signals: Sequence[int]
    cells: NDArray[np.bool_]
    code_m: Floats
    phase_m: Floats
    lock_ms: Ints
    cn0_dbhz: Floats
    rate_m_s: Floats
    channel: Ints


def msm(level: int, system: int, station: Ints, epoch: Ints, more: Ints, observed: Epochs) -> list[bytes]:
    """One frame an epoch.

    Parameters
    ----------
    level : 1, 4, 5 or 7
    station, epoch, more : (T,) int
        Station ID, the 30-bit epoch field in the system's own time scale, and the multiple-message bit.

    Raises
    ------
    ValueError
        If there are more than 64 cells (the standard then wants two messages), or the level is not one of those.
    """
    n_epochs, n_sats = observed.code_m.shape[:2]
    if level not in (1, 4, 5, 7):
        raise ValueError(f"MSM{level} is not written")
    if observed.cells.size > MOST_CELLS:
        raise ValueError("more than 64 cells in one MSM")
    parts: list[NDArray[np.uint8]] = []

    def put(values: NDArray[np.int64] | int, width: int) -> None:
        array = np.broadcast_to(np.asarray(values, dtype=np.int64), (n_epochs,)) if np.ndim(values) < 2 else values
        array = np.asarray(array).reshape(n_epochs, -1)
        shifts = np.arange(width - 1, -1, -1, dtype=np.int64)
        parts.append(((array[:, :, None] >> shifts) & 1).astype(np.uint8).reshape(n_epochs, -1))

    def put_mask(mask: NDArray[np.bool_]) -> None:
        parts.append(np.broadcast_to(mask.astype(np.uint8).ravel(), (n_epochs, mask.size)))

    put(MSM_BASE[system] + level, 12)
    put(station, 12)
    put(epoch, 30)
    put(more, 1)
    put(0, 18)  # issue of data, reserved, clock steering, external clock, smoothing
    put_mask(np.isin(np.arange(1, 65), observed.satellites))
    put_mask(np.isin(np.arange(1, 33), np.asarray(observed.signals)))
    put_mask(observed.cells)
    rough = np.rint(observed.code_m[:, :, 0] / _LIGHT_M_MS * 1024).astype(np.int64)
    if level >= 4:
        put(rough >> 10, 8)
    if level in (5, 7):
        extended = observed.channel + 7 if system == GLONASS else np.zeros(n_sats, dtype=np.int64)
        put(np.broadcast_to(extended, (n_epochs, n_sats)), 4)
    put(rough & 1023, 10)
    rate = np.rint(observed.rate_m_s).astype(np.int64)
    if level in (5, 7):
        put(rate, 14)
    at_sat, at_signal = np.nonzero(observed.cells)
    rough_ms = rough[:, at_sat] / 1024.0
    fine_code, fine_phase = (20, 24) if level >= 6 else (15, 22)
    code = observed.code_m[:, at_sat, at_signal] / _LIGHT_M_MS - rough_ms
    put(_fine(code, 29 if level >= 6 else 24, fine_code), fine_code)
    if level > 1:
        phase = observed.phase_m[:, at_sat, at_signal] / _LIGHT_M_MS - rough_ms
        put(_fine(phase, 31 if level >= 6 else 29, fine_phase), fine_phase)
        lock = observed.lock_ms[:, at_sat, at_signal]
        put(lock_10(lock) if level >= 6 else lock_4(lock), 10 if level >= 6 else 4)
        put(np.zeros_like(lock), 1)  # half-cycle ambiguity: resolved
        cn0 = observed.cn0_dbhz[:, at_sat, at_signal]
        put(np.rint(cn0 * 16 if level >= 6 else cn0).astype(np.int64), 10 if level >= 6 else 6)
    if level in (5, 7):
        rest = observed.rate_m_s[:, at_sat] - rate[:, at_sat]
        put(np.rint(rest * 1e4).astype(np.int64), 15)
    return frames_of(np.packbits(np.concatenate(parts, axis=1), axis=1))


def _fine(range_ms: Floats, exponent: int, width: int) -> Ints:
    """The part of a range beyond the rough one; the most negative value says "none" where it does not fit."""
    value = np.rint(range_ms * 2.0**exponent)
    limit = 2 ** (width - 1) - 1
    return np.where(np.abs(value) <= limit, value, -limit - 1).astype(np.int64)


def lock_4(lock_ms: Ints) -> Ints:
    """DF402: 0 below 32 ms, then a step for each doubling."""
    octave = np.floor(np.log2(np.maximum(lock_ms, 1))).astype(np.int64)
    return np.where(lock_ms < 32, 0, np.minimum(15, octave - 4))


def lock_10(lock_ms: Ints) -> Ints:
    """DF407: milliseconds up to 63, then 32 values for each doubling."""
    octave = np.maximum(np.floor(np.log2(np.maximum(lock_ms, 1))).astype(np.int64) - 5, 0)
    value = 32 * octave + (lock_ms >> octave)
    return np.where(lock_ms < 64, lock_ms, np.minimum(value, 704))
