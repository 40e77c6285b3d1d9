"""The table of a site file's keys: what each means and what it accepts. The loader, the page and the tests read it.

Bounds are there to catch a wrong unit or a slip of the keys (50 for 50 mm would allow 50 m), not to judge a site.
They are Hubtack's own: common practice, no source, unless one is named.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from hubtack.knowledge.job_classes import JOB_CLASSES_BY_KEY
from hubtack.knowledge.limits import LIMITS
from hubtack.units import UNITS

SOURCE_SCHEMES = ("serial", "tcp", "udp", "file", "ntrip", "ntrip+tls")
"""Schemes of a source URL; anything without ``://`` is a path, ``-`` is standard input."""


@dataclass(frozen=True, slots=True)
class Number:
    """A finite number between two bounds, both allowed unless ``above`` says that the lower one is not."""

    low: float = -math.inf
    high: float = math.inf
    above: bool = False
    whole: bool = False

    @property
    def accepts(self) -> str:
        """The accepted values, in words."""
        kind = "a whole number" if self.whole else "a number"
        if math.isinf(self.low) and math.isinf(self.high):
            return kind
        if math.isinf(self.high):
            return f"{kind} above {self.low:.12g}" if self.above else f"{kind}, {self.low:.12g} or more"
        low = f"above {self.low:.12g}, up to" if self.above else f"from {self.low:.12g} to"
        return f"{kind} {low} {self.high:.12g}"

    def value(self, given: object) -> float | int:
        """``given`` as a number; ValueError where it is not accepted."""
        if isinstance(given, bool) or not isinstance(given, int if self.whole else (int, float)):
            raise ValueError
        number = float(given)  # OverflowError (an integer beyond any float) is one of the loader's
        too_low = number <= self.low if self.above else number < self.low
        if not math.isfinite(number) or too_low or number > self.high:
            raise ValueError
        return int(given) if self.whole else number


@dataclass(frozen=True, slots=True)
class Choice:
    """One of a few words."""

    words: tuple[str, ...]

    @property
    def accepts(self) -> str:
        """The accepted values, in words."""
        return " | ".join(f'"{word}"' for word in self.words)

    def value(self, given: object) -> str:
        """``given`` if it is one of the words; ValueError where it is not."""
        if not isinstance(given, str) or given not in self.words:
            raise ValueError
        return given


@dataclass(frozen=True, slots=True)
class Text:
    """A text that is not empty and, where there is a pattern, matches it as a whole."""

    accepts: str
    pattern: str = r"(?s).*\S.*"

    def value(self, given: object) -> str:
        """``given`` if it is such a text; ValueError where it is not."""
        if not isinstance(given, str) or not re.fullmatch(self.pattern, given):
            raise ValueError
        return given


@dataclass(frozen=True, slots=True)
class Flag:
    """True or false."""

    accepts: str = "true | false"

    def value(self, given: object) -> bool:
        """``given`` if it is a boolean; ValueError where it is not."""
        if not isinstance(given, bool):
            raise ValueError
        return given


Check = Number | Choice | Text | Flag


@dataclass(frozen=True, slots=True)
class Key:
    """One key: its table (dotted, "" for the top), name, check, unit, meaning, an invented example in TOML.

    ``required`` counts only where the table is there at all. ``hint`` follows a complaint. A ``secret`` value is
    never repeated in one: people put the password itself where its variable's name belongs.
    """

    table: str
    name: str
    check: Check
    unit: str
    meaning: str
    example: str
    required: bool = False
    hint: str = ""
    secret: bool = False

    @property
    def path(self) -> str:
        """The key with its table, dotted."""
        return f"{self.table}.{self.name}" if self.table else self.name


_MM = "in metres: 50 mm is 0.050"
_PERCENT = "in metres per metre: 2 % is 0.02"
_SWAP = "north and east are positive; latitude and longitude may be swapped"
_SOURCE = Text("a source such as \"serial:///dev/ttyUSB0?baud=115200\" or \"tcp://host:port\"")
_LATITUDE = Number(-90.0, 90.0)
_LONGITUDE = Number(-180.0, 360.0)
_HEIGHT = Number(-1000.0, 10_000.0)
_SIGMA = Number(0.0, 10.0, above=True)
_PPM = Number(0.0, 100.0)

