"""GPS time less UTC, and the offsets of the other systems' times."""

from __future__ import annotations

import datetime as dt

# IERS Leap_Second.dat (Bulletin C 72, July 2026; valid to 28 June 2027), TAI - UTC less 19 s.
GPS_MINUS_UTC_S: tuple[tuple[dt.date, int], ...] = (
    (dt.date(1999, 1, 1), 13),
    (dt.date(2006, 1, 1), 14),
    (dt.date(2009, 1, 1), 15),
    (dt.date(2012, 7, 1), 16),
    (dt.date(2015, 7, 1), 17),
    (dt.date(2017, 1, 1), 18),
)
CURRENT_LEAP_S = GPS_MINUS_UTC_S[-1][1]
BEIDOU_BEHIND_GPS_S = 14  # BDT epoch 2006-01-01 00:00 UTC, when GPS - UTC was 14 s
GLONASS_AHEAD_OF_UTC_S = 3 * 3600  # GLONASS time is UTC + 3 h, with leap seconds (interface document)


def gps_minus_utc_s(day: dt.date) -> int:
    """GPS time less UTC on a day from 1999 on; the newest known value for later days. [s]"""
    value = GPS_MINUS_UTC_S[0][1]
    for since, offset in GPS_MINUS_UTC_S:
        if day >= since:
            value = offset
    return value
