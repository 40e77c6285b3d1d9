"""Satellite numbers of NMEA sentences as (system, number within it), which is how corrections name satellites.

NMEA 0183 4.10 and later as receiver documents and pynmeagps' tables reproduce it; the older numbers of Galileo and
BeiDou (301+, 201+, 401+) are makers' own and from memory.
"""

from __future__ import annotations

from collections.abc import Mapping

from hubtack.knowledge.messages import BEIDOU, GALILEO, GLONASS, GPS, NAVIC, QZSS, SBAS

TALKER_SYSTEMS: Mapping[str, int] = {
    "GP": GPS, "GL": GLONASS, "GA": GALILEO, "GB": BEIDOU, "BD": BEIDOU, "GQ": QZSS, "QZ": QZSS, "GI": NAVIC,
}  # fmt: skip
SYSTEM_IDS: Mapping[int, int] = {1: GPS, 2: GLONASS, 3: GALILEO, 4: BEIDOU, 5: QZSS, 6: NAVIC}

# By range: first and last number, system, what to take off. Numbers below 65 belong to the talker's own system.
_RANGES: tuple[tuple[int, int, int, int], ...] = (
    (65, 99, GLONASS, 64), (120, 158, SBAS, 119), (193, 202, QZSS, 192), (201, 263, BEIDOU, 200),
    (301, 336, GALILEO, 300), (401, 463, BEIDOU, 400),
)  # fmt: skip


def satellite(number: int, system: int | None) -> tuple[int, int] | None:
    """System and number within it of an NMEA satellite number; None where it cannot be told.

    ``system`` is that of the talker or of the sentence's system ID, None for a sentence that names none.
    """
    if number < 1:
        return None
    if system == QZSS and number >= 193:
        return QZSS, number - 192
    if number <= 64:
        if system in (None, GPS):
            return (GPS, number) if number <= 32 else (SBAS, number - 32)
        return system, number
    for first, last, of, less in _RANGES:
        if first <= number <= last and (system is None or of == system or system == GPS):
            return of, number - less
    return None
