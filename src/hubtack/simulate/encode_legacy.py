"""1004 and 1012, the observation messages of older bases: GPS and GLONASS on two frequencies, a frame an epoch.

Layout: RTCM 10403.3, sections 3.5.1 and 3.5.2 (order and widths seen in pyrtcm 1.2.1), lock times by its table 3.4-2.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hubtack.simulate.encode import frames_of
from hubtack.simulate.encode_msm import Epochs
from hubtack.simulate.sky import GLONASS, LIGHT_M_S

Ints = NDArray[np.int64]

LEGACY_TYPES = {1: 1004, GLONASS: 1012}
MOST_SATELLITES = 31  # the count has five bits
_NO_DIFFERENCE, _NO_PHASE = -(1 << 13), -(1 << 19)  # the most negative value: not known
_MODULUS_M = {1: LIGHT_M_S / 1000.0, GLONASS: 2 * LIGHT_M_S / 1000.0}  # DF014 counts one light-millisecond, DF044 two


def legacy(system: int, station: Ints, epoch: Ints, more: Ints, observed: Epochs) -> list[bytes]:
    """One frame an epoch, of the first two signals.

    Parameters
    ----------
    system : GPS or GLONASS
    station, epoch, more : (T,) int
        Station ID, the epoch as an MSM of that system has it, and whether the other system's frame follows.

    Raises
    ------
    KeyError
        For another system: it has no such message.
    """
    number = LEGACY_TYPES[system]
    n_epochs = observed.code_m.shape[0]
    chosen = slice(0, MOST_SATELLITES)
    satellites, cells = observed.satellites[chosen], observed.cells[chosen]
    code, phase = observed.code_m[:, chosen], observed.phase_m[:, chosen]
    parts: list[NDArray[np.uint8]] = []

    def put(values: Ints | int, width: int) -> None:
        array = np.broadcast_to(np.asarray(values, dtype=np.int64), (n_epochs,))
        shifts = np.arange(width - 1, -1, -1, dtype=np.int64)
        parts.append(((array[:, None] >> shifts) & 1).astype(np.uint8))

    put(number, 12)
    put(station, 12)
    put(epoch & (1 << 27) - 1 if system == GLONASS else epoch, 27 if system == GLONASS else 30)
    put(more, 1)
    put(len(satellites), 5)
    put(0, 4)  # no smoothing
    for i, satellite in enumerate(satellites.tolist()):
        has_second = cells.shape[1] > 1 and bool(cells[i, 1])
        whole = np.floor(code[:, i, 0] / _MODULUS_M[system]).astype(np.int64)
        rest = np.rint((code[:, i, 0] - whole * _MODULUS_M[system]) / 0.02).astype(np.int64)
        l1_m = whole * _MODULUS_M[system] + rest * 0.02  # the other fields count from what is sent, not from the range
        put(satellite, 6)
        put(0, 1)  # C/A
        if system == GLONASS:
            put(int(observed.channel[i]) + 7, 5)
        put(rest, 25 if system == GLONASS else 24)
        put(_difference(phase[:, i, 0] - l1_m, 0.0005, _NO_PHASE), 20)
        put(lock_7(observed.lock_ms[:, i, 0]), 7)
        put(whole, 7 if system == GLONASS else 8)
        put(np.rint(observed.cn0_dbhz[:, i, 0] * 4).astype(np.int64), 8)
        put(2 if system != GLONASS else 0, 2)  # GPS L2 is P(Y) without the code, GLONASS L2 is C/A
        put(_difference(code[:, i, 1] - l1_m, 0.02, _NO_DIFFERENCE) if has_second else _NO_DIFFERENCE, 14)
        put(_difference(phase[:, i, 1] - l1_m, 0.0005, _NO_PHASE) if has_second else _NO_PHASE, 20)
        put(lock_7(observed.lock_ms[:, i, 1]) if has_second else 0, 7)
        put(np.rint(observed.cn0_dbhz[:, i, 1] * 4).astype(np.int64) if has_second else 0, 8)
    return frames_of(np.packbits(np.concatenate(parts, axis=1), axis=1))


def _difference(metres: NDArray[np.float64], step_m: float, none: int) -> Ints:
    """A difference in steps; "none" where it does not fit."""
    value = np.rint(metres / step_m)
    return np.where(np.abs(value) < -none, value, none).astype(np.int64)


def lock_7(lock_ms: Ints) -> Ints:
    """DF013: seconds up to 23, then coarser by the doubling; 127 from 937 s on."""
    s = lock_ms // 1000
    out = np.full(s.shape, 127, dtype=np.int64)
    for below, step, shift in ((936, 32, 3096), (744, 16, 1176), (360, 8, 408), (168, 4, 120), (72, 2, 24), (24, 1, 0)):
        out = np.where(s < below, (s + shift) // step, out)
    return out
