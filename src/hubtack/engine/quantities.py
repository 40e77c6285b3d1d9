"""What each epoch says, by itself: baseline, age, expected error at the cutting edge and its shares.

Elementwise in the epochs: a row gives the same bits alone and among thousands. Nothing here remembers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.setup import Setup
from hubtack.epochs.columns import Epochs
from hubtack.geo import ecef_offset_to_enu, ecef_to_geodetic, geodetic_to_ecef
from hubtack.knowledge.fix_types import FIX_TYPES, FIXED, NONE, QUALITY_TO_FIX

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
DAY_MS = 86_400_000

# 1 sigma of the range error that a correction gains with age: 3, 7, 9, 18, 23 mm at 1, 5, 10, 30, 60 s by the Allan
# deviation of satellite clocks (textbook values, from memory); 3.3 mm times the root of the age runs through them.
AGE_GROWTH_M_PER_SQRT_S = 0.0033
# VDOP over range error, about 1.5 on an open sky: common practice, no source.
AGE_GROWTH_VERTICAL = 1.5
# 1 sigma across the line between two antennas: the rule "0.2 degrees at 1 m" (common practice, no source).
PAIR_SIGMA_ACROSS_M = 0.0035
# A uniform step of size q has the standard deviation q / sqrt(12) (JCGM 100:2008, 4.3.7).
STEP_TO_SIGMA = 1.0 / np.sqrt(12.0)
MINUTE_OF_ARC_M = 1852.0
Z95 = 1.959963984540054  # 97.5 % point of the normal distribution

# R95 / larger sigma as a polynomial in the squared axis ratio: fitted to the exact integral, within 3e-5
# (tests/reference/test_statistics.py compares it with scipy and the published end points 1.9600 and 2.4477).
_R95 = (
    1.95999247, 0.25032522, 0.28850011, -1.46706623, 8.03753853,
    -17.82993417, 19.77471359, -11.07034233, 2.50404608,
)  # fmt: skip

SHARES = ("position", "age", "heading", "tilt", "linkage", "output_step", "slope")


def r95_factor(axis_ratio: Floats) -> Floats:
    """Radius that holds 95 % of a two-dimensional normal error, over its larger sigma.

    ``axis_ratio`` (N,) is the smaller sigma over the larger, 0 to 1; NaN gives NaN. Exact to 3e-5.
    """
    x = axis_ratio * axis_ratio
    total = np.full_like(x, _R95[-1])
    for coefficient in _R95[-2::-1]:
        total = total * x + coefficient
    return total


@dataclass(slots=True)
class Quantities:
    """Per-epoch figures, each (N,) unless said otherwise; NaN where they cannot be told.

    ``fix`` is the index into FIX_TYPES. ``age_s`` is GGA's, ``age_stream_s`` the rover's time less the newest
    complete observation epoch of the stream, ``age_used_s`` the one that counts. ``up_from_base_m`` is the height of
    the antenna above the base's ARP in the rover's frame. ``share_*`` are 1 sigma parts of the error at the edge,
    (N, 7) in the order of ``SHARES``. [m]
    """

    fix: Ints
    pos_ecef_m: Floats
    h_ellipsoid_m: Floats
    age_s: Floats
    age_stream_s: Floats
    age_used_s: Floats
    baseline_m: Floats
    baseline_used_m: Floats
    baseline_bearing_deg: Floats
    up_from_base_m: Floats
    heading_deg: Floats
    heading_sigma_deg: Floats
    edge_vertical_95_m: Floats
    edge_horizontal_95_m: Floats
    share_vertical_m: Floats
    share_horizontal_m: Floats
    pdop: Floats


def quantities(
    epochs: Epochs,
    setup: Setup,
    *,
    arp_ecef_m: Floats,
    base_computed: NDArray[np.bool_],
    obs_utc_ms: Floats,
    heading_deg: Floats,
) -> Quantities:
    """Figures of each epoch, given the link as it was known then.

    Parameters
    ----------
    epochs : Epochs
        N rows.
    arp_ecef_m : (N, 3) float
        Broadcast ARP in force at each row, NaN where none has been heard. [m]
    base_computed : (N,) bool
        Whether a network computes that base.
    obs_utc_ms : (N,) float
        Newest complete observation epoch of the stream, UTC milliseconds of the week or day; NaN where none.
    heading_deg : (N,) float
        True heading of the antenna line in force at each row.
    """
    n = len(epochs)
    fix = _fix(epochs.quality)
    h_ellipsoid_m = epochs.h_geoid_m + epochs.geoid_separation_m
    # Without the separation the height is off by tens of metres, which the length of a baseline hardly feels.
    h_for_baseline_m = np.where(np.isnan(h_ellipsoid_m), epochs.h_geoid_m, h_ellipsoid_m)
    pos = geodetic_to_ecef(epochs.latitude_deg, epochs.longitude_deg, h_for_baseline_m)
    site_base = setup.base_ecef_m or (np.nan, np.nan, np.nan)
    arp = np.where(np.isnan(arp_ecef_m), np.array(site_base), arp_ecef_m)
    baseline_m, bearing_deg, up_m = _baseline(pos, h_for_baseline_m, arp)
    up_m = np.where(np.isnan(h_ellipsoid_m), np.nan, up_m)
    assumed = np.nan if setup.assumed_baseline_m is None else setup.assumed_baseline_m
    baseline_used_m = np.where(np.isnan(baseline_m), assumed, baseline_m)

    age_stream_s = _age_of_stream(epochs.tod_ms, obs_utc_ms)
    age_used_s = np.where(np.isnan(epochs.age_s), age_stream_s, epochs.age_s)

    shares_v, along_m, across_m, sigma_heading_deg = _budget(
        epochs, setup, fix, baseline_used_m, base_computed, age_used_s, heading_deg
    )
    vertical_m = Z95 * np.sqrt((shares_v * shares_v).sum(axis=1))
    larger = np.maximum(along_m, across_m)
    ratio = np.minimum(along_m, across_m) / np.where(larger > 0, larger, 1.0)
    horizontal_m = r95_factor(ratio) * larger
    return Quantities(
        fix=fix,
        pos_ecef_m=pos,
        h_ellipsoid_m=h_ellipsoid_m,
        age_s=epochs.age_s,
        age_stream_s=age_stream_s,
        age_used_s=age_used_s,
        baseline_m=baseline_m,
        baseline_used_m=baseline_used_m,
        baseline_bearing_deg=bearing_deg,
        up_from_base_m=up_m,
        heading_deg=heading_deg,
        heading_sigma_deg=np.where(np.isnan(heading_deg), np.nan, sigma_heading_deg),
        edge_vertical_95_m=vertical_m,
        edge_horizontal_95_m=horizontal_m,
        share_vertical_m=shares_v,
        share_horizontal_m=np.stack((along_m, across_m), axis=1) if n else np.zeros((0, 2)),
        pdop=epochs.pdop,
    )


def _fix(quality: Floats) -> Ints:
    table = np.array(QUALITY_TO_FIX, dtype=np.int64)
    known = (quality >= 0) & (quality <= 9)
    return np.where(known, table[np.where(known, quality, 0).astype(np.int64)], NONE)


def _baseline(pos_ecef_m: Floats, h_m: Floats, arp_ecef_m: Floats) -> tuple[Floats, Floats, Floats]:
    """Distance, bearing from base to rover (true, 0 to 360) and difference of ellipsoidal heights."""
    offset = pos_ecef_m - arp_ecef_m
    distance_m = np.sqrt(offset[:, 0] ** 2 + offset[:, 1] ** 2 + offset[:, 2] ** 2)
    # The base hardly ever changes: its place is worked out once for a block in which it does not.
    one_base = len(offset) > 0 and not _changes(arp_ecef_m)
    places = ecef_to_geodetic(arp_ecef_m[:1] if one_base else arp_ecef_m)
    lat_deg, lon_deg, base_h_m = (np.broadcast_to(v, (len(offset),)) for v in places)
    enu = ecef_offset_to_enu(offset, lat_deg, lon_deg)
    bearing_deg = np.degrees(np.arctan2(enu[:, 0], enu[:, 1])) % 360.0
    return distance_m, bearing_deg, h_m - base_h_m


def _changes(places: Floats) -> bool:
    """Whether a column of places holds more than one; NaN counts as a place of its own kind."""
    first = places[:1]
    return not bool(((places == first) | (np.isnan(places) & np.isnan(first))).all())


def _age_of_stream(tod_ms: Ints, obs_utc_ms: Floats) -> Floats:
    """Rover's time of day less that of the correction, nearest day; both are UTC, so no date is needed. [s]"""
    difference = (tod_ms - obs_utc_ms + DAY_MS / 2) % DAY_MS - DAY_MS / 2
    return difference / 1000.0