KEYS: tuple[Key, ...] = (
    Key("", "units", Choice(tuple(UNITS)), "",
        "unit of lengths on screens and in reports: metre, international foot, US survey foot; keys of this "
        "file stay in metres", '"m"'),
    Key("", "time_zone", Text('"UTC" or a zone of the IANA time zone database, written Area/City'), "",
        "time zone of screens and reports; data and JSON stay in UTC", '"UTC"'),
    Key("machine", "name", Text("a text"), "", "what the crew calls it", '"Digger 7"'),
    Key("machine", "kind", Choice(("excavator", "dozer", "grader", "roller", "other")), "",
        "decides whether course made good says anything about heading (dozer, grader, roller only)", '"excavator"'),
    Key("machine", "antenna_separation_m", Number(0.1, 30.0), "m",
        "distance between the two antennas as installed; without it no pair is configured, and heading is "
        "not required", "1.80", hint="in metres"),
    Key("machine.antenna", "right_m", Number(-30.0, 30.0), "m", "main antenna, right of the swing axis", "0.9",
        required=True),
    Key("machine.antenna", "forward_m", Number(-30.0, 30.0), "m", "main antenna, forward of the swing axis", "-1.3",
        required=True),
    Key("machine", "heading_offset_deg", Number(-360.0, 360.0), "deg",
        "from the antenna line to the boom's direction, clockwise", "0.0"),
    Key("machine", "reach_m", Number(0.0, 60.0), "m",
        "from the antennas' midpoint to the cutting edge, the longest in use", "9.0", hint="in metres"),
    Key("machine", "linkage_sigma_m", Number(0.0, 1.0), "m",
        "boom, stick and bucket sensors and tooth wear together, 1 sigma at the edge", "0.013", hint=_MM),
    Key("machine", "tilt_sigma_deg", Number(0.0, 10.0), "deg", "body pitch and roll, 1 sigma", "0.05"),
    Key("machine", "cost_per_h", Number(0.0), "per hour", "what an hour lost costs, in any currency", "0.0"),
    Key("job", "class", Choice(tuple(JOB_CLASSES_BY_KEY)), "",
        "a row of the job classes below; where none is set the trench row counts, and the screen says that "
        "none is set", '"trench"'),
    Key("job", "vertical_95_m", Number(0.0, 1.0, above=True), "m",
        "vertical tolerance at 95 %, instead of the class's", "0.050", hint=_MM),
    Key("job", "horizontal_95_m", Number(0.0, 2.0, above=True), "m",
        "horizontal tolerance at 95 %, instead of the class's", "0.075", hint=_MM),
    Key("job", "slope", Number(-1.5, 1.5), "m/m", "cross slope of the design", "0.0", hint=_PERCENT),
    Key("job", "require_check", Flag(), "", "without a passed control check the verdict is ROUGH at most", "false"),
    Key("receiver", "horizontal_m", _SIGMA, "m", "stated horizontal accuracy, 1 sigma, constant part", "0.008",
        hint=_MM),
    Key("receiver", "horizontal_ppm", _PPM, "ppm", "the same, part that grows with the baseline", "1.0"),
    Key("receiver", "vertical_m", _SIGMA, "m", "stated vertical accuracy, 1 sigma, constant part", "0.015", hint=_MM),
    Key("receiver", "vertical_ppm", _PPM, "ppm", "the same, part that grows with the baseline", "1.0"),
    Key("receiver", "assumed_baseline_m", Number(0.0, 1_000_000.0), "m",
        "distance to the base, where neither a stream nor site.base tells it; without any of them the "
        "verdict is ROUGH at most", "2000.0"),
    Key("rover", "source", _SOURCE, "", "the machine's own position stream", '"serial:///dev/ttyUSB0?baud=115200"'),
    Key("second_antenna", "source", _SOURCE, "",
        "only where the two antennas give two position streams; in an audit, a file beside this one",
        '"serial:///dev/ttyUSB1?baud=115200"'),
    Key("corrections", "source", _SOURCE, "", "the correction stream", '"ntrip://user@caster.example:2101/MOUNT"'),
    Key("corrections", "heard_at", Choice(("machine", "elsewhere")), "",
        '"elsewhere" for a second radio beside the machine', '"machine"'),
    Key("corrections", "password_env", Text("the name of an environment variable", r"[A-Za-z_][A-Za-z0-9_]*"), "",
        "the environment variable that holds the password; the password itself never goes into this file",
        '"HUBTACK_PASSWORD"', hint="the password itself does not belong here", secret=True),
    Key("corrections", "send_position", Choice(("auto", "always", "never")), "",
        "GGA to the caster: where it asks for one, always, never", '"auto"'),
    Key("site", "name", Text("a text"), "", "what the site is called", '"Reach 3"'),
    Key("site", "crs", Text('a coordinate system that PROJ knows, such as "EPSG:32760"'), "",
        "projected grid of the control marks; [site.local] wins over it; looked up when it is first used",
        '"EPSG:32760"', hint="in quotes"),
    Key("site.geoid", "separation_m", Number(-200.0, 200.0), "m",
        "height of the geoid above the ellipsoid at the site", "8.42"),
    Key("site.geoid", "model", Text("a grid that PROJ has, or a file beside this one"), "",
        "a geoid grid, instead of one figure", '"geoid.tif"'),
    Key("site.base", "latitude_deg", _LATITUDE, "deg", "where the base is, north positive", "-45.0", required=True,
        hint=_SWAP),
    Key("site.base", "longitude_deg", _LONGITUDE, "deg", "east positive", "170.0", required=True, hint=_SWAP),
    Key("site.base", "height_m", _HEIGHT, "m", "ellipsoidal height", "12.0", required=True),
    Key("site.base", "tolerance_m", Number(0.0, 100.0, above=True), "m",
        "how far the broadcast position may be from this", "0.05", hint=_MM),
    Key("site.base", "station_id", Number(0, 4095, whole=True), "", "reference station ID (DF003: 12 bits)", "412"),
    Key("site.base", "point", Choice(("arp", "mark")), "",
        "what the position is of: the antenna reference point, or the mark below it", '"arp"'),
    Key("site.base", "antenna_height_m", Number(0.0, 100.0), "m",
        'from the mark up to the antenna reference point; counts with point = "mark"', "0.0"),
    Key("site.base", "datum", Text('a datum that PROJ knows, such as "EPSG:7912"'), "",
        "reference frame of the position", '"EPSG:7912"'),
    Key("site.base", "epoch", Number(1980.0, 2100.0), "year", "epoch of the position, as a decimal year", "2026.0"),
    Key("site.local", "rotation_deg", Number(-360.0, 360.0), "deg", "rotation of the site's grid", "0.0"),
    Key("site.local", "scale", Number(0.9, 1.1), "", "scale of the site's grid", "1.0"),
    Key("site.local.origin", "easting_m", Number(-1e8, 1e8), "m", "origin in the site's own grid", "5000.0",
        required=True),
    Key("site.local.origin", "northing_m", Number(-1e8, 1e8), "m", "the same", "5000.0", required=True),
    Key("site.local.origin", "latitude_deg", _LATITUDE, "deg", "the same point on the ellipsoid", "-45.0",
        required=True, hint=_SWAP),
    Key("site.local.origin", "longitude_deg", _LONGITUDE, "deg", "the same", "170.0", required=True, hint=_SWAP),
    Key("site.local.height_plane", "offset_m", Number(-10_000.0, 10_000.0), "m",
        "to add to an ellipsoidal height at the origin", "0.0"),
    Key("site.local.height_plane", "north_m_per_m", Number(-0.1, 0.1), "m/m", "its slope to the north", "0.0"),
    Key("site.local.height_plane", "east_m_per_m", Number(-0.1, 0.1), "m/m", "its slope to the east", "0.0"),
    Key("site.control", "name", Text("a text"), "", "name of the mark, once per file", '"CP3"', required=True),
    Key("site.control", "easting_m", Number(-1e8, 1e8), "m", "in site.crs or [site.local]", "500000.000",
        required=True),
    Key("site.control", "northing_m", Number(-1e8, 1e8), "m", "the same", "5016000.000", required=True),
    Key("site.control", "height_m", _HEIGHT, "m", "height of the mark", "11.482", required=True),
    Key("site.control", "sigma_m", Number(0.0, 10.0), "m", "1 sigma of the mark itself, per axis", "0.010", hint=_MM),
    Key("site.control", "height_datum", Choice(("ellipsoid", "geoid")), "", "what height_m counts from",
        '"ellipsoid"'),
)

LIMIT_KEYS: tuple[Key, ...] = tuple(
    # A hundredfold is no reason of a site's but a slip of the unit: millimetres or milliseconds.
    Key("limits", row.key, Number(0.0, 1.0 if row.key.endswith("_share") else 100.0 * row.value), row.unit, row.effect,
        f"{row.value:g}")
    for row in LIMITS
)

REPEATED = frozenset({"site.control"})
"""Tables written as ``[[site.control]]``, once for each."""
INLINE = frozenset({"machine.antenna", "site.geoid", "site.base", "site.local.origin", "site.local.height_plane"})
"""Tables that the page shows on one line in braces; a file may write them either way."""
REQUIRED_TABLES = {"site.local": ("origin",)}
"""Tables that another table cannot be without."""


def keys_by_table() -> dict[str, dict[str, Key]]:
    """The keys of each table by name, tables in the order of the page."""
    tables: dict[str, dict[str, Key]] = {}
    for key in (*KEYS, *LIMIT_KEYS):
        tables.setdefault(key.table, {})[key.name] = key
        tables.setdefault(key.table.rpartition(".")[0], {})
    return tables

