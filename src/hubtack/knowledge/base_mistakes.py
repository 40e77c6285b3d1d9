"""Ways in which a base station's position gets typed in wrong, in order of how often they are met.

``orbits.mistakes`` computes what each would do; here stand only the words. Frequency: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Mistake:
    """One way of going wrong: key, what to say, and what to check first."""

    key: str
    text: str
    check: str


MISTAKES: tuple[Mistake, ...] = (
    Mistake(
        "other_mark",
        "the base stands on {mark}, and another mark's coordinates were entered",
        "read the name stamped on the mark under the tripod and compare it with the point chosen in the base",
    ),
    Mistake(
        "longitude_sign",
        "east and west longitude are confused",
        "compare the sign of the longitude with the control sheet",
    ),
    Mistake(
        "latitude_sign",
        "north and south latitude are confused",
        "compare the sign of the latitude with the control sheet",
    ),
    Mistake(
        "latitude_longitude_swapped",
        "latitude and longitude are swapped",
        "compare latitude and longitude with the control sheet",
    ),
    Mistake(
        "zone", "the projection zone is off by {zones}", "compare the zone number with the site's coordinate system"
    ),
    Mistake(
        "axes_swapped",
        "the geocentric coordinates {axes} are swapped",
        "compare X, Y and Z with the control sheet, one by one",
    ),
    Mistake("axis_sign", "the sign of {axis} is wrong", "compare the signs of X, Y and Z with the control sheet"),
    Mistake(
        "digits_swapped",
        "two neighbouring digits of the {field} are swapped",
        "read the {field} aloud digit by digit against the control sheet",
    ),
    Mistake(
        "minutes_as_decimals",
        "degrees and minutes were typed as decimal degrees",
        "see whether the control sheet gives degrees and minutes, and what the base expects",
    ),
    Mistake(
        "digit_wrong",
        "one digit of the {field} is wrong",
        "read the {field} aloud digit by digit against the control sheet",
    ),
    Mistake(
        "height_feet",
        "the height was typed in feet where metres are expected, or the other way round",
        "see in which unit the control sheet gives the height",
    ),
    Mistake(
        "geoid_height",
        "a height above the geoid (sea level) was typed where the ellipsoidal height is expected",
        "see whether the control sheet gives an ellipsoidal height",
    ),
    Mistake(
        "own_position",
        "the base was started on its own autonomous position instead of the mark's coordinates",
        "look at how the base was started: entered coordinates, or 'use current position'",
    ),
)
BY_KEY = {mistake.key: mistake for mistake in MISTAKES}
