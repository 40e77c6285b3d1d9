"""One pseudorange a satellite out of an epoch's cells: free of the ionosphere where two bands allow it.

Many epochs at once. What is measured on a band is freed of the satellite's group delay first; within a band the code
that the broadcast clock refers to comes first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.knowledge.messages import BEIDOU, GALILEO, GLONASS, GPS, QZSS
from hubtack.orbits import atmosphere
from hubtack.orbits.book import NUMBERS, OrbitBook
from hubtack.orbits.ephemeris import Ephemeris
from hubtack.orbits.signals import BANDS_OF, SPEED_OF_LIGHT_M_S, band, frequency_hz

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_CODE_NOISE_M = 0.3  # noise with multipath at the zenith, one frequency; common practice, grows as 1 / sin(elevation)
# 1 sigma of what does not average within a session: orbit and clock of the broadcast message, codes not those the
# clock refers to (GPS C/A 0.3 m, GLONASS between channels some metres). Published user range errors of the systems
# are 0.3 to 1 m (GPS, Galileo), about 1 m (BeiDou), 2 to 3 m (GLONASS); with the code part from practice, from memory.
BIAS_M = {GPS: 0.8, GALILEO: 0.6, BEIDOU: 1.3, QZSS: 1.5, GLONASS: 3.0}
# Within a band: the codes that the broadcast clock refers to come first (P or W, then C/A, then the rest).
_CODE_ORDER = {GPS: (4, 3, 2, 10, 9), GLONASS: (3, 2, 9, 8)}
_LEAST_M, _MOST_M = 1e7, 6e7  # a pseudorange outside is none
_MOST_APART_M = 150.0  # the ionosphere never parts two bands so far: one of the two is wrong

_SYSTEMS, _SIGNALS, _BANDS = 16, 64, 3
_CHANNELS = range(-7, 7)


def _by_signal() -> tuple[Ints, Ints, Floats]:
    """Place of a signal's band in ``BANDS_OF`` (-1: not used), its rank in the band, and its frequency by channel."""
    place = np.full((_SYSTEMS, _SIGNALS), -1, dtype=np.int64)
    rank = np.full((_SYSTEMS, _SIGNALS), 0, dtype=np.int64)
    hz = np.full((_SYSTEMS, _SIGNALS, len(_CHANNELS) + 1), np.nan)
    for system, names in BANDS_OF.items():
        order = _CODE_ORDER.get(system, ())
        for n in range(1, 33):
            if band(system, n) in names:
                place[system, n] = names.index(band(system, n))
                rank[system, n] = order.index(n) if n in order else 50 + n
                hz[system, n] = [*(frequency_hz(system, n, c) for c in _CHANNELS), frequency_hz(system, n)]
    return place, rank, hz


_PLACE, _RANK, _HZ = _by_signal()
_BIAS = np.array([BIAS_M.get(s, np.nan) for s in range(_SYSTEMS)])
_NOISE = np.array([_CODE_NOISE_M * (2.0 if s == GLONASS else 1.0) for s in range(_SYSTEMS)])


@dataclass(frozen=True, slots=True)
class Ranges:
    """One pseudorange a satellite: (n,) arrays, epoch by epoch and within each by system and number.

    ``t_gpst_s`` (E,) are the times of reception, ``epoch`` the epoch of each row and ``row`` its ephemeris in ``book``.
    ``pseudorange_m`` is free of group delay; ``iono_factor`` is 0 for the two-frequency combination, else the code
    delay over that on L1; ``noise_m`` is the 1-sigma noise at the zenith. ``raw_m`` is what was measured on the
    first band, for the time of transmission.
    """

    book: OrbitBook
    leap_s: float
    t_gpst_s: Floats
    epoch: Ints
    row: Ints
    system: Ints
    satellite: Ints
    pseudorange_m: Floats
    raw_m: Floats
    iono_factor: Floats
    noise_m: Floats
    bias_m: Floats

    def __len__(self) -> int:
        return len(self.epoch)


def ranges_of_epoch(
    t_gpst_s: float,
    leap_s: float,
    ephemerides: Mapping[tuple[int, int], Ephemeris],
    system: Ints,
    satellite: Ints,
    signal: Ints,
    pseudorange_m: Floats,
    glonass_channel: Ints | None = None,
) -> Ranges:
    """One range a satellite: two-frequency and free of the ionosphere where its delays are known, else one band.

    Parameters
    ----------
    t_gpst_s, leap_s : float
        Time of reception in seconds of the GPS week, and GPS time less UTC. [s]
    ephemerides : mapping
        (system, satellite) to its ephemeris; satellites without one, or unhealthy, are left out.
    system, satellite, signal : (N,) int
        Constellation (GPS 1 ... QZSS 5), number in it and MSM signal of each cell.
    pseudorange_m : (N,) float
        NaN where there is none. [m]
    glonass_channel : (N,) int, optional
        Frequency channel; where it is not -7 to 6 that of the ephemeris serves.
    """
    book = OrbitBook()
    row = book.table(ephemerides.values())[np.minimum(100 * system + satellite, NUMBERS - 1)]
    channel = np.full(len(system), 99) if glonass_channel is None else glonass_channel
    epoch = np.zeros(len(system), dtype=np.int64)
    at = np.array([t_gpst_s], dtype=np.float64)
    return ranges_of(book, leap_s, at, epoch, row, system, satellite, signal, pseudorange_m, channel)


