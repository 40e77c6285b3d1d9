"""A logger's time stamp in front of a sentence: ISO 8601 or seconds since 1970, then a space, comma or the like."""

from __future__ import annotations

import datetime as dt
import re

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

LONGEST = 40  # bytes before a sentence in which a stamp is looked for
_ISO = re.compile(rb"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?(Z|[+-]\d\d:?\d\d)?[ ,;\t]+\Z")
_EPOCH = re.compile(rb"(\d{9,10})(?:\.(\d{1,9}))?[ ,;\t]+\Z")
_DAY_S = 86_400
_MONTH_DAYS = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])  # a 29 February is left to the scalar way


def stamp_utc_s(text: bytes) -> tuple[float, int]:
    """UTC seconds since 1970 of a stamp that ends ``text``, and its length; NaN and 0 without one.

    A stamp without a zone is taken as UTC.
    """
    match = _ISO.search(text)
    if match is not None:
        zone = (match[4] or b"Z").decode().replace("Z", "+00:00")
        try:
            when = dt.datetime.fromisoformat(f"{match[1].decode()}T{match[2].decode()}{zone}")
        except ValueError:
            return float("nan"), 0
        return when.timestamp() + _fraction(match[3]), len(match[0])
    match = _EPOCH.search(text)
    if match is not None:
        return int(match[1]) + _fraction(match[2]), len(match[0])
    return float("nan"), 0


def stamps_utc_s(text: Bytes, start: Ints, length: Ints) -> Floats:
    """The same for many stretches of ``text`` that are a stamp and nothing else; NaN for one that is in doubt.

    Stretches of one length are read by the pattern of the first of them; where digits and marks stand otherwise, the
    scalar reader has to look.
    """
    seconds = np.full(len(start), np.nan)
    for n in np.unique(length[(length >= 10) & (length <= LONGEST)]):
        index = np.flatnonzero(length == n)
        chars = text[start[index][:, None] + np.arange(n)[None, :]]
        seconds[index] = _alike(chars)
    return seconds


def _alike(chars: Bytes) -> Floats:
    """Stamps (n, width) that have the form of the first of them."""
    head = chars[0].tobytes()
    digit = (chars >= 48) & (chars <= 57)
    iso = _ISO.match(head)
    epoch = _EPOCH.match(head) if iso is None else None
    match = iso or epoch
    if match is None or (iso and iso[4] and not _is_zone(iso[4])):
        return np.full(len(chars), np.nan)
    spans = [match.span(1), match.span(2), match.span(3)] if iso else [match.span(1), match.span(2)]
    is_value = np.zeros(chars.shape[1], dtype=bool)
    for a, b in spans:
        is_value[max(a, 0) : max(b, 0)] = True
    is_value &= digit[0]
    same = np.all(np.where(is_value[None, :], digit, chars == chars[0]), axis=1)
    part = spans[-1]
    fraction = _digits(chars, *part) / 10 ** (part[1] - part[0]) if part[0] >= 0 else 0.0
    if iso is None:
        return np.where(same, _digits(chars, *spans[0]) + fraction, np.nan)
    year, month, day = _digits(chars, 0, 4), _digits(chars, 5, 7), _digits(chars, 8, 10)
    hour, minute, second = _digits(chars, 11, 13), _digits(chars, 14, 16), _digits(chars, 17, 19)
    fine = same & (year >= 1970) & (month >= 1) & (month <= 12) & (hour < 24) & (minute < 60) & (second < 60)
    month = np.where(fine, month, 1)
    fine &= (day >= 1) & (day <= _MONTH_DAYS[month])
    months = np.where(fine, (year - 1970) * 12 + month - 1, 0)
    days = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) + day - 1
    whole = days * _DAY_S + hour * 3600 + minute * 60 + second - _zone_s(iso[4])
    return np.where(fine, whole + fraction, np.nan)


def _digits(chars: Bytes, a: int, b: int) -> Ints:
    value = np.zeros(len(chars), dtype=np.int64)
    for i in range(a, b):
        value = value * 10 + chars[:, i] - 48
    return value


def _is_zone(zone: bytes) -> bool:
    return zone == b"Z" or (int(zone[1:3]) < 24 and int(zone[-2:]) < 60)


def _zone_s(zone: bytes | None) -> int:
    if zone is None or zone == b"Z":
        return 0
    sign = -1 if zone[:1] == b"-" else 1
    return sign * (int(zone[1:3]) * 3600 + int(zone[-2:]) * 60)


def _fraction(digits: bytes | None) -> float:
    return int(digits) / 10 ** len(digits) if digits else 0.0
