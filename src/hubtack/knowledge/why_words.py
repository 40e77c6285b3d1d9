"""What stands for ``why`` and ``how`` in the evidence of findings. In braces is what the diagnosis puts in."""

from __future__ import annotations

from collections.abc import Mapping

SUSPECT_WORDS: Mapping[str, str] = {
    "suspect_fix": "it jumped",
    "age_contradiction": "its correction age is not that of the stream",
    "scatter_contradiction": "standing still, it scatters more than its sigmas admit",
}
"""Why a fixed solution is not believed, by the reason code that saw it (knowledge.reasons)."""

LOSS_WORDS: Mapping[str, str] = {
    "burst": "in bursts",
    "independent": "one by one, without a pattern",
    "periodic": "at a steady period",
}
"""How losses lie in time, by the kind of pattern (``diagnosis.loss``)."""

CLOCK_JUMPED = "the rover's time jumped, or its data came late"

LEAP_LOST = "the rover's time stepped by {step_s} s, the difference of GPS time and UTC: it lost its leap seconds"
"""A receiver that restarts can run on GPS time until it has heard the difference again: IS-GPS-200, 20.3.3.5.2.4 (clause from memory)."""

CLOCK_STEPPED = "the rover's time stepped by {step_s:.0f} s, and the stream's time did not"
CLOCK_STEPPED_IN_LOGS = (
    "the rover's time stepped by {step_s:.0f} s: its log lasts longer by that than the corrections' log"
)

ROVER_OFF = "the rover's time is {offset_s:.0f} s {side} that of the base, whose observations bear it out"