def ranges_of(
    book: OrbitBook,
    leap_s: float,
    t_gpst_s: Floats,
    epoch: Ints,
    row: Ints,
    system: Ints,
    satellite: Ints,
    signal: Ints,
    pseudorange_m: Floats,
    glonass_channel: Ints,
) -> Ranges:
    """The same for the cells (N,) of E epochs; ``row`` is the ephemeris of each cell in ``book``, -1 for none."""
    book.settle()
    usable = np.isfinite(pseudorange_m) & (pseudorange_m > _LEAST_M) & (pseudorange_m < _MOST_M) & (row >= 0)
    usable &= (system >= 0) & (system < _SYSTEMS) & (signal >= 0) & (signal < _SIGNALS)
    index = np.flatnonzero(usable)
    index = index[book.healthy[row[index]] & (_PLACE[system[index], signal[index]] >= 0)]
    mine, cells_of, of_signal = row[index], system[index], signal[index]
    place = _PLACE[cells_of, of_signal]
    delay_s = book.delay_s[mine, place]
    channel = np.where(_is_channel(glonass_channel[index]), glonass_channel[index], book.channel[mine])
    known = _is_channel(channel) & (cells_of == GLONASS)
    hz = _HZ[cells_of, of_signal, np.where(known, channel - _CHANNELS.start, len(_CHANNELS))]
    good = np.isfinite(delay_s + hz)
    index, mine, cells_of, place = index[good], mine[good], cells_of[good], place[good]
    measured_m, hz = pseudorange_m[index] - delay_s[good] * SPEED_OF_LIGHT_M_S, hz[good]
    # Satellites by epoch, system and number.
    key = epoch[index] * NUMBERS + 100 * cells_of + satellite[index]
    present = np.zeros(len(t_gpst_s) * NUMBERS, dtype=bool)
    present[key] = True
    keys = np.flatnonzero(present)
    lookup = np.zeros(len(present), dtype=np.int64)
    lookup[keys] = np.arange(len(keys))
    slot = lookup[key] * _BANDS + place
    # Of each band the best code: written last, the first of equals after the others.
    order = np.argsort(_RANK[cells_of, signal[index]], kind="stable")[::-1]
    chosen = np.full(len(keys) * _BANDS, -1, dtype=np.int64)
    chosen[slot[order]] = order
    table = chosen.reshape(-1, _BANDS)
    row_of = np.zeros(len(keys), dtype=np.int64)
    row_of[lookup[key]] = mine
    values, good = _combined(table, measured_m, hz, _NOISE[keys % NUMBERS // 100])
    keys, row_of = keys[good], row_of[good]
    range_m, raw_m, factor, noise_m = (column[good] for column in values)
    number = keys % NUMBERS
    return Ranges(book, leap_s, t_gpst_s, keys // NUMBERS, row_of, number // 100, number % 100, range_m, raw_m, factor,
                  noise_m, _BIAS[number // 100])  # fmt: skip


def _is_channel(channel: Ints) -> NDArray[np.bool_]:
    return np.asarray((channel >= _CHANNELS.start) & (channel < _CHANNELS.stop))


def _combined(
    table: Ints, measured_m: Floats, hz: Floats, noise_m: Floats
) -> tuple[tuple[Floats, Floats, Floats, Floats], NDArray[np.bool_]]:
    """Range, raw range, ionospheric factor and zenith noise of each satellite, and which satellites have one."""
    measured_m, hz = np.append(measured_m, np.nan), np.append(hz, np.nan)  # -1 reads NaN
    p1, f1 = measured_m[table[:, 0]], hz[table[:, 0]]
    second = np.where(table[:, 1] >= 0, table[:, 1], table[:, 2])
    p2, f2 = measured_m[second], hz[second]
    both = (table[:, 0] >= 0) & (second >= 0)
    gamma = np.where(both, (f1 / f2) ** 2, 2.0)
    range_m = np.where(both, (gamma * p1 - p2) / (gamma - 1.0), p1)
    factor = np.where(both, 0.0, atmosphere.ionosphere_factor(f1))
    noise = np.where(both, noise_m * np.sqrt(gamma**2 + 1.0) / (gamma - 1.0), noise_m)
    good = (table[:, 0] >= 0) & ~(both & (np.abs(p2 - p1) > _MOST_APART_M))
    return (range_m, p1, factor, noise), good
