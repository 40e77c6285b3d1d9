"""What is said of a mount point by its record in a caster's table, by code; the rules are in ``ntrip.fitness``.

Common practice, no source, but for the message numbers (RTCM 10403.3).
"""

from __future__ import annotations

from collections.abc import Mapping

REASONS: Mapping[str, str] = {
    "format_rtcm2": "RTCM 2, which Hubtack does not read and few machines still take",
    "format_raw": "a receiver's own format, not RTCM 3",
    "format_unknown": "format not stated, and no message list to tell it by",
    "state_space": "orbit and clock corrections: for precise point positioning, not for RTK",
    "no_observations": "no observations in the message list (ephemerides or other services)",
    "no_phase": "no carrier phase: a rover gets no fix from it",
    "no_base_position": "no 1005 or 1006: a rover does not learn where the base is",
    "only_sbas": "only SBAS satellites",
}
"""Why no rover can be fixed on it."""

NOTES: Mapping[str, str] = {
    "needs_position": "needs a position (--near)",
    "network_place": "computed for your place",
    "login": "needs a login",
    "fee": "costs a fee",
    "far": "too far for GRADE",
    "long": "long baseline",
    "single_frequency": "single frequency: slow to fix",
    "no_message_list": "message list not given",
    "few_systems": "one constellation only",
    "no_place": "place not stated",
    "odd_record": "the record is irregular",
}
"""Worth knowing of one that is fit."""
