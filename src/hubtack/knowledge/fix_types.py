"""Fix types: GGA quality, the name in the JSON contract, the words on a screen, and what each is worth."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FixType:
    """One fix type; ``floor_m`` is a 1 sigma per axis that the solution is never better than. [m]"""

    key: str
    words: str
    qualities: tuple[int, ...]
    floor_m: float
    source: str


FIX_TYPES: tuple[FixType, ...] = (
    FixType("none", "no fix", (0,), float("nan"), "NMEA 0183 GGA quality"),
    FixType("autonomous", "autonomous", (1,), 2.0, "2 to 5 m in plan at 95 %: common practice, no source"),
    FixType("differential", "differential", (2,), 0.5, "0.5 to 2 m: common practice, no source"),
    FixType("rtk_float", "RTK float", (5,), 0.20, "0.2 to 0.5 m: common practice, no source"),
    FixType("rtk_fixed", "RTK fixed", (4,), 0.0, "judged by GST and the receiver's constant + ppm"),
    # 3 (precise service), 6 (estimated), 7 (manual), 8 (simulator), and 9, which some receivers use outside the standard
    FixType(
        "other",
        "other",
        (3, 6, 7, 8, 9),
        2.0,
        "never infer centimetres from the number alone: common practice, no source",
    ),
)

NONE, AUTONOMOUS, DIFFERENTIAL, FLOAT, FIXED, OTHER = range(6)
# By quality 0 to 9; anything else, and no quality at all, is no fix.
QUALITY_TO_FIX: tuple[int, ...] = tuple(
    next(i for i, fix in enumerate(FIX_TYPES) if quality in fix.qualities) for quality in range(10)
)
