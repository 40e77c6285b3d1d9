"""How the report says times, spans, shares and lengths; one place, so that a figure reads the same wherever it stands."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from hubtack.errors import UsageError
from hubtack.safe import safe_text

NONE = "–"  # what is not known; never 0
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
DAY_NS = 86_400_000_000_000


def span(seconds: float | None) -> str:
    """A span for a table, h:mm:ss."""
    if seconds is None:
        return NONE
    s = round(seconds)
    return f"{s // 3600}:{s % 3600 // 60:02d}:{s % 60:02d}"


def long_span(seconds: float | None) -> str:
    """A span for a sentence: "2 h 05 min", "5 min 12 s", "12 s"."""
    if seconds is None:
        return NONE
    s = round(seconds)
    if s >= 3600:
        minutes = round(seconds / 60)
        return f"{minutes // 60} h {minutes % 60:02d} min"
    return f"{s // 60} min {s % 60:02d} s" if s >= 60 else f"{s} s"


def percent(value: float | None) -> str:
    """A share; "<1 %" and ">99 %" where rounding would turn a little into none, or nearly all into all."""
    if value is None:
        return NONE
    whole = round(value * 100)
    if value > 0 and whole == 0:
        return "<1 %"
    return ">99 %" if value < 1 and whole == 100 else f"{whole} %"


def points(now: float | None, before: float | None) -> str:
    """The change of a share in points of a hundred."""
    return NONE if now is None or before is None else f"{(now - before) * 100:+.1f}"


def count(value: float | None) -> str:
    """A count with thin gaps between thousands."""
    return NONE if value is None else f"{value:,.0f}".replace(",", " ")


def fixed(value: float | None, decimals: int = 1) -> str:
    """A number with so many decimals."""
    return NONE if value is None or value != value else f"{value:.{decimals}f}"


def mm(value_m: float | None, *, signed: bool = False) -> str:
    """A short length in whole millimetres."""
    return NONE if value_m is None else f"{value_m * 1000:{'+' if signed else ''}.0f} mm"


def metres(value_m: float | None) -> str:
    """A length on the site: millimetres below 1 m, then metres, then kilometres."""
    if value_m is None:
        return NONE
    if abs(value_m) < 1:
        return mm(value_m)
    return f"{value_m:.0f} m" if abs(value_m) < 10_000 else f"{value_m / 1000:.1f} km"


@dataclass(frozen=True, slots=True)
class Clock:
    """The chosen time zone. Instants are nanoseconds since 1970."""

    name: str
    zone: dt.tzinfo

    @property
    def is_utc(self) -> bool:
        """The chosen zone is UTC itself, so that one time says it all."""
        return self.name == "UTC"

    def at(self, time_ns: int) -> dt.datetime:
        """The moment on the zone's clock."""
        return (_EPOCH + dt.timedelta(microseconds=time_ns // 1000)).astimezone(self.zone)

    def date(self, time_ns: int) -> str:
        """The day in the zone, 2031-03-04."""
        return self.at(time_ns).date().isoformat()

    def day_start_ns(self, time_ns: int) -> int:
        """Midnight, in the zone, of the day of a moment. A day has 23 or 25 hours when clocks change."""
        midnight = dt.datetime.combine(self.at(time_ns).date(), dt.time(), self.zone)
        return (midnight - _EPOCH) // dt.timedelta(microseconds=1) * 1000

    def hhmm(self, time_ns: int) -> str:
        """Hours and minutes in the zone."""
        return self.at(time_ns).strftime("%H:%M")

    def both(self, time_ns: int | None) -> str:
        """Date and time in the zone, and in UTC beside it where that is another."""
        if time_ns is None:
            return "date unknown"
        local = self.at(time_ns)
        text = local.strftime("%Y-%m-%d %H:%M:%S")
        if self.is_utc:
            return f"{text} UTC"
        utc = local.astimezone(dt.UTC)
        form = "%H:%M:%S" if utc.date() == local.date() else "%m-%d %H:%M:%S"
        return f"{text} ({utc.strftime(form)} UTC)"


def clock(zone: str) -> Clock:
    """The clock of an IANA zone ("Pacific/Auckland", "UTC").

    Raises
    ------
    UsageError
        If this computer knows no such zone.
    """
    if zone.upper() in ("UTC", "Z"):
        return Clock("UTC", dt.UTC)
    try:
        return Clock(zone, ZoneInfo(zone))
    except (KeyError, ValueError, OSError) as err:
        raise UsageError(
            f"no time zone {safe_text(zone, 60)!r} on this computer; write it like Pacific/Auckland or UTC "
            "(where none is known at all, install the package tzdata)"
        ) from err
