"""Why a verdict is what it is: the closed list of reasons, with the sentence and the next step for each.

Order is by weight: the first one that holds is the one a screen shows. ``caps`` says how far the reason lowers the
verdict. ``settle`` names the limit that says how long a position must be good again after the reason has gone.
Numbers of bits are internal; codes are part of the JSON contract.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason: its code, the verdict it caps at, its sentence, the next step, the settle limit."""

    code: str
    caps: Literal["HOLD", "ROUGH"]
    text: str
    next_step: str
    settle: str | None = None


_FIX, _AGE, _JUMP = "settle_fix_s", "settle_age_s", "settle_jump_s"

REASONS: tuple[Reason, ...] = (
    Reason(
        "no_rover", "HOLD", "no data from the rover", "check the receiver's power and the cable or network to it", _FIX
    ),
    Reason(
        "restarted", "HOLD", "the rover's time jumped or it restarted", "wait until the receiver has settled", _JUMP
    ),
    Reason(
        "no_position",
        "HOLD",
        "the rover gives no position",
        "clear view of the sky; check the antenna and its cable",
        _FIX,
    ),
    Reason(
        "latched_two_bases",
        "HOLD",
        "more than one base is on the channel",
        "find the second transmitter or change the channel, then check on a control mark",
        _JUMP,
    ),
    Reason(
        "latched_wrong_base",
        "HOLD",
        "corrections come from the wrong base",
        "compare station ID and base position with the site's sheet, then check on a control mark",
        _JUMP,
    ),
    Reason(
        "latched_base_moved",
        "HOLD",
        "the base's position changed",
        "ask who moved or restarted the base, then check on a control mark",
        _JUMP,
    ),
    Reason(
        "latched_base_misplaced",
        "HOLD",
        "the base is not where it says it is",
        "check the coordinates typed into the base, then check on a control mark",
        _JUMP,
    ),
    Reason(
        "latched_base_disturbed",
        "HOLD",
        "the base's antenna moved",
        "look at the base's tripod or mast, then check on a control mark",
        _JUMP,
    ),
    Reason(
        "latched_overnight_shift",
        "HOLD",
        "parked overnight, and it comes up elsewhere",
        "was the base set up again? Check on a control mark",
        _JUMP,
    ),
    Reason("no_fix", "HOLD", "no fix", "clear view of the sky; wait for satellites", _FIX),
    Reason(
        "autonomous",
        "HOLD",
        "autonomous position, no corrections in use",
        "check that corrections reach the receiver",
        _FIX,
    ),
    Reason(
        "differential", "HOLD", "differential position only: decimetres to metres", "check the correction stream", _FIX
    ),
    Reason(
        "rtk_float",
        "HOLD",
        "RTK float: decimetres, not centimetres",
        "wait for the fix; if it does not come, run hubtack link",
        _FIX,
    ),
    Reason("other_fix", "HOLD", "the receiver estimates or simulates its position", "wait for an RTK fix", _FIX),
    Reason(
        "corrections_old", "HOLD", "corrections are too old", "check the radio or the network: run hubtack link", _AGE
    ),
    Reason(
        "rover_late",
        "HOLD",
        "the rover's data arrive late",
        "check the cable or network between rover and this computer",
        _FIX,
    ),
    Reason(
        "age_contradiction",
        "HOLD",
        "the receiver's correction age contradicts the stream",
        "check that the receiver uses the stream that is being read",
        _FIX,
    ),
    Reason(
        "status_contradiction",
        "HOLD",
        "the receiver says fixed and not valid at once",
        "restart the receiver's output; report it",
        _FIX,
    ),
    Reason(
        "frozen_position",
        "HOLD",
        "the position repeats to the last digit while time moves",
        "restart the receiver",
        _JUMP,
    ),
    Reason(
        "suspect_fix",
        "HOLD",
        "the fixed position contradicts itself",
        "have the receiver fix anew, then check on a control mark",
        _JUMP,
    ),
    Reason(
        "scatter_contradiction",
        "HOLD",
        "the position scatters more than the receiver admits",
        "move away from steel and walls; have the receiver fix anew, then check on a control mark",
        _JUMP,
    ),
    Reason(
        "wrong_separation",
        "HOLD",
        "the two antennas are not where they should be",
        "check the antenna mounts and which antenna is which",
        _JUMP,
    ),
    Reason(
        "heading_lost",
        "HOLD",
        "no heading from the antenna pair",
        "clear sky over both antennas; check the second antenna's cable",
        _FIX,
    ),
    Reason(
        "heading_contradiction",
        "HOLD",
        "the heading contradicts the machine's swing",
        "are the two antennas' cables swapped? Check the heading offset",
        _JUMP,
    ),
    Reason("few_satellites", "HOLD", "too few satellites", "move away from what blocks the sky, or wait", _FIX),
    Reason(
        "poor_geometry",
        "HOLD",
        "the satellites stand badly (PDOP)",
        "move away from what blocks the sky, or wait",
        _FIX,
    ),
    Reason(
        "error_too_large",
        "HOLD",
        "the error at the edge is too large even to dig roughly",
        "wait, or shorten the reach",
        None,
    ),
    Reason("settling", "HOLD", "settling after a change", "keep still; it takes up to half a minute", None),
    Reason(
        "corrections_ageing",
        "ROUGH",
        "corrections are ageing",
        "check the radio or the network before they are too old",
        None,
    ),
    Reason(
        "age_unknown", "ROUGH", "the correction age is unknown", "switch on the age field of GGA in the receiver", None
    ),
    Reason(
        "base_unknown",
        "ROUGH",
        "the distance to the base is unknown",
        "put the base, or receiver.assumed_baseline_m, into the site file",
        None,
    ),
    Reason("long_baseline", "ROUGH", "the base is too far away", "use a nearer base or mount point", None),
    Reason(
        "edge_vertical",
        "ROUGH",
        "the vertical error at the edge is above the tolerance",
        "finish to a level or laser",
        None,
    ),
    Reason(
        "edge_horizontal",
        "ROUGH",
        "the horizontal error at the edge is above the tolerance",
        "shorten the reach, or set out from stakes",
        None,
    ),
    Reason("not_checked", "ROUGH", "not checked on a control mark", "touch a control mark: hubtack control", None),
)

BIT: Mapping[str, int] = {reason.code: 1 << i for i, reason in enumerate(REASONS)}
BY_CODE: Mapping[str, Reason] = {reason.code: reason for reason in REASONS}
HOLD_BITS = sum(BIT[r.code] for r in REASONS if r.caps == "HOLD")
ROUGH_BITS = sum(BIT[r.code] for r in REASONS if r.caps == "ROUGH")


def settle_bits(limit_key: str) -> int:
    """Bit set of the reasons after which the position must settle for that limit."""
    return sum(BIT[r.code] for r in REASONS if r.settle == limit_key)


def codes(bits: int) -> list[str]:
    """Codes of a bit set, heaviest first."""
    return [reason.code for reason in REASONS if bits & BIT[reason.code]]
