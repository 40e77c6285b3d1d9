"""Source tables as they are in the wild: STR, CAS and NET records. Pure; never raises on bad records, counts them.

Field tables: the wiki at software.rtcm-ntrip.org (STR, CAS, NET pages); deviations: common practice, docs/casters.md.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from hubtack.ntrip.answer import AnswerHead, BadAnswer, BodyDecoder

MAX_RECORDS = 200_000
MAX_LINE = 8192

# Spellings of constellations (seen in tables) to one name each; QZS and SBAS as RINEX has them.
SYSTEM_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "GPS": "GPS",
        "NAVSTAR": "GPS",
        "G": "GPS",
        "GLO": "GLONASS",
        "GLONASS": "GLONASS",
        "GLN": "GLONASS",
        "R": "GLONASS",
        "GAL": "Galileo",
        "GALILEO": "Galileo",
        "E": "Galileo",
        "BDS": "BeiDou",
        "BEIDOU": "BeiDou",
        "COMPASS": "BeiDou",
        "BEI": "BeiDou",
        "C": "BeiDou",
        "QZS": "QZSS",
        "QZSS": "QZSS",
        "J": "QZSS",
        "SBAS": "SBAS",
        "SBS": "SBAS",
        "EGNOS": "SBAS",
        "WAAS": "SBAS",
        "IRN": "NavIC",
        "IRNSS": "NavIC",
        "NAVIC": "NavIC",
    }
)


@dataclass(frozen=True, slots=True)
class Mount:
    """One STR record; None is unknown or not stated. ``oddities`` says what had to be forgiven."""

    mount: str
    identifier: str = ""
    format: str = ""
    details: str = ""
    messages: tuple[tuple[str, float | None], ...] = ()  # type as text, interval [s]
    carrier: int | None = None
    systems: tuple[str, ...] = ()
    network: str = ""
    country: str = ""
    lat_deg: float | None = None
    lon_deg: float | None = None  # -180 to 180
    needs_position: bool | None = None
    network_solution: bool | None = None
    generator: str = ""
    authentication: str = ""
    fee: bool | None = None
    bits_per_s: float | None = None
    misc: str = ""
    oddities: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Caster:
    """One CAS record."""

    host: str
    port: str
    identifier: str = ""
    operator: str = ""
    takes_position: bool | None = None
    country: str = ""
    lat_deg: float | None = None
    lon_deg: float | None = None
    fallback: tuple[str, int] | None = None
    misc: str = ""


@dataclass(frozen=True, slots=True)
class Network:
    """One NET record."""

    identifier: str
    operator: str = ""
    authentication: str = ""
    fee: bool | None = None
    web: str = ""
    web_streams: str = ""
    registration: str = ""
    misc: str = ""


@dataclass(frozen=True, slots=True)
class SourceTable:
    """A whole table; ``skipped`` counts lines that are no record, or a record without a mount point."""

    mounts: tuple[Mount, ...] = ()
    casters: tuple[Caster, ...] = ()
    networks: tuple[Network, ...] = ()
    skipped: int = 0
    complete: bool = True  # ENDSOURCETABLE was there
    oddities: tuple[str, ...] = field(default=())

    def find(self, mount: str) -> Mount | None:
        """The record of a mount point, by its exact name."""
        mount = mount.removeprefix("/")  # some casters want it asked for with two slashes
        return next((m for m in self.mounts if m.mount == mount), None)

    def near_names(self, mount: str, n: int = 3) -> list[str]:
        """The names most like ``mount``: other case first, then by likeness."""
        import difflib

        names = list(dict.fromkeys(m.mount for m in self.mounts))
        folded = [name for name in names if name.casefold() == mount.casefold()]
        by_fold: dict[str, str] = {}
        for name in names:
            by_fold.setdefault(name.casefold(), name)
        like = difflib.get_close_matches(mount.casefold(), list(by_fold), n, 0.5) if mount else []
        return list(dict.fromkeys(folded + [by_fold[key] for key in like]))[:n]


def parse_answer(raw: bytes) -> SourceTable:
    """The table in a saved answer, with or without its HTTP header."""
    head = raw.lstrip(b"\xef\xbb\xbf \r\n")[:12].upper()
    if head.startswith((b"HTTP/", b"SOURCETABLE ")):
        try:
            found = AnswerHead().feed(raw[:16_000])
        except BadAnswer:
            found = None
        if found is not None:
            answer, first = found
            body = first + raw[16_000:]
            if "chunked" in answer.get("transfer-encoding").lower():
                body = BodyDecoder(announced=True).feed(body, end=True)
            return parse_table(body)
    return parse_table(raw)


def parse_table(raw: bytes) -> SourceTable:
    """The table in the bytes of a body; line ends may be CR LF, LF or CR."""
    mounts: list[Mount] = []
    casters: list[Caster] = []
    networks: list[Network] = []
    skipped = 0
    complete = False
    seen: dict[str, int] = {}
    for line_raw in re.split(rb"[\r\n]+", raw.removeprefix(b"\xef\xbb\xbf")):
        line_raw = line_raw.strip(b" \t\x00")
        if not line_raw or line_raw.startswith((b"#", b"HTTP/1", b"SOURCETABLE 200")):
            continue
        if line_raw.upper().startswith(b"ENDSOURCETABLE"):
            complete = True
            break
        kind = line_raw[:4].upper()
        if kind not in (b"STR;", b"CAS;", b"NET;") or len(line_raw) > MAX_LINE or len(mounts) >= MAX_RECORDS:
            skipped += 1
            continue
        fields = split_fields(_decode(line_raw))
        if len(fields) < 2 or not fields[1]:
            skipped += 1
        elif kind == b"STR;":
            mount = _mount(fields)
            seen[mount.mount] = seen.get(mount.mount, 0) + 1
            if seen[mount.mount] > 1:
                mount = replace(mount, oddities=(*mount.oddities, "listed more than once"))
            mounts.append(mount)
        elif kind == b"CAS;":
            casters.append(_caster(fields))
        else:
            networks.append(_network(fields))
    return SourceTable(tuple(mounts), tuple(casters), tuple(networks), skipped, complete)


def _decode(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


_HIDDEN = "\x1f"
_QUOTED = re.compile(r'\s*"([^"]*)"\s*(?=;|\Z)')


def split_fields(line: str) -> list[str]:
    """Fields of a record: split at ``;`` unless it stands as ``";"`` or inside a field that is quoted as a whole."""
    line = line.replace('";"', _HIDDEN)
    fields: list[str] = []
    at = 0
    while at <= len(line):
        quoted = _QUOTED.match(line, at)
        if quoted is not None:
            part, at = quoted[1], quoted.end() + 1
        else:
            end = line.find(";", at)
            end = len(line) if end < 0 else end
            part, at = line[at:end], end + 1
        fields.append(" ".join(part.replace(_HIDDEN, ";").split()))
    return fields


def _number(text: str) -> float | None:
    try:
        value = float(text.replace(",", ".", 1))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _flag(text: str) -> bool | None:
    return {"0": False, "1": True, "N": False, "Y": True, "NO": False, "YES": True}.get(text.strip().upper())


def _get(fields: list[str], index: int) -> str:
    return fields[index] if index < len(fields) else ""


def _realigned(fields: list[str]) -> tuple[list[str], bool]:
    """Take back a semicolon that somebody left unquoted in the identifier or the format details.

    The record is shifted where its position and flags do not stand in their places and do stand a few fields on.
    """

    def fits(at: int) -> bool:
        lat, lon = _number(_get(fields, at)), _number(_get(fields, at + 1))
        return (
            lat is not None
            and lon is not None
            and abs(lat) <= 90
            and abs(lon) <= 360
            and _get(fields, at + 2) in ("0", "1")
            and _get(fields, at + 3) in ("0", "1")
        )

    # Empty positions are in order; only text where a number belongs speaks for a shift.
    odd = any(_get(fields, i) and _number(_get(fields, i)) is None for i in (9, 10)) or _get(fields, 11) not in (
        "0",
        "1",
        "",
    )
    if len(fields) < 14 or fits(9) or not odd:
        return fields, False
    for shift in (1, 2, 3):
        if not fits(9 + shift):
            continue
        for start in (2, 4):  # identifier, then details
            joined = [*fields[:start], "; ".join(fields[start : start + shift + 1]), *fields[start + shift + 1 :]]
            if "RTCM" in _get(joined, 3).upper() or start == 4:
                return joined, True
    return fields, False


def _position(lat_text: str, lon_text: str) -> tuple[float | None, float | None, tuple[str, ...]]:
    lat, lon = _number(lat_text), _number(lon_text)
    if lat is None or lon is None:
        return None, None, ("position is not a number",) if (lat_text or lon_text) else ()
    if lat == 0 and lon == 0:
        return None, None, ("position 0, 0 taken as not stated",)
    oddities: tuple[str, ...] = ()
    if abs(lat) > 90 and abs(lon) <= 90:
        lat, lon = lon, lat
        oddities = ("latitude and longitude exchanged",)
    if abs(lat) > 90 or abs(lon) > 360:
        return None, None, ("position is not on the Earth",)
    if not -180 <= lon <= 180:
        lon = round((lon + 180) % 360 - 180, 9)
    return lat, lon, oddities


_MESSAGE = re.compile(r"(?<![\w.])([A-Za-z]{0,4}\d{1,4})(?:\.\d+)?(?:\s*\(\s*([\d.,]*)\s*[A-Za-z]*\s*\))?(?![\w])")


def parse_messages(details: str) -> tuple[tuple[str, float | None], ...]:
    """Message types and intervals [s] of a format-details field: ``1004(1),1005(10)`` or ``1004,1005`` or text."""
    found: dict[str, float | None] = {}
    for number, interval in _MESSAGE.findall(details):
        found.setdefault(number.upper(), _number(interval) if interval else None)
    return tuple(found.items())


def parse_systems(text: str) -> tuple[str, ...]:
    """Constellations of a nav-system field, in its order; ``GNSS`` says nothing."""
    names = (SYSTEM_NAMES.get(part.upper()) for part in re.split(r"[+,/&|\s]+", text))
    return tuple(dict.fromkeys(name for name in names if name))


def _mount(fields: list[str]) -> Mount:
    fields, shifted = _realigned(fields)
    lat, lon, oddities = _position(_get(fields, 9), _get(fields, 10))
    if shifted:
        oddities = (*oddities, "a semicolon stood unquoted in the text")
    if len(fields) < 18:
        oddities = (*oddities, f"{len(fields)} fields where 18 are due")
    carrier = _number(_get(fields, 5))
    bits = _number(_get(fields, 17))
    return Mount(
        mount=fields[1].removeprefix("/"),
        identifier=_get(fields, 2),
        format=_get(fields, 3),
        details=_get(fields, 4),
        messages=parse_messages(_get(fields, 4)),
        carrier=int(carrier) if carrier is not None else None,
        systems=parse_systems(_get(fields, 6)),
        network=_get(fields, 7),
        country=_get(fields, 8),
        lat_deg=lat,
        lon_deg=lon,
        needs_position=_flag(_get(fields, 11)),
        network_solution=_flag(_get(fields, 12)),
        generator=_get(fields, 13),
        authentication=_get(fields, 15).upper(),
        fee=_flag(_get(fields, 16)),
        bits_per_s=bits if bits else None,
        misc="; ".join(f for f in fields[18:] if f and f.lower() != "none"),
        oddities=oddities,
    )


def _caster(fields: list[str]) -> Caster:
    # Both 10 and 12 fields are right: a number in field 11 tells that a fallback is there.
    lat, lon, _ = _position(_get(fields, 7), _get(fields, 8))
    fallback_port = _number(_get(fields, 10))
    fallback, misc = None, fields[9:]
    if fallback_port is not None:
        misc = fields[11:]
        if _get(fields, 9) not in ("", "0.0.0.0") and 0 < fallback_port < 65536:
            fallback = (fields[9], int(fallback_port))
    return Caster(
        fields[1],
        _get(fields, 2),
        _get(fields, 3),
        _get(fields, 4),
        _flag(_get(fields, 5)),
        _get(fields, 6),
        lat,
        lon,
        fallback,
        "; ".join(f for f in misc if f and f.lower() != "none"),
    )


def _network(fields: list[str]) -> Network:
    return Network(
        fields[1],
        _get(fields, 2),
        _get(fields, 3),
        _flag(_get(fields, 4)),
        _get(fields, 5),
        _get(fields, 6),
        _get(fields, 7),
        "; ".join(f for f in fields[8:] if f and f.lower() != "none"),
    )
