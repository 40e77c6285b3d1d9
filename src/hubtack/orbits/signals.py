"""Carrier frequencies of MSM signals and the satellite's delay on each, relative to the clock its message gives.

System numbers: GPS 1, GLONASS 2, Galileo 3, BeiDou 4, QZSS 5. Signal numbers: RTCM 10403.3 MSM signal masks, bands
by the first character of the RINEX code (``reference`` tables seen in pyrtcm 1.2.1). Frequencies: the interface
documents (IS-GPS-200, Galileo OS SIS ICD, BDS-SIS-ICD B1I/B3I, IS-QZSS, GLONASS ICD), from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hubtack.knowledge.messages import BEIDOU, GALILEO, GLONASS, GPS, NAVIC, QZSS, SBAS

if TYPE_CHECKING:
    from hubtack.orbits.ephemeris import Ephemeris

SPEED_OF_LIGHT_M_S = 299_792_458.0
SYSTEM_LETTERS = {GPS: "G", GLONASS: "R", GALILEO: "E", BEIDOU: "C", QZSS: "J", NAVIC: "I", SBAS: "S"}

_L1, _L2, _L5 = 1575.42e6, 1227.60e6, 1176.45e6
_E5B, _E5, _E6 = 1207.14e6, 1191.795e6, 1278.75e6
_B1I, _B3I = 1561.098e6, 1268.52e6
_G1, _G1_STEP, _G2, _G2_STEP = 1602.0e6, 0.5625e6, 1246.0e6, 0.4375e6

# Bands by MSM signal number. GLONASS frequencies are those of channel 0.
_RANGES: dict[int, tuple[tuple[range, str, float], ...]] = {
    GPS: ((range(2, 5), "L1", _L1), (range(8, 11), "L2", _L2), (range(15, 18), "L2", _L2),
          (range(22, 25), "L5", _L5), (range(30, 33), "L1", _L1)),
    GLONASS: ((range(2, 4), "G1", _G1), (range(8, 10), "G2", _G2)),
    GALILEO: ((range(2, 7), "E1", _L1), (range(8, 13), "E6", _E6), (range(14, 17), "E5b", _E5B),
              (range(18, 21), "E5", _E5), (range(22, 25), "E5a", _L5)),
    BEIDOU: ((range(2, 5), "B1I", _B1I), (range(8, 11), "B3I", _B3I), (range(14, 17), "B2I", _E5B),
             (range(22, 25), "B2a", _L5), (range(25, 26), "B2b", _E5B), (range(30, 33), "B1C", _L1)),
    QZSS: ((range(2, 3), "L1", _L1), (range(9, 12), "L6", _E6), (range(15, 18), "L2", _L2),
           (range(22, 25), "L5", _L5), (range(30, 33), "L1", _L1)),
    NAVIC: ((range(22, 23), "L5", _L5),),
    SBAS: ((range(2, 3), "L1", _L1), (range(22, 25), "L5", _L5)),
}  # fmt: skip
_BAND = {(s, n): (band, f) for s, rows in _RANGES.items() for numbers, band, f in rows for n in numbers}

# Pairs for the ionosphere-free combination, best first. Only bands whose delay the message gives: 1019 has none for
# L5, 1042 none for B1C, B2a and B2b, and the combination would amplify the unknown to metres.
PAIRS: dict[int, tuple[tuple[str, str], ...]] = {
    GPS: (("L1", "L2"),),
    GLONASS: (("G1", "G2"),),
    GALILEO: (("E1", "E5b"), ("E1", "E5a")),
    BEIDOU: (("B1I", "B3I"), ("B1I", "B2I")),
    QZSS: (("L1", "L2"),),
}
# The bands of those pairs: the first, what it is paired with best, and what else. Pairs are always with the first.
BANDS_OF = {
    system: (pairs[0][0], *(second for _, second in pairs)) for system, pairs in PAIRS.items()
}  # fmt: skip


def band(system: int, signal: int) -> str:
    """Name of the band of an MSM signal; empty where it is not known."""
    return _BAND.get((system, signal), ("", 0.0))[0]


def frequency_hz(system: int, signal: int, glonass_channel: int | None = None) -> float:
    """Carrier frequency of an MSM signal; NaN where it, or a GLONASS channel, is not known. [Hz]"""
    name, base = _BAND.get((system, signal), ("", float("nan")))
    if system != GLONASS:
        return base
    if glonass_channel is None or not -7 <= glonass_channel <= 6:
        return float("nan")
    return base + glonass_channel * (_G1_STEP if name == "G1" else _G2_STEP)


def group_delay_s(ephemeris: Ephemeris, band_name: str) -> float:
    """What the satellite adds to the pseudorange on a band, relative to the clock of its message; NaN if unknown. [s]

    References
    ----------
    GPS and QZSS: IS-GPS-200 20.3.3.3.3.2 (L1 gets TGD, L2 gamma times TGD; inter-signal corrections of L1 C/A and
    L2C, up to 0.6 m, are not in 1019). Galileo OS SIS ICD 5.1.5 (E1 BGD, second band gamma BGD; E5a under the I/NAV
    clock follows from both BGDs). BDS-SIS-ICD B1I 5.2.4.10 (clock refers to B3I). GLONASS ICD 4.4 (delta tau is L2
    less L1). All from memory, checked against a general GNSS library in tests/reference.
    """
    system = ephemeris.system
    if system in (GPS, QZSS):
        return {"L1": ephemeris.tgd_s, "L2": (_L1 / _L2) ** 2 * ephemeris.tgd_s}.get(band_name, float("nan"))
    if system == GLONASS:
        return {"G1": 0.0, "G2": ephemeris.delta_tau_s}.get(band_name, float("nan"))
    if system == GALILEO and ephemeris.message == 1045:
        return {"E1": ephemeris.bgd_e5a_s, "E5a": (_L1 / _L5) ** 2 * ephemeris.bgd_e5a_s}.get(band_name, float("nan"))
    if system == GALILEO:
        own, other = ephemeris.bgd_e5b_s, ephemeris.bgd_e5a_s
        delays = {"E1": own, "E5b": (_L1 / _E5B) ** 2 * own, "E5a": own + ((_L1 / _L5) ** 2 - 1.0) * other}
        return delays.get(band_name, float("nan"))
    if system == BEIDOU:
        return {"B3I": 0.0, "B1I": ephemeris.tgd_s, "B2I": ephemeris.tgd2_s}.get(band_name, float("nan"))
    return float("nan")
