"""How far this computer's clock is from the time that the data speak of, whole days included."""

from __future__ import annotations

from hubtack.engine.axis import DAY_NS, SessionAxis

# Who knows the day without this computer's help.
_KNOWS_THE_DAY = ("rmc", "zda", "1013", "ephemeris")
# A receiver that has lost count of the GPS week is off by 1024 weeks, to the day: that is its date, not the computer's
# (the week number of 10 bits: IS-GPS-200, 20.3.3.3.1.1).
_WEEK_COUNT_DAYS = 1024 * 7


def days_off(axis: SessionAxis, arrival_utc_ns: int | None, content_ns: int, lag_ns: int | None) -> int:
    """Whole days by which arrivals lie after the data; 0 where nobody knows the day, or where the receiver lost count.

    Parameters
    ----------
    arrival_utc_ns : int or None
        Newest arrival by the wall clock. [ns since 1970]
    content_ns : int
        Newest datum on the session's axis. [ns]
    lag_ns : int or None
        Arrival less content as far as the time of day tells, within half a day. [ns]
    """
    if axis.day0 is None or axis.time_basis not in _KNOWS_THE_DAY or arrival_utc_ns is None or lag_ns is None:
        return 0
    days = (arrival_utc_ns - content_ns - axis.day0 * DAY_NS - lag_ns + DAY_NS // 2) // DAY_NS
    lost_count = abs(days) > 1 and days % _WEEK_COUNT_DAYS in (0, 1, _WEEK_COUNT_DAYS - 1)
    return 0 if lost_count else days
