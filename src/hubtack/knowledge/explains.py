"""What follows from what: a finding that another explains is folded into it, so that the first line is the root cause.

``EXPLAINS[cause][effect] = (lead_s, tail_s)``: the effect counts as explained when it starts within the cause's
episodes, or up to ``lead_s`` before and ``tail_s`` after. Receivers hold a fix for 10 to 60 s after the stream stops and
need up to minutes to fix anew (common practice, no source): hence the long tails.
"""

from __future__ import annotations

from collections.abc import Mapping

_FIX_LOST: Mapping[str, tuple[float, float]] = {
    "stuck_float": (0.0, 180.0),
    "not_using_corrections": (0.0, 180.0),
    "suspect_fix": (0.0, 180.0),
    "clock_mismatch": (5.0, 30.0),
}
_SILENT: Mapping[str, tuple[float, float]] = {
    **_FIX_LOST,
    "link_stalled": (5.0, 60.0),
    "burst_loss": (1e9, 1e9),
    "periodic_loss": (1e9, 1e9),
    "late_corrections": (5.0, 60.0),
    "no_base_position": (1e9, 1e9),
    "no_bytes": (60.0, 60.0),
}
_CASTER: Mapping[str, tuple[float, float]] = {**_SILENT, "few_common_satellites": (5.0, 120.0)}

EXPLAINS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "caster_unreachable": _CASTER,
    "caster_tls": _CASTER,
    "caster_auth": _CASTER,
    "caster_mount": _CASTER,
    "caster_needs_position": _CASTER,
    "caster_throttled": _CASTER,
    "caster_dropped": {k: v for k, v in _CASTER.items() if k != "no_bytes"},
    "no_bytes": {k: v for k, v in _SILENT.items() if k != "no_bytes"},
    "serial_garbage": {**_SILENT, "wrong_protocol": (1e9, 1e9), "corrupt_frames": (1e9, 1e9)},
    "wrong_protocol": {**_SILENT, "corrupt_frames": (1e9, 1e9), "antenna_unknown": (1e9, 1e9)},
    "corrupt_frames": {
        **_FIX_LOST, "link_stalled": (5.0, 60.0), "burst_loss": (1e9, 1e9), "periodic_loss": (1e9, 1e9),
        "no_base_position": (1e9, 1e9), "late_corrections": (5.0, 60.0), "no_glonass_bias": (1e9, 1e9),
        "antenna_unknown": (1e9, 1e9), "few_common_satellites": (5.0, 120.0),
    },
    "link_stalled": {**_FIX_LOST, "burst_loss": (1e9, 1e9), "no_base_position": (60.0, 120.0)},
    "link_saturated": {
        **_FIX_LOST, "late_corrections": (1e9, 1e9), "burst_loss": (1e9, 1e9), "periodic_loss": (1e9, 1e9),
        "link_stalled": (1e9, 1e9),
    },
    "late_corrections": dict(_FIX_LOST),
    "periodic_loss": {**_FIX_LOST, "burst_loss": (1e9, 1e9)},
    "burst_loss": dict(_FIX_LOST),
    "two_bases": {
        **_FIX_LOST, "wrong_base": (60.0, 60.0), "base_moved": (60.0, 60.0), "base_misplaced": (1e9, 1e9), "base_disturbed": (1e9, 1e9),
        "station_mismatch": (1e9, 1e9), "burst_loss": (1e9, 1e9), "periodic_loss": (1e9, 1e9),
        "corrupt_frames": (1e9, 1e9), "antenna_unknown": (1e9, 1e9), "link_saturated": (1e9, 1e9),
        "no_base_position": (1e9, 1e9), "long_baseline": (60.0, 60.0),
    },
    "wrong_base": {
        **_FIX_LOST, "base_misplaced": (1e9, 1e9), "station_mismatch": (1e9, 1e9), "long_baseline": (1e9, 1e9),
        "base_moved": (60.0, 60.0),
    },
    "base_moved": {
        **_FIX_LOST, "base_misplaced": (60.0, 60.0), "overnight_shift": (1e9, 1e9), "base_disturbed": (600.0, 60.0),
    },
    "base_disturbed": {**_FIX_LOST, "overnight_shift": (1e9, 1e9)},
    "no_base_position": {"stuck_float": (1e9, 1e9), "not_using_corrections": (1e9, 1e9)},
    "no_phase": {"stuck_float": (1e9, 1e9), "not_using_corrections": (1e9, 1e9), "base_obstructed": (1e9, 1e9)},
    "base_obstructed": {
        "few_common_satellites": (1e9, 1e9), "stuck_float": (60.0, 180.0), "not_using_corrections": (60.0, 180.0),
    },
    # Before missing_system: two systems are enough to fix on, GLONASS without its biases is not.
    "no_glonass_bias": {"stuck_float": (1e9, 1e9), "not_using_corrections": (1e9, 1e9)},
    "missing_system": {
        "few_common_satellites": (1e9, 1e9), "stuck_float": (1e9, 1e9), "not_using_corrections": (1e9, 1e9),
    },
    "base_clock": {
        "link_stalled": (1e9, 1e9),"stuck_float": (1e9, 1e9), "not_using_corrections": (1e9, 1e9), "clock_mismatch": (1e9, 1e9)},
    "few_common_satellites": {"stuck_float": (60.0, 180.0), "not_using_corrections": (60.0, 180.0)},
    "long_baseline": {"stuck_float": (1e9, 1e9)},
    "no_rover": {**_FIX_LOST, "heading_lost": (5.0, 60.0), "rover_fields": (1e9, 1e9)},
    "signal_drop": {
        "few_satellites": (10.0, 60.0), "poor_geometry": (10.0, 60.0), "stuck_float": (10.0, 180.0),
        "heading_lost": (10.0, 60.0), "sky_blocked": (10.0, 60.0), "suspect_fix": (5.0, 60.0),
    },
    "sky_blocked": {
        "few_satellites": (20.0, 60.0), "poor_geometry": (20.0, 60.0), "stuck_float": (20.0, 180.0),
        "heading_lost": (20.0, 60.0), "few_common_satellites": (20.0, 60.0), "suspect_fix": (5.0, 60.0),
    },
    "few_satellites": {
        "poor_geometry": (20.0, 60.0), "stuck_float": (20.0, 180.0), "heading_lost": (20.0, 60.0),
        "suspect_fix": (5.0, 60.0), "few_common_satellites": (20.0, 60.0),
    },
    "poor_geometry": {"stuck_float": (20.0, 180.0), "suspect_fix": (5.0, 60.0)},
    "computer_clock": {"base_clock": (1e9, 1e9)},
}  # fmt: skip
