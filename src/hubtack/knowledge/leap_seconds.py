"""GPS time less UTC, and the offsets of the other systems' times."""

from __future__ import annotations

CURRENT_LEAP_S = 18  # since 2017-01-01: IERS Leap_Second.dat (Bulletin C 72, July 2026; valid to 28 June 2027)
BEIDOU_BEHIND_GPS_S = 14  # BDT epoch 2006-01-01 00:00 UTC, when GPS - UTC was 14 s
GLONASS_AHEAD_OF_UTC_S = 3 * 3600  # GLONASS time is UTC + 3 h, with leap seconds (interface document)
