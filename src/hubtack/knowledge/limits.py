"""The limits Hubtack judges by, one row each: key for ``[limits]`` in the site file, value, unit, why.

"common practice, no source" is said where it is so. A site may set any row by its key; the value then counts for
every command, and a report names it as changed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit: its key, default, unit (in words where it has none), what it does, and its source."""

    key: str
    value: float
    unit: str
    effect: str
    source: str


_PRACTICE = "common practice, no source"
_NGS_RT3 = "NGS User Guidelines for Single Base Real Time GNSS Positioning, class RT3 (table from memory)"

LIMITS: tuple[Limit, ...] = (
    Limit("rover_silent_hold_s", 3.0, "s", "HOLD when the rover says nothing (or 3 epochs, if longer)", _PRACTICE),
    Limit("epoch_interval_warn_s", 1.0, "s", "a slower rover is reported (rover_fields): warn when live, a note on a log", _PRACTICE),
    Limit("correction_age_warn_s", 5.0, "s", "age of corrections: warn", _PRACTICE),
    Limit("correction_age_rough_s", 10.0, "s", "age of corrections: ROUGH at most", _PRACTICE),
    Limit(
        "correction_age_hold_s", 30.0, "s", "age of corrections: HOLD; receivers drop the fix at 10 to 60 s", _PRACTICE
    ),
    Limit(
        "age_contradiction_s", 2.0, "s", "age in GGA against age of the stream: contradiction beyond this", _PRACTICE
    ),
    Limit("pdop_warn", 4.0, "", "PDOP: warn", _NGS_RT3),
    Limit("pdop_hold", 6.0, "", "PDOP: HOLD", "same guideline, class RT4, the loosest"),
    Limit("satellites_warn", 7.0, "satellites", "satellites used: fewer warns", "same guideline, class RT1"),
    Limit("satellites_hold", 5.0, "satellites", "satellites used: fewer is HOLD", _NGS_RT3),
    Limit("common_warn", 6.0, "satellites", "satellites common to base and rover: fewer warns", _PRACTICE),
    Limit(
        "common_stop",
        5.0,
        "satellites",
        "satellites common to base and rover: fewer cannot fix",
        "five unknowns of a two-epoch fix; trade article series on the NGS best methods",
    ),
    Limit("baseline_warn_m", 15_000.0, "m", "baseline: warn", _PRACTICE),
    Limit("baseline_no_grade_m", 20_000.0, "m", "baseline: no GRADE", _NGS_RT3),
    Limit("base_position_listen_s", 60.0, "s", "1005/1006 is judged after listening this long", _PRACTICE),
    Limit("base_position_interval_s", 60.0, "s", "a longer interval between 1005/1006 warns", _PRACTICE),
    Limit("descriptor_listen_s", 120.0, "s", "antenna descriptors and 1230 are judged after this", _PRACTICE),
    Limit("corrupt_warn_share", 0.05, "", "share of frames that fail their CRC: warn", _PRACTICE),
    Limit("corrupt_stop_share", 0.50, "", "share of frames that fail their CRC: stop", _PRACTICE),
    Limit("corrupt_frames_min", 100.0, "frames", "frames seen before that share is judged", _PRACTICE),
    Limit("late_corrections_s", 3.0, "s", "median latency above this is late; a repeater may cost 2.5 s", _PRACTICE),
    Limit("link_stalled_s", 10.0, "s", "corrections silent this long: the link has stalled", _PRACTICE),
    Limit("no_bytes_s", 10.0, "s", "an open source without a byte for this long", _PRACTICE),
    Limit("not_using_s", 60.0, "s", "a healthy stream, and the rover still autonomous", _PRACTICE),
    Limit("stuck_float_s", 120.0, "s", "a healthy stream, and the rover still float", _PRACTICE),
    Limit("stuck_float_single_s", 600.0, "s", "the same where the stream has one frequency only", _PRACTICE),
    Limit("separation_warn_m", 0.020, "m", "antenna separation off by this (or 3 sigma): warn", _PRACTICE),
    Limit("separation_stop_m", 0.100, "m", "antenna separation off by this: stop", _PRACTICE),
    Limit("frozen_s", 10.0, "s", "the position repeats to the last digit for this long", _PRACTICE),
    Limit("standing_speed_m_s", 0.05, "m/s", "slower counts as standing still", _PRACTICE),
    Limit("rough_max_m", 0.300, "m", "error at the edge above this is HOLD", _PRACTICE),
    Limit("grade_enter_share", 0.95, "", "GRADE is entered at this share of the tolerance, left above 1", _PRACTICE),
    Limit("edge_median_s", 10.0, "s", "span of the median of the error at the edge", _PRACTICE),
    Limit("settle_age_s", 3.0, "s", "settling after a dip in age only", _PRACTICE),
    Limit("settle_fix_s", 10.0, "s", "settling after a new fix", _PRACTICE),
    Limit("settle_jump_s", 30.0, "s", "settling after a jump, a restart or a cleared latch", _PRACTICE),
    Limit("gst_hold_s", 2.0, "s", "a slower GST is held for this long", _PRACTICE),
    Limit(
        "float_floor_m",
        0.20,
        "m",
        "1 sigma of a float solution is never better",
        "reference guidelines: RTK float 0.2 to 0.5 m; " + _PRACTICE,
    ),
    Limit("wrong_base_m", 100.0, "m", "ARP farther than this from the site's base: another base", _PRACTICE),
    Limit("base_moved_m", 0.05, "m", "a change of the broadcast ARP that counts as moved", _PRACTICE),
    Limit("computed_base_m", 500.0, "m", "an ARP this near to the position sent is computed by a network", _PRACTICE),
    Limit("check_valid_h", 12.0, "h", "a control check counts for this long", _PRACTICE),
    Limit("jump_m", 0.10, "m", "a fixed position leaves the one before by this and what its speed allows", _PRACTICE),
    Limit(
        "standing_jump_m",
        0.15,
        "m",
        "the same while the receiver says it stands, epoch to epoch and from one fixed spell to the next",
        "six sigma of the difference of two fixed positions; " + _PRACTICE,
    ),
    Limit(
        "scatter_variance_ratio",
        5.5746,
        "",
        "variance of a standing machine's fixed positions over what their sigmas admit, in two half minutes running",
        "chi-square, 9 degrees of freedom, 1e-7 (scipy.stats.chi2.isf)",
    ),
    Limit("heading_off_warn_deg", 2.0, "deg", "heading off the antenna's place on the swinging house: warn", _PRACTICE),
    Limit("heading_off_stop_deg", 20.0, "deg", "the same: HOLD; beyond any error of mounting or fit", _PRACTICE),
    Limit(
        "course_off_warn_deg", 3.0, "deg", "heading off the course of a dozer, grader or roller; tracks slip", _PRACTICE
    ),
    Limit("overnight_least_h", 2.0, "h", "a shorter silence is a break and no night", _PRACTICE),
    Limit("overnight_most_h", 96.0, "h", "after a longer one nobody says that nothing was touched", _PRACTICE),
    Limit(
        "overnight_sigmas",
        3.3,
        "sigma",
        "first position of the morning off the last of the evening, in sigmas of the difference of two fixed positions",
        "passed by chance in one of a thousand comparisons an axis (normal distribution)",
    ),
    Limit("overnight_driven_m", 5.0, "m", "farther than this the machine was driven: nothing is said", _PRACTICE),
    Limit(
        "sky_blocked_share", 0.70, "", "of the satellites usually heard, this share or less is left: blocked", _PRACTICE
    ),
    Limit(
        "sky_blocked_satellites",
        3.0,
        "satellites",
        "satellites lost at least before the sky is called blocked",
        _PRACTICE,
    ),
    Limit(
        "sky_blocked_side_share",
        0.75,
        "",
        "of the loss: the least run of sectors that holds this is the side",
        _PRACTICE,
    ),
    Limit("signal_drop_db", 5.0, "dB", "mean signal strength below what is usual by this: interference", _PRACTICE),
    Limit("working_moved_s", 300.0, "s", "a machine is working when it moved or slewed within this", _PRACTICE),
    Limit("working_speed_max_km_h", 15.0, "km/h", "faster is transport, not work", _PRACTICE),
    Limit("clock_off_s", 1.0, "s", "this computer's clock off by more is a note", _PRACTICE),
    Limit("healthy_fixed_share", 0.98, "", "fixed for this share: potential causes are only a note", _PRACTICE),
    Limit("healthy_common", 8.0, "satellites", "satellites in common for the same", _PRACTICE),
)

LIMITS_BY_KEY: Mapping[str, Limit] = {limit.key: limit for limit in LIMITS}
