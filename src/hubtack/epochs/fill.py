"""What each kind of sentence adds to its rows."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Rows, pack_text, unpack_text
from hubtack.epochs.columns import COLUMNS, KINDS
from hubtack.epochs.grouping import DAY_MS
from hubtack.epochs.place import Filling, Place

Floats = NDArray[np.float64]
Fill = Callable[[Filling, Place, Rows], None]

# A heading from a gyro (talker HE) is no antenna pair.
TALKER_GYRO = pack_text(b"HE")
_FEW = 8  # different values of a text column, looked for one by one before it is sorted

# Mode letters of GNS and RMC as GGA quality. The order is by trust, lowest last: a solution is called by the least
# of the letters of the constellations in use, so that doubt never reads as "fixed".
_LETTER_QUALITY: Mapping[str, float] = {"R": 4, "F": 5, "P": 3, "D": 2, "A": 1, "E": 6, "M": 7, "S": 8, "N": 0}
_LETTER_TRUST = "RFPDAEMS"


def gns_quality(mode: str) -> float:
    """GGA quality for a GNS mode string such as "RRN"; 0 where no constellation is used, NaN for foreign letters.

    Source: NMEA 0183 mode letters (order of constellations GP, GL, GA, GB, GQ, GI); the least trusted wins.
    """
    used = mode.strip().replace("N", "")
    if not used:
        return 0.0 if mode.strip() else np.nan
    if any(letter not in _LETTER_TRUST for letter in used):
        return np.nan
    return _LETTER_QUALITY[max(used, key=_LETTER_TRUST.index)]


def _by_value(column: Floats, meaning: Callable[[Floats], Floats]) -> Floats:
    """``meaning`` of a column, worked out once for each value that occurs; NaN stays NaN."""
    if len(column) and (column == column[0]).all():  # nearly always
        return np.full(len(column), float(meaning(column[:1])[0]))
    out = np.full(len(column), np.nan)
    left = column == column
    for _ in range(_FEW):
        at = int(np.argmax(left))
        if not left[at]:
            return out
        here = column == column[at]
        out[here] = meaning(column[at : at + 1])[0]
        left &= ~here
    texts, inverse = np.unique(column[left], return_inverse=True)
    if len(texts):
        out[left] = meaning(texts)[inverse]
    return out


def _map_packed(column: Floats, meaning: Callable[[str], float]) -> Floats:
    """``meaning`` of packed text, worked out once for each text that occurs."""
    return _by_value(column, lambda texts: np.array([meaning(unpack_text(float(t))) for t in texts]))


def _fill_named(names: tuple[str, ...]) -> Fill:
    def fill(into: Filling, place: Place, rows: Rows) -> None:
        for name in names:
            into.first_valid(place, name, rows[name])
        _stamp(into, place, rows)

    return fill


def _stamp(into: Filling, place: Place, rows: Rows) -> None:
    stamp = rows["stamp_utc_s"]
    known = ~np.isnan(stamp)
    if known.any():
        np.fmax.at(into.column("stamp_utc_s"), place.row[known], stamp[known])


_POSITION = (
    "latitude_deg",
    "longitude_deg",
    "satellites",
    "hdop",
    "h_geoid_m",
    "geoid_separation_m",
    "age_s",
    "station_id",
    "minute_decimals",
    "height_decimals",
)


def _fill_gns(into: Filling, place: Place, rows: Rows) -> None:
    _fill_named(_POSITION)(into, place, rows)
    into.first_valid(place, "quality", _map_packed(rows["mode"], gns_quality))


def _fill_rmc(into: Filling, place: Place, rows: Rows) -> None:
    void = _map_packed(rows["status"], lambda text: 0.0 if text == "A" else 1.0)
    into.first_valid(place, "rmc_void", void)
    letter = _map_packed(rows["mode"], gns_quality)
    np.copyto(letter, 0.0, where=void == 1.0)
    for name in ("latitude_deg", "longitude_deg", "speed_m_s", "course_deg"):
        into.first_valid(place, name, rows[name])
    into.first_valid(place, "quality", letter)
    days = _by_value(rows["date"], _rmc_days)
    into.first_valid(place, "date_day", days - into.epochs.tod_ms[place.row] // DAY_MS)
    _stamp(into, place, rows)


def _rmc_days(date: Floats) -> Floats:
    year = date % 100
    return _days(np.where(year < 80, 2000 + year, 1900 + year), date // 100 % 100, date // 10_000)


def _fill_zda(into: Filling, place: Place, rows: Rows) -> None:
    # ZDA's time differs from GGA's in real logs, so its date goes with its own time of day: the two may lie on
    # either side of midnight.
    date = rows["year"], rows["month"], rows["day"]
    same = len(rows) > 1 and all((column == column[0]).all() for column in date)
    days = np.full(len(rows), _days(*(column[:1] for column in date))[0]) if same else _days(*date)
    gap = into.epochs.tod_ms[place.row] - rows["time_ms"]
    into.first_valid(place, "date_day", days - np.round(gap / DAY_MS))
    _stamp(into, place, rows)


def _days(year: Floats, month: Floats, day: Floats) -> Floats:
    """Days since 1970-01-01 of calendar dates; NaN where there is no such date."""
    if len(year) == 1:
        return np.array([_day(float(year[0]), float(month[0]), float(day[0]))])
    return _many_days(year, month, day)


@functools.lru_cache(maxsize=64)
def _day(year: float, month: float, day: float) -> float:
    """The same for one date, which comes again with every row."""
    return float(_many_days(np.array([year]), np.array([month]), np.array([day]))[0])


def _many_days(year: Floats, month: Floats, day: Floats) -> Floats:
    ok = (year >= 1980) & (year < 2100) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    out = np.full(len(year), np.nan)
    if ok.any():
        months = (year[ok] - 1970).astype(np.int64) * 12 + month[ok].astype(np.int64) - 1
        first = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
        following = (months + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
        days = first + day[ok].astype(np.int64) - 1
        out[ok] = np.where(days < following, days, np.nan)
    return out


def _fill_heading(source: float) -> Fill:
    def fill(into: Filling, place: Place, rows: Rows) -> None:
        heading = rows["heading_deg"]
        gyro = rows["talker"] == TALKER_GYRO
        if source == 2 or gyro.any():
            heading = np.where(gyro, np.nan, heading)
        if source == 2:
            void = _map_packed(rows["mode"], lambda text: 0.0 if text in ("A", "D", "F", "R", "") else 1.0)
            heading[void == 1.0] = np.nan
        if place.runs is not None and {"heading_deg", "heading_source"} <= into.fresh:
            into.first_valid(place, "heading_deg", heading)
            into.first_valid(place, "heading_source", np.where(np.isnan(heading), np.nan, source))
        else:
            target = into.column("heading_deg")
            before = np.isnan(target)
            place.first_valid(target, heading)
            before &= ~np.isnan(target)
            into.column("heading_source")[before] = source
        _stamp(into, place, rows)

    return fill


def _fill_gsa(into: Filling, place: Place, rows: Rows) -> None:
    into.first_valid(place, "pdop", rows["pdop"])
    used = np.zeros(len(rows))
    for column in ~np.isnan(rows.columns("sat_1", 12).T):
        used += column
    seen = place.seen()
    into.column("n_used")[seen] = place.total(used)[seen]


def _fill_gsv(into: Filling, place: Place, rows: Rows) -> None:
    tracked_of = np.zeros(len(rows))
    for cn0 in rows.columns("cn0_1_dbhz", 4, step=4).T:
        tracked_of += cn0 > 0
    seen = place.seen()
    into.column("n_tracked")[seen] = place.total(tracked_of)[seen]


FILL: Mapping[str, Fill] = {
    "GGA": _fill_named((*_POSITION, "quality")),
    "GNS": _fill_gns,
    "RMC": _fill_rmc,
    "GST": _fill_named(
        ("sigma_major_m", "sigma_minor_m", "orientation_deg", "sigma_north_m", "sigma_east_m", "sigma_up_m")
    ),
    "GBS": _stamp,
    "HDT": _fill_heading(1.0),
    "THS": _fill_heading(2.0),
    "GSA": _fill_gsa,
    "GSV": _fill_gsv,
    "VTG": _fill_named(("speed_m_s", "course_deg")),
    "ZDA": _fill_zda,
}

assert set(FILL) == set(KINDS)
assert set(COLUMNS) >= set(_POSITION)
