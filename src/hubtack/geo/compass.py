"""Bearings as words: the nearest of eight points of the compass."""

from __future__ import annotations

import math

_POINTS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def compass_word(bearing_deg: float) -> str:
    """The nearest of eight points to a bearing [deg, clockwise from north, any turn]; raises ValueError on NaN."""
    return _POINTS[round(bearing_deg / 45.0) % 8]


def compass_word_towards(east: float, north: float) -> str:
    """The same for the direction of a vector (any one unit); (0, 0) is north; raises ValueError on NaN."""
    return compass_word(math.degrees(math.atan2(east, north)))


__all__ = ["compass_word", "compass_word_towards"]
