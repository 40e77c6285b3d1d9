"""What each epoch says, by itself: baseline, age, expected error at the cutting edge and its shares.

Elementwise in the epochs: a row gives the same bits alone and among thousands. Nothing here remembers.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.setup import Setup
from hubtack.epochs.columns import Epochs
from hubtack.geo import ecef_offset_to_enu, ecef_to_geodetic, geodetic_to_ecef
from hubtack.knowledge.fix_types import FIX_TYPES, FIXED, FLOAT, NONE, QUALITY_TO_FIX

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

_FIX_OF_QUALITY = np.array([*QUALITY_TO_FIX, NONE], dtype=np.int64)
_FLOOR_OF_FIX_M = np.array([f.floor_m for f in FIX_TYPES])
_POWERS = 10.0 ** -np.arange(32.0)  # of the digits after a point

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
    complete observation epoch of the stream, ``age_used_s`` the one that counts. ``arp_ecef_m`` (N, 3) is the base in
    use. ``share_vertical_m`` are 1 sigma parts of the error at the edge, (N, 7) in the order of ``SHARES``,
    ``share_horizontal_m`` (N, 2) the sigmas along and across the reach. [m]
    """

    fix: Ints
    pos_ecef_m: Floats
    h_ellipsoid_m: Floats
    age_s: Floats
    age_stream_s: Floats
    age_used_s: Floats
    baseline_m: Floats
    baseline_used_m: Floats
    arp_ecef_m: Floats
    heading_deg: Floats
    heading_sigma_deg: Floats
    edge_vertical_95_m: Floats
    edge_horizontal_95_m: Floats
    share_vertical_m: Floats
    share_horizontal_m: Floats
    pdop: Floats

    def from_base(self, i: int) -> tuple[float, float]:
        """Row ``i`` as seen from the base: true bearing, 0 to 360, and height of the antenna above its ARP. [deg, m]

        NaN without a base; the height also where the receiver does not tell its own above the ellipsoid.
        """
        arp = self.arp_ecef_m[i]
        lat_deg, lon_deg, base_h_m = _place_of(float(arp[0]), float(arp[1]), float(arp[2]))
        enu = ecef_offset_to_enu((self.pos_ecef_m[i] - arp)[None], lat_deg, lon_deg)
        bearing_deg = np.degrees(np.arctan2(enu[:, 0], enu[:, 1])) % 360.0
        return float(bearing_deg[0]), float(self.h_ellipsoid_m[i] - base_h_m[0])


@lru_cache(maxsize=16)
def _place_of(x_m: float, y_m: float, z_m: float) -> tuple[Floats, Floats, Floats]:
    """Place of a base, each (1,): it hardly ever changes, and a live screen asks at every row. [deg, deg, m]"""
    return ecef_to_geodetic(np.array([[x_m, y_m, z_m]]))


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
    fix = _fix(epochs.quality)
    h_ellipsoid_m = epochs.h_geoid_m + epochs.geoid_separation_m
    # Without the separation the height is off by tens of metres, which the length of a baseline hardly feels.
    h_for_baseline_m = _filled(h_ellipsoid_m, epochs.h_geoid_m)
    pos = geodetic_to_ecef(epochs.latitude_deg, epochs.longitude_deg, h_for_baseline_m)
    arp = arp_ecef_m
    if setup.base_ecef_m is not None:
        arp = _filled(arp, np.array(setup.base_ecef_m))
    baseline_m = _distance_m(pos, arp)
    assumed = np.nan if setup.assumed_baseline_m is None else setup.assumed_baseline_m
    baseline_used_m = _filled(baseline_m, assumed)

    age_stream_s = _age_of_stream(epochs.tod_ms, obs_utc_ms)
    age_used_s = _filled(epochs.age_s, age_stream_s)

    vertical, horizontal, sigma_heading_deg = _budget(
        epochs, setup, fix, baseline_used_m, base_computed, age_used_s, heading_deg
    )
    larger = np.maximum(horizontal[0], horizontal[1])
    ratio = np.minimum(horizontal[0], horizontal[1]) / np.where(larger > 0, larger, 1.0)
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
        arp_ecef_m=arp,
        heading_deg=heading_deg,
        heading_sigma_deg=heading_deg * 0.0 + sigma_heading_deg,
        edge_vertical_95_m=Z95 * _root_sum_of_squares(vertical),
        edge_horizontal_95_m=horizontal_m,
        share_vertical_m=vertical.T,
        share_horizontal_m=horizontal.T,
        pdop=epochs.pdop,
    )


def _fix(quality: Floats) -> Ints:
    known = (quality >= 0) & (quality <= 9)
    if not known.all():
        quality = np.where(known, quality, 10)
    return np.asarray(_FIX_OF_QUALITY.take(quality.astype(np.int64)))


def _distance_m(pos_ecef_m: Floats, arp_ecef_m: Floats) -> Floats:
    if np.isnan(arp_ecef_m[:, 0]).all():
        return np.full(len(pos_ecef_m), np.nan)  # a log without a base spares itself the way
    d = pos_ecef_m - arp_ecef_m
    return np.asarray(np.sqrt(d[:, 0] ** 2 + d[:, 1] ** 2 + d[:, 2] ** 2))


