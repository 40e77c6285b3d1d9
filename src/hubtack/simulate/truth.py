"""The truth beside a session: what was done to it, what came of it in the simulator's own terms, if it mattered.

``mattered`` is worked out from the cause and from what the receiver model made of it. Where docs/site-file.md states
from which size or length on a thing counts, that is the limit here too (they are written down anew: no judge of
sessions has a say in it); the others are this module's own (common practice, no source).
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.simulate.channel import Heard
from hubtack.simulate.receiver import FIXED, State, Tracked
from hubtack.simulate.world import World


def finish_truth(world: World, heard: list[Heard], sky: Tracked, state: State) -> None:
    """Fill in what each cause led to, and whether it mattered where the draw alone does not tell."""
    t = np.arange(world.seconds)
    for cause in world.truth:
        start, end = cause["start_s"], cause["end_s"] if cause["end_s"] is not None else world.seconds
        # The effects of a cause last: a lost fix takes its time to come back.
        inside = (t >= start) & (t < end + 30.0) & (t >= world.receiver.first_fix_s + world.receiver.fix_time_s + 5)
        came = _consequences(inside, sky, state)
        for key, value in came.items():
            cause.setdefault(key, value)
        interval_s = 1.0 / world.rate_hz
        came["interval_s"] = interval_s
        came["epochs_inside"] = int(np.ceil(end / interval_s - 1e-6) - np.ceil(start / interval_s - 1e-6))
        if cause["code"] == "base_moved":  # another fault may have typed coordinates before
            _, now = world.base.typed_changes[-1]
            cause["moved_m"] = round(float(np.linalg.norm(now - world.base.typed_offset_m)), 4)
        if cause["code"] == "link_stalled":
            came["silent_s"] = _longest_silence_s(heard, start, end, world.seconds)
        if cause["code"] == "corrupt_frames":
            # Noise between frames is no frame; a repeater's copy is one, whole or damaged.
            kinds = Counter(h.kind for h in heard if h.t_s >= start)
            bad, sent = kinds["damaged"], kinds["damaged"] + kinds["frame"]
            cause["share"] = round(float(bad / max(1, sent)), 4)
            cause["mattered"] = bool(sent >= 100 and cause["share"] > 0.06)
        if cause.get("mattered") is None:
            cause["mattered"] = bool(RULES[cause["code"]](cause, came))


def _consequences(inside: NDArray[np.bool_], sky: Tracked, state: State) -> dict[str, Any]:
    """What the rover's receiver went through in the seconds marked."""
    if not inside.any():
        return {"rover_fixed_share": None}
    fixed = state.fix[inside] == FIXED
    age = state.age_s[inside]
    finite = age[np.isfinite(age)]
    return {
        "rover_fixed_share": round(float(fixed.mean()), 3),
        "rover_longest_unfixed_s": _longest(~fixed),
        "common_median": float(np.median(state.common[inside])),
        "satellites_median": float(np.median(sky.used[inside].sum(axis=1))),
        "pdop_median": round(float(np.median(sky.dops[inside, 0])), 2),
        "age_max_s": round(float(finite.max()), 1) if len(finite) else None,
    }


def _longest_silence_s(heard: list[Heard], start_s: float, end_s: float, seconds: int) -> float:
    """Longest time between two epochs of corrections that reached the machine, of those that touch the stretch. [s]"""
    epochs = {h.frame.epoch_s for h in heard if h.frame is not None and h.frame.kind == "observations"}
    at = np.array([0.0, *sorted(epochs), float(seconds)])
    touches = (at[1:] > start_s) & (at[:-1] < end_s)
    return float(np.diff(at)[touches].max()) if touches.any() else 0.0


def _longest(marked: NDArray[np.bool_]) -> int:
    best = run = 0
    for value in marked.tolist():
        run = run + 1 if value else 0
        best = max(best, run)
    return best


def _lost_fix(cause: dict[str, Any], came: dict[str, Any]) -> bool:
    return (came.get("rover_longest_unfixed_s") or 0) >= 10


RULES: dict[str, Any] = {
    # Limits of docs/site-file.md: link_stalled_s, rover_silent_hold_s, frozen_s,
    # base_moved_m. A heading that is gone is HOLD at once.
    "link_stalled": lambda cause, came: came["silent_s"] > 10.0,
    "no_rover": lambda cause, came: (came["epochs_inside"] + 1) * came["interval_s"] > max(3.0, 3 * came["interval_s"]),
    "frozen_position": lambda cause, came: (came["epochs_inside"] - 1) * came["interval_s"] >= 10.0,
    "base_moved": lambda cause, came: cause["moved_m"] > 0.05,
    "heading_lost": lambda cause, came: came["epochs_inside"] >= 2,
    "sky_blocked": lambda cause, came: cause["sky_share"] > 0.45 or _lost_fix(cause, came),
    "few_satellites": lambda cause, came: came.get("satellites_median", 99) < 7,
    "poor_geometry": lambda cause, came: came.get("pdop_median", 0) > 4.2,
    "signal_drop": lambda cause, came: cause["drop_db"] >= 6,
    "few_common_satellites": lambda cause, came: came.get("common_median", 99) < 6,
    "missing_system": lambda cause, came: came.get("common_median", 99) < 8 or _lost_fix(cause, came),
    "no_glonass_bias": _lost_fix,
    "link_saturated": lambda cause, came: cause["load_share"] > 1.03,
    "burst_loss": lambda cause, came: cause["bursts"] >= 5,
    "stuck_float": lambda cause, came: (came.get("rover_longest_unfixed_s") or 0) >= 130,
    "not_using_corrections": lambda cause, came: (came.get("rover_longest_unfixed_s") or 0) >= 70,
}
