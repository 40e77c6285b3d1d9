"""Bearings as words."""

from __future__ import annotations

import pytest

from hubtack.geo.compass import compass_word, compass_word_towards


def test_a_bearing_is_the_nearest_of_eight_points_in_any_turn() -> None:
    assert [compass_word(b) for b in (0, 44, 90, 200, 350)] == ["north", "north-east", "east", "south", "north"]
    assert [compass_word(b) for b in (-90.0, 360.0, 405.0)] == ["west", "north", "north-east"]
    assert compass_word(bearing_deg=315.0) == "north-west"


def test_east_comes_before_north_in_a_direction() -> None:
    assert compass_word_towards(east=1.0, north=0.0) == "east"
    assert compass_word_towards(east=-3.0, north=3.0) == "north-west"
    assert compass_word_towards(east=0.0, north=-0.001) == "south"


def test_no_bearing_has_no_word() -> None:
    with pytest.raises(ValueError, match="NaN"):
        compass_word(float("nan"))