def _budget(
    epochs: Epochs,
    setup: Setup,
    fix: Ints,
    baseline_m: Floats,
    base_computed: NDArray[np.bool_],
    age_s: Floats,
    heading_deg: Floats,
) -> tuple[Floats, Floats, Floats, float]:
    """Vertical shares (N, 7) and the two horizontal sigmas at the edge, along and across the reach. [m]

    Independent parts add by their squares (JCGM 100:2008, eq. 10). GST is believed only above the receiver's own
    constant + ppm, since receivers' sigmas are often too kind.
    """
    km = np.where(np.isnan(baseline_m), 0.0, baseline_m) * 1e-6
    floor_fix = np.array([f.floor_m for f in FIX_TYPES])[fix]
    ppm_h = np.where(base_computed, setup.computed_ppm, setup.horizontal_ppm)
    ppm_v = np.where(base_computed, setup.computed_ppm, setup.vertical_ppm)
    floor_h = np.maximum(setup.horizontal_m + ppm_h * km, floor_fix)
    floor_v = np.maximum(setup.vertical_m + ppm_v * km, floor_fix)

    up_m = np.fmax(epochs.sigma_up_m, floor_v)
    # The error ellipse, turned into the direction of the reach. Without a heading the worse axis serves for both.
    fallback = np.hypot(epochs.sigma_north_m, epochs.sigma_east_m)
    major = np.where(np.isnan(epochs.sigma_major_m), fallback, epochs.sigma_major_m)
    minor = np.where(np.isnan(epochs.sigma_minor_m), major, epochs.sigma_minor_m)
    turn_rad = np.radians(epochs.orientation_deg - heading_deg)
    cos2 = np.cos(turn_rad) ** 2
    known = ~np.isnan(cos2)
    cos2 = np.where(known, cos2, 1.0)
    major_var, minor_var = major * major, np.where(known, minor * minor, major * major)
    along_pos = np.fmax(np.sqrt(major_var * cos2 + minor_var * (1.0 - cos2)), floor_h)
    across_pos = np.fmax(np.sqrt(major_var * (1.0 - cos2) + minor_var * cos2), floor_h)

    growth = AGE_GROWTH_M_PER_SQRT_S * np.sqrt(np.where(age_s > 0, age_s, 0.0))
    separation_m = setup.pair_separation_m or 1.0
    sigma_heading_rad = PAIR_SIGMA_ACROSS_M / separation_m
    heading_part = np.where(np.isnan(heading_deg), 0.0, sigma_heading_rad * setup.reach_m)
    tilt_part = np.radians(setup.tilt_sigma_deg) * setup.reach_m
    step_v = np.where(np.isnan(epochs.height_decimals), 0.0, 10.0**-epochs.height_decimals) * STEP_TO_SIGMA
    step_h = np.where(np.isnan(epochs.minute_decimals), 0.0, 10.0**-epochs.minute_decimals)
    step_h = step_h * MINUTE_OF_ARC_M * STEP_TO_SIGMA

    common_h = growth * growth + setup.linkage_sigma_m**2 + step_h * step_h
    along_m = np.sqrt(along_pos * along_pos + common_h)
    across_m = np.sqrt(across_pos * across_pos + common_h + heading_part * heading_part)
    shares = np.stack(
        (
            up_m,
            growth * AGE_GROWTH_VERTICAL,
            np.zeros_like(up_m),
            np.full_like(up_m, tilt_part),
            np.full_like(up_m, setup.linkage_sigma_m),
            step_v,
            abs(setup.slope) * across_m,
        ),
        axis=1,
    )
    return shares, along_m, across_m, float(np.degrees(sigma_heading_rad))


def best_possible_vertical_95_m(setup: Setup, baseline_m: float) -> float:
    """Vertical error at the edge at 95 % that this machine and receiver reach at best, at that baseline. [m]"""
    km = 0.0 if np.isnan(baseline_m) else baseline_m * 1e-6
    position = setup.vertical_m + setup.vertical_ppm * km
    tilt = np.radians(setup.tilt_sigma_deg) * setup.reach_m
    return float(Z95 * np.sqrt(position**2 + tilt**2 + setup.linkage_sigma_m**2))


def best_possible(setup: Setup, baseline_m: float) -> tuple[str, float]:
    """GRADE or ROUGH, whichever this machine and receiver reach at best, and the vertical error that goes with it. [m]"""
    best_m = best_possible_vertical_95_m(setup, baseline_m)
    reaches = best_m <= setup.limit("grade_enter_share") * setup.tolerance_vertical_95_m
    return ("GRADE" if reaches else "ROUGH"), best_m


__all__ = ["FIXED", "SHARES", "Quantities", "best_possible", "best_possible_vertical_95_m", "quantities", "r95_factor"]
