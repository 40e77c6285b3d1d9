"""One NMEA sentence at a time, by the field table: the reader of live streams and of every odd line in a log.

A number is ``float()`` of its text; the columnar reader gets the same to the bit for whole blocks. What is no plain
number (an exponent, "nan", letters) is no value.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from hubtack.decode.tables import pack_text
from hubtack.knowledge.sentences import SENTENCES, Field
from hubtack.units import KNOT_M_S

NAN = float("nan")
_NUMBER = re.compile(rb" *[+-]?(?:\d+\.?\d*|\.\d+) *")
_TIME = re.compile(rb"(\d\d)(\d\d)(\d\d)(?:\.(\d*))?")
_MOST_DIGITS = 18  # more digits than this are no measurement


@dataclass(frozen=True, slots=True)
class Sentence:
    """A sentence as far as its form goes. ``checksum``: True good, False bad, None absent."""

    talker: bytes
    formatter: str
    fields: list[bytes]
    checksum: bool | None

    @property
    def address(self) -> str:
        """Talker and formatter."""
        return self.talker.decode("latin-1") + self.formatter


def parse_sentence(data: bytes) -> Sentence:
    """Address, fields and checksum of ``data``, which starts with ``$`` and has no line end.

    NMEA 0183: XOR of all characters between ``$`` and ``*``; digits in either case are taken.
    """
    body, star, digits = data[1:].partition(b"*")
    checksum: bool | None = None
    if star:
        try:
            checksum = xor(body) == int(digits.rstrip(b" ")[:2], 16) and len(digits.rstrip(b" ")) == 2
        except ValueError:
            checksum = False
    fields = body.split(b",")
    address = fields[0]
    if address[:1] == b"P" or len(address) < 5:
        return Sentence(b"P", address.decode("latin-1"), fields, checksum)
    return Sentence(address[:-3], address[-3:].decode("latin-1"), fields, checksum)


def xor(data: bytes) -> int:
    """XOR of all bytes. Halves of one long integer are folded onto each other: a few steps, not one a byte."""
    value, n = int.from_bytes(data, "big"), len(data)
    while n > 1:
        half = n // 2
        value = value >> (half * 8) ^ value & ((1 << half * 8) - 1)
        n -= half
    return value


def sentence_row(sentence: Sentence, stamp_utc_s: float) -> list[float] | None:
    """The table row of a sentence: talker, its fields, the logger's stamp. None for a formatter outside the table."""
    layout = SENTENCES.get(sentence.formatter)
    if layout is None or sentence.talker == b"P":
        return None
    fields = sentence.fields
    signal = NAN
    if sentence.formatter == "GSV":
        # A lone field behind the last satellite is the signal ID (4.10), not the next satellite's number.
        signal = _gsv_signal(fields)
        fields = fields[: 4 + max(0, len(fields) - 4) // 4 * 4]
    row = [pack_text(sentence.talker)]
    for item in layout:
        row.append(signal if item.index < 0 else _READ[item.kind](fields, item))
    row.append(stamp_utc_s)
    return row


def number(text: bytes) -> float:
    """A plain decimal number, NaN for anything else and for nothing."""
    if not text or _NUMBER.fullmatch(text) is None:
        return NAN
    return float(text) if len(text) <= _MOST_DIGITS else _long_number(text)


def _long_number(text: bytes) -> float:
    return float(text) if sum(c not in b" +-." for c in text) <= _MOST_DIGITS else NAN


def time_ms(text: bytes) -> float:
    """Milliseconds of the day of hhmmss.sss, rounded half up; NaN for no time. Second 60 (a leap second) is taken."""
    match = _TIME.fullmatch(text.strip(b" "))
    if match is None:
        return NAN
    hour, minute, second = int(match[1]), int(match[2]), int(match[3])
    if hour > 23 or minute > 59 or second > 60:
        return NAN
    part = (match[4] or b"")[:4].ljust(4, b"0")
    return float((hour * 3600 + minute * 60 + second) * 1000 + (int(part) + 5) // 10)


def angle_deg(text: bytes, hemisphere: bytes, positive: bytes, negative: bytes, limit: int) -> float:
    """Degrees of (d)ddmm.mmmm with its hemisphere; NaN out of range or without one."""
    text = text.strip(b" ")
    whole, _, part = text.partition(b".")
    if not (3 <= len(whole) <= 5) or not whole.isdigit() or (part and not part.isdigit()) or len(part) > 13:
        return NAN
    degrees = int(whole[:-2])
    minutes: float = int(whole[-2:] + part) / 10 ** len(part)
    value = degrees + minutes / 60.0
    if minutes >= 60.0 or value > limit or hemisphere.strip(b" ") not in (positive, negative):
        return NAN
    return -value if hemisphere.strip(b" ") == negative else value


def decimals(text: bytes) -> float:
    """Digits after the point; NaN where there is no number."""
    text = text.strip(b" ")
    if number(text) != number(text):
        return NAN
    return float(len(text.partition(b".")[2]))


def hex_digit(text: bytes) -> float:
    """One or two hexadecimal digits as a number; NaN for anything else."""
    text = text.strip(b" ")
    if not 1 <= len(text) <= 2:
        return NAN
    try:
        return float(int(text, 16))
    except ValueError:
        return NAN


def _field(fields: list[bytes], index: int) -> bytes:
    return fields[index] if index < len(fields) else b""


def _latitude(fields: list[bytes], item: Field) -> float:
    return angle_deg(_field(fields, item.index), _field(fields, item.index + 1), b"N", b"S", 90)


def _longitude(fields: list[bytes], item: Field) -> float:
    return angle_deg(_field(fields, item.index), _field(fields, item.index + 1), b"E", b"W", 180)


def _date(fields: list[bytes], item: Field) -> float:
    text = _field(fields, item.index).strip(b" ")
    return float(int(text)) if len(text) == 6 and text.isdigit() else NAN


def _gsv_signal(fields: list[bytes]) -> float:
    """The signal ID follows the last satellite, so a sentence that has one holds 1 field more than 4 a satellite."""
    return hex_digit(fields[-1]) if len(fields) > 4 and (len(fields) - 4) % 4 == 1 else NAN


_READ: dict[str, Callable[[list[bytes], Field], float]] = {
    "number": lambda fields, item: number(_field(fields, item.index)),
    "knots": lambda fields, item: number(_field(fields, item.index)) * KNOT_M_S,
    "time": lambda fields, item: time_ms(_field(fields, item.index)),
    "latitude": _latitude,
    "longitude": _longitude,
    "text": lambda fields, item: pack_text(_field(fields, item.index).strip(b" ")),
    "hex": lambda fields, item: hex_digit(_field(fields, item.index)),
    "date": _date,
    "decimals": lambda fields, item: decimals(_field(fields, item.index)),
    "minute_decimals": lambda fields, item: (
        float(len(_field(fields, item.index).strip(b" ").partition(b".")[2]))
        if _latitude(fields, item) == _latitude(fields, item)
        else NAN
    ),
}
