"""Which typing mistake would turn the true position into the broadcast one: candidates that fit, likeliest first.

A candidate must explain the whole offset, in plan and height, within the uncertainty of the measured position; one
that many positions would fit by chance is asked for more. Says nothing where several tables of guesses fit alike:
the order is then that of ``knowledge.base_mistakes``.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_offset_to_enu, ecef_to_geodetic, geodetic_to_ecef
from hubtack.knowledge.base_mistakes import BY_KEY, MISTAKES
from hubtack.units import FOOT_M

Floats = NDArray[np.float64]

_FIT_PLAN_95 = 5.99  # chi squared, 2 degrees of freedom, 95 %
_FIT_PLAN = 13.8  # 99.9 %: rather one candidate too many than the true one missing
_FIT_UP = 3.29
_DIGIT_SIGMAS = 200.0
_AUTONOMOUS_PLAN_M, _AUTONOMOUS_UP_M = 15.0, 30.0
# EGM2008 runs from -107 m to +86 m (published extremes); below 4 m it cannot be told from other things.
_GEOID_RANGE_M = (-108.0, 88.0)
_GEOID_LEAST_M = 4.0


@dataclass(frozen=True)
class Candidate:
    """A mistake that fits: its key, the sentence, what to check, and the offset (3,) east, north, up it leaves. [m]"""

    key: str
    text: str
    check: str
    left_enu_m: Floats


def likeliest_mistakes(
    broadcast_ecef_m: Floats,
    measured_ecef_m: Floats,
    covariance_enu_m2: Floats,
    *,
    geoid_separation_m: float | None = None,
    marks_ecef_m: Mapping[str, Floats] | None = None,
) -> list[Candidate]:
    """Mistakes that explain a misplaced base, likeliest first; empty where none fits.

    Parameters
    ----------
    broadcast_ecef_m, measured_ecef_m : (3,) float
        The position sent in 1005/1006, and that from pseudoranges. [m]
    covariance_enu_m2 : (3, 3) float
        Of the measured position. [m2]
    geoid_separation_m : float, optional
        Geoid above ellipsoid at the site, where known.
    marks_ecef_m : mapping, optional
        Other known marks of the site by name, (3,) each.
    """
    lat, lon, _ = ecef_to_geodetic(measured_ecef_m[None])
    found: list[Candidate] = []
    least_digit_m = _DIGIT_SIGMAS * float(np.sqrt(np.diagonal(covariance_enu_m2)).max())
    listed = list(_intended(broadcast_ecef_m, geoid_separation_m, marks_ecef_m or {}))
    intended = np.array([position for _, _, position in listed])
    lefts = ecef_offset_to_enu(intended - measured_ecef_m, lat, lon)
    shifts_m = np.linalg.norm(intended - broadcast_ecef_m, axis=1)
    for (key, words, _), left, shift_m in zip(listed, lefts, shifts_m.tolist(), strict=True):
        # A small shift along an axis always fits some digit; a large one only rarely does by chance.
        if key == "digit_wrong" and shift_m < least_digit_m:
            continue
        if abs(left[2]) < 1e4 and _fits(left, covariance_enu_m2):
            found.append(_candidate(key, words, left))
    offset = ecef_offset_to_enu((broadcast_ecef_m - measured_ecef_m)[None], lat, lon)[0]
    found += _by_size(offset, covariance_enu_m2, geoid_separation_m)
    rank = {mistake.key: i for i, mistake in enumerate(MISTAKES)}
    best: dict[str, Candidate] = {}
    for candidate in sorted(found, key=lambda c: (rank[c.key], float(np.linalg.norm(c.left_enu_m)))):
        best.setdefault(candidate.text, candidate)
    return list(best.values())


def _candidate(key: str, words: Mapping[str, str], left: Floats) -> Candidate:
    """Words of the table, filled in."""
    mistake = BY_KEY[key]
    return Candidate(key, mistake.text.format(**words), mistake.check.format(**words), left)


def _fits(left_enu_m: Floats, covariance: Floats) -> bool:
    """Whether what a candidate leaves is noise, in plan and in height."""
    plan = left_enu_m[:2] @ np.linalg.solve(covariance[:2, :2], left_enu_m[:2])
    return bool(plan < _FIT_PLAN and abs(left_enu_m[2]) < _FIT_UP * covariance[2, 2] ** 0.5)


def _by_size(offset: Floats, covariance: Floats, separation_m: float | None) -> list[Candidate]:
    """Mistakes that leave a kind of offset rather than one exact value."""
    found = []
    plan_agrees = offset[:2] @ np.linalg.solve(covariance[:2, :2], offset[:2]) < _FIT_PLAN_95
    # A geoid height in place of an ellipsoidal one is too low by the separation N: broadcast - true = -N.
    is_geoid = abs(offset[2]) > _GEOID_LEAST_M and _GEOID_RANGE_M[0] < -offset[2] < _GEOID_RANGE_M[1]
    if separation_m is None and plan_agrees and is_geoid:
        found.append(_candidate("geoid_height", {}, offset))
    if np.hypot(offset[0], offset[1]) < _AUTONOMOUS_PLAN_M and abs(offset[2]) < _AUTONOMOUS_UP_M:
        found.append(_candidate("own_position", {}, offset))
    return found


def _intended(
    broadcast: Floats, separation_m: float | None, marks: Mapping[str, Floats]
) -> Iterator[tuple[str, dict[str, str], Floats]]:
    """Positions that may have been meant: key, words for the sentence, Earth-centred position."""
    for name, mark in marks.items():
        if np.linalg.norm(mark - broadcast) > 1.0:
            yield "other_mark", {"mark": name}, np.asarray(mark)
    x, y, z = broadcast
    for axes, swapped in (("X and Y", (y, x, z)), ("Y and Z", (x, z, y)), ("X and Z", (z, y, x))):
        yield "axes_swapped", {"axes": axes}, np.array(swapped)
    for axis, signed in (("X", (-x, y, z)), ("Y", (x, -y, z)), ("Z", (x, y, -z))):
        yield "axis_sign", {"axis": axis}, np.array(signed)
    for field, i in (("X coordinate", 0), ("Y coordinate", 1), ("Z coordinate", 2)):
        for key, value in _digit_slips(float(broadcast[i]), 4):
            changed = broadcast.copy()
            changed[i] = value
            yield key, {"field": field}, changed
    lat, lon, h = (float(v[0]) for v in ecef_to_geodetic(broadcast[None]))
    slips = [slip for slip in _intended_geodetic(lat, lon, h, separation_m) if abs(slip[2][0]) <= 90.0]
    lat2, lon2, h2 = np.array([trio for _, _, trio in slips]).T
    for (key, words, _), position in zip(slips, geodetic_to_ecef(lat2, lon2, h2), strict=True):
        yield key, words, position


def _intended_geodetic(
    lat: float, lon: float, h: float, separation_m: float | None
) -> Iterator[tuple[str, dict[str, str], tuple[float, float, float]]]:
    """The same for latitude, longitude and height."""
    yield "longitude_sign", {}, (lat, -lon, h)
    yield "latitude_sign", {}, (-lat, lon, h)
    yield "latitude_longitude_swapped", {}, (lon, lat, h)
    for zones in (-2, -1, 1, 2):
        count = f"{abs(zones)} zone{'s' if abs(zones) > 1 else ''}"
        # The same easting and northing one 6-degree zone over is the same latitude, 6 degrees of longitude on.
        yield "zone", {"zones": count}, (lat, lon + 6.0 * zones, h)
    yield "height_feet", {}, (lat, lon, h * FOOT_M)
    yield "height_feet", {}, (lat, lon, h / FOOT_M)
    if separation_m is not None and abs(separation_m) > 1.0:
        yield "geoid_height", {}, (lat, lon, h + separation_m)
    for meant in _from_minutes(lat):
        yield "minutes_as_decimals", {}, (meant, lon, h)
        for other in _from_minutes(lon):
            yield "minutes_as_decimals", {}, (meant, other, h)
    for other in _from_minutes(lon):
        yield "minutes_as_decimals", {}, (lat, other, h)
    # Decimal degrees and degrees, minutes, seconds are both typed by hand.
    for field, value, place in (("latitude", lat, 0), ("longitude", lon, 1), ("height", h, 2)):
        slips = list(_digit_slips(value, 9 if place < 2 else 3))
        if place < 2:
            slips += list(_sexagesimal_slips(value))
        for key, changed in slips:
            trio = [lat, lon, h]
            trio[place] = changed
            yield key, {"field": field}, (trio[0], trio[1], trio[2])


def _digit_slips(value: float, decimals: int) -> Iterator[tuple[str, float]]:
    """Values that differ by two swapped neighbouring digits, or by one digit."""
    text = f"{abs(value):.{decimals}f}"
    sign = -1.0 if value < 0 else 1.0
    places = [i for i, c in enumerate(text) if c != "."]
    for i, j in itertools.pairwise(places):
        if text[i] != text[j]:
            swapped = list(text)
            swapped[i], swapped[j] = swapped[j], swapped[i]
            yield "digits_swapped", sign * float("".join(swapped))
    for i in places:
        for digit in "0123456789":
            if digit != text[i]:
                yield "digit_wrong", sign * float(text[:i] + digit + text[i + 1 :])


def _sexagesimal_slips(value: float) -> Iterator[tuple[str, float]]:
    """Swapped neighbouring digits in degrees, minutes and seconds."""
    sign, total = (-1.0 if value < 0 else 1.0), abs(value)
    degrees, minutes = int(total), int(total * 60.0) % 60
    seconds = total * 3600.0 - degrees * 3600.0 - minutes * 60.0
    for texts in _swaps_in((f"{degrees:02d}", f"{minutes:02d}", f"{seconds:07.4f}")):
        d, m, s = (float(t) for t in texts)
        if m < 60 and s < 60:
            yield "digits_swapped", sign * (d + m / 60.0 + s / 3600.0)


def _swaps_in(texts: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """Each way of swapping two neighbouring digits within one of the texts."""
    for k, text in enumerate(texts):
        for i in range(len(text) - 1):
            if text[i] != text[i + 1] and "." not in text[i : i + 2]:
                swapped = text[:i] + text[i + 1] + text[i] + text[i + 2 :]
                yield (*texts[:k], swapped, *texts[k + 1 :])


def _from_minutes(value: float) -> Iterator[float]:
    """What was meant if DD.MMmmm was read as decimal degrees: 45.3050 for 45 degrees 30.50 minutes."""
    sign, total = (-1.0 if value < 0 else 1.0), abs(value)
    degrees, rest = int(total), (total - int(total)) * 100.0
    if rest < 60.0:
        yield sign * (degrees + rest / 60.0)
        minutes, seconds = int(rest), (rest - int(rest)) * 100.0
        if seconds < 60.0:
            yield sign * (degrees + minutes / 60.0 + seconds / 3600.0)
