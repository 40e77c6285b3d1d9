"""MSM signal numbers as RINEX observation codes (RTCM 10403.3 signal tables, as pyrtcm's reproduce them)."""

from __future__ import annotations

from collections.abc import Mapping

from hubtack.knowledge.messages import BEIDOU, GALILEO, GLONASS, GPS, NAVIC, QZSS, SBAS

SIGNALS: Mapping[int, Mapping[int, str]] = {
    GPS: {2: "1C", 3: "1P", 4: "1W", 8: "2C", 9: "2P", 10: "2W", 15: "2S", 16: "2L", 17: "2X", 22: "5I", 23: "5Q",
          24: "5X", 30: "1S", 31: "1L", 32: "1X"},
    GLONASS: {2: "1C", 3: "1P", 8: "2C", 9: "2P"},
    GALILEO: {2: "1C", 3: "1A", 4: "1B", 5: "1X", 6: "1Z", 8: "6C", 9: "6A", 10: "6B", 11: "6X", 12: "6Z", 14: "7I",
              15: "7Q", 16: "7X", 18: "8I", 19: "8Q", 20: "8X", 22: "5I", 23: "5Q", 24: "5X"},
    SBAS: {2: "1C", 22: "5I", 23: "5Q", 24: "5X"},
    QZSS: {2: "1C", 9: "6S", 10: "6L", 11: "6X", 15: "2S", 16: "2L", 17: "2X", 22: "5I", 23: "5Q", 24: "5X", 30: "1S",
           31: "1L", 32: "1X"},
    BEIDOU: {2: "2I", 3: "2Q", 4: "2X", 8: "6I", 9: "6Q", 10: "6X", 14: "7I", 15: "7Q", 16: "7X", 22: "5D", 23: "5P",
             24: "5X", 25: "7D", 30: "1D", 31: "1P", 32: "1X"},
    NAVIC: {8: "9A", 22: "5A"},  # 8 from memory
}  # fmt: skip


def rinex_code(system: int, signal: int) -> str:
    """RINEX observation code without its leading letter, such as "1C"; "?n" for a number outside the table."""
    return SIGNALS.get(system, {}).get(signal, f"?{signal}")


def band_of(system: int, signal: int) -> str:
    """The frequency band of a signal, as RINEX numbers bands within a system; "" outside the table."""
    return SIGNALS.get(system, {}).get(signal, "")[:1]