def _age_of_stream(tod_ms: Ints, obs_utc_ms: Floats) -> Floats:
    """Rover's time of day less that of the correction, nearest day; both are UTC, so no date is needed. [s]"""
    if np.isnan(obs_utc_ms).all():
        return np.full(len(tod_ms), np.nan)
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
) -> tuple[Floats, Floats, float]:
    """Vertical shares (7, N) and the two horizontal sigmas (2, N) at the edge, along and across the reach. [m]

    Independent parts add by their squares (JCGM 100:2008, eq. 10). GST is believed only above the receiver's own
    constant + ppm, since receivers' sigmas are often too kind.
    """
    km = np.fmax(baseline_m, 0.0) * 1e-6  # NaN is 0 here
    floor_fix = np.where(fix == FLOAT, setup.limit("float_floor_m"), _FLOOR_OF_FIX_M.take(fix))
    network = bool(base_computed.any())
    ppm_h = np.where(base_computed, setup.computed_ppm, setup.horizontal_ppm) if network else setup.horizontal_ppm
    ppm_v = np.where(base_computed, setup.computed_ppm, setup.vertical_ppm) if network else setup.vertical_ppm
    floor_h = np.maximum(setup.horizontal_m + ppm_h * km, floor_fix)
    floor_v = np.maximum(setup.vertical_m + ppm_v * km, floor_fix)

    # The error ellipse, turned into the direction of the reach. Without a heading the worse axis serves for both.
    major = epochs.sigma_major_m
    unsaid = np.isnan(major)
    if unsaid.any():
        major = np.where(unsaid, np.hypot(epochs.sigma_north_m, epochs.sigma_east_m), major)
    minor = _filled(epochs.sigma_minor_m, major)
    major_var, minor_var = major * major, minor * minor
    cos2 = np.cos(np.radians(epochs.orientation_deg - heading_deg)) ** 2
    known = ~np.isnan(cos2)
    if not known.all():
        cos2, minor_var = np.where(known, cos2, 1.0), np.where(known, minor_var, major_var)
    along_pos = np.fmax(np.sqrt(major_var * cos2 + minor_var * (1.0 - cos2)), floor_h)
    across_pos = np.fmax(np.sqrt(major_var * (1.0 - cos2) + minor_var * cos2), floor_h)

    growth = AGE_GROWTH_M_PER_SQRT_S * np.sqrt(np.fmax(age_s, 0.0))  # no age adds nothing here, and is no GRADE
    sigma_heading_rad = PAIR_SIGMA_ACROSS_M / (setup.pair_separation_m or 1.0)
    heading_part = sigma_heading_rad * setup.reach_m
    step_h = last_digit(epochs.minute_decimals) * MINUTE_OF_ARC_M * STEP_TO_SIGMA

    common_h = growth * growth + setup.linkage_sigma_m**2 + step_h * step_h
    horizontal, vertical = np.empty((2, len(fix))), np.empty((len(SHARES), len(fix)))
    np.sqrt(along_pos * along_pos + common_h, out=horizontal[0])
    across_var = across_pos * across_pos + common_h
    across_var += np.where(np.isnan(heading_deg), 0.0, heading_part * heading_part)
    across_m = np.sqrt(across_var, out=horizontal[1])
    np.fmax(epochs.sigma_up_m, floor_v, out=vertical[0])
    np.multiply(growth, AGE_GROWTH_VERTICAL, out=vertical[1])
    vertical[2] = 0.0
    vertical[3] = np.radians(setup.tilt_sigma_deg) * setup.reach_m
    vertical[4] = setup.linkage_sigma_m
    np.multiply(last_digit(epochs.height_decimals), STEP_TO_SIGMA, out=vertical[5])
    np.multiply(across_m, abs(setup.slope), out=vertical[6])
    return vertical, horizontal, float(np.degrees(sigma_heading_rad))


def _root_sum_of_squares(parts: Floats) -> Floats:
    """Of (k, N), in the order of the parts, so that a row alone gives the same bits; a sum along an axis may not."""
    total = parts[0] * parts[0]
    for part in parts[1:]:
        total += part * part
    return np.asarray(np.sqrt(total, out=total))


def _filled(values: Floats, instead: Floats | float) -> Floats:
    """``values`` with ``instead`` where there is none; the very array where nothing is missing."""
    missing = np.isnan(values)
    return np.where(missing, instead, values) if missing.any() else values


def last_digit(decimals: Floats) -> Floats:
    """What one step of the last of that many digits after the point is worth; 0 where the digits are not known."""
    first = decimals[:1]
    if len(decimals) and (decimals == first).all():  # nearly always
        return np.full(len(decimals), _POWERS.take(first.astype(np.int64), mode="clip"))
    value = _POWERS.take(np.fmax(decimals, 0.0).astype(np.int64), mode="clip")
    return np.where(np.isnan(decimals), 0.0, value)


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


__all__ = [
    "FIXED",
    "SHARES",
    "Quantities",
    "best_possible",
    "best_possible_vertical_95_m",
    "last_digit",
    "quantities",
    "r95_factor",
]
