"""The fields of the NMEA sentences that Hubtack uses: one table, read by both decoders.

Orders are those of NMEA 0183 4.10 as receiver manuals and pynmeagps' tables reproduce them. A field's number counts
after the address. Every table row begins with ``talker`` and ends with ``stamp_utc_s``, a logger's stamp in front of
the sentence.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

FieldKind = Literal[
    "number",
    "time",
    "latitude",
    "longitude",
    "text",
    "hex",
    "date",
    "knots",
    "decimals",
    "minute_decimals",
]


@dataclass(frozen=True, slots=True)
class Field:
    """One column: its name, the field it is read from, and how. Angles also read the hemisphere in the next field."""

    name: str
    index: int
    kind: FieldKind = "number"


def _f(name: str, index: int, kind: FieldKind = "number") -> Field:
    return Field(name, index, kind)


SENTENCES: Mapping[str, tuple[Field, ...]] = {
    "GGA": (
        _f("time_ms", 1, "time"), _f("latitude_deg", 2, "latitude"), _f("longitude_deg", 4, "longitude"),
        _f("quality", 6), _f("satellites", 7), _f("hdop", 8), _f("h_geoid_m", 9), _f("geoid_separation_m", 11),
        _f("age_s", 13), _f("station_id", 14, "text"), _f("minute_decimals", 2, "minute_decimals"),
        _f("height_decimals", 9, "decimals"),
    ),
    "GNS": (
        _f("time_ms", 1, "time"), _f("latitude_deg", 2, "latitude"), _f("longitude_deg", 4, "longitude"),
        _f("mode", 6, "text"), _f("satellites", 7), _f("hdop", 8), _f("h_geoid_m", 9), _f("geoid_separation_m", 10),
        _f("age_s", 11), _f("station_id", 12, "text"), _f("minute_decimals", 2, "minute_decimals"),
        _f("height_decimals", 9, "decimals"),
    ),
    "GST": (
        _f("time_ms", 1, "time"), _f("rms_m", 2), _f("sigma_major_m", 3), _f("sigma_minor_m", 4),
        _f("orientation_deg", 5), _f("sigma_north_m", 6), _f("sigma_east_m", 7), _f("sigma_up_m", 8),
    ),
    "GSA": (
        _f("selection", 1, "text"), _f("fix", 2), *(_f(f"sat_{i}", 2 + i) for i in range(1, 13)),
        _f("pdop", 15), _f("hdop", 16), _f("vdop", 17), _f("system_id", 18, "hex"),
    ),
    "GSV": (
        _f("n_sentences", 1), _f("index", 2), _f("in_view", 3),
        *(
            _f(name, 4 + 4 * (i - 1) + k)
            for i in range(1, 5)
            for k, name in enumerate((f"sat_{i}", f"elevation_{i}_deg", f"azimuth_{i}_deg", f"cn0_{i}_dbhz"))
        ),
        # Since 4.10 one more field follows the last satellite; it is read from behind, see decode.nmea.
        _f("signal_id", -1, "hex"),
    ),
    "RMC": (
        _f("time_ms", 1, "time"), _f("status", 2, "text"), _f("latitude_deg", 3, "latitude"),
        _f("longitude_deg", 5, "longitude"), _f("speed_m_s", 7, "knots"), _f("course_deg", 8), _f("date", 9, "date"),
        _f("mode", 12, "text"),
    ),
    "VTG": (_f("course_deg", 1), _f("speed_m_s", 5, "knots"), _f("mode", 9, "text")),
    "ZDA": (_f("time_ms", 1, "time"), _f("day", 2), _f("month", 3), _f("year", 4)),
    "HDT": (_f("heading_deg", 1),),
    "THS": (_f("heading_deg", 1), _f("mode", 2, "text")),
    "GBS": (_f("time_ms", 1, "time"), _f("err_lat_m", 2), _f("err_lon_m", 3), _f("err_h_m", 4)),
}  # fmt: skip

COLUMNS: Mapping[str, tuple[str, ...]] = {
    formatter: ("talker", *(field.name for field in fields), "stamp_utc_s") for formatter, fields in SENTENCES.items()
}
