"""Lengths and points on the command line: metres, or with the unit behind ("3ft", "3ftUS"). Standard library only."""

from __future__ import annotations

import argparse
import math
import re

from hubtack.units import UNITS, LengthUnit

_SUFFIXES = {"": "m", "m": "m", "mm": "m", "ft": "ft", "ftus": "ft_us", "ft_us": "ft_us", "usft": "ft_us"}
_LENGTH = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-z_]*)\s*\Z")


def length_m(text: str) -> float:
    """A length in metres; ``3ft`` is international, ``3ftUS`` US survey, ``10mm`` millimetres."""
    match = _LENGTH.match(text)
    suffix = match[2].lower() if match else ""
    if match is None or suffix not in _SUFFIXES or not math.isfinite(float(match[1])):
        raise argparse.ArgumentTypeError(f"{text!r} is not a length, such as 30, 30m, 10mm, 100ft or 100ftUS")
    size_m = 0.001 if suffix == "mm" else UNITS[_SUFFIXES[suffix]].size_m
    return float(match[1]) * size_m


def positive_length_m(text: str) -> float:
    """A length above 0, in metres."""
    value = length_m(text)
    if value <= 0:
        raise argparse.ArgumentTypeError(f"{text!r}: must be above 0")
    return value


def height_m(text: str) -> float:
    """A height or a length of either sign, in metres."""
    return length_m(text)


def three_numbers(text: str) -> tuple[float, float, float]:
    """``EAST,NORTH,HEIGHT``, numbers without units."""
    parts = text.split(",")
    try:
        values = tuple(float(part) for part in parts)
    except ValueError:
        values = ()
    if len(values) != 3 or not all(math.isfinite(v) for v in values):
        raise argparse.ArgumentTypeError(
            f"{text!r} is not EAST,NORTH,HEIGHT: three numbers with decimal points and commas between, no spaces"
        )
    return values[0], values[1], values[2]


def unit(text: str) -> LengthUnit:
    """A unit of length by its key: m, ft, ft_us."""
    if text not in UNITS:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a unit: m, ft (international foot) or ft_us (US survey foot)"
        )
    return UNITS[text]
