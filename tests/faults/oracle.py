"""What must never be shown, worked out a second time: a loop over the sentences themselves, sharing no code with the engine.

Only necessary conditions stand here. The rules are those of docs/reliability.md; their figures are common practice, no
source: HOLD unless RTK fixed, HOLD from 30 s of correction age, HOLD after 3 s (or three epochs) of silence, and after
any of these, or at the start, ten seconds of good rows (three after an old age alone) before anything else is said.
"""

from __future__ import annotations

import functools
import operator
from dataclasses import dataclass

AGE_HOLD_S, AGE_ROUGH_S, SILENT_S, SETTLE_FIX_S, SETTLE_AGE_S = 30.0, 10.0, 3.0, 10.0, 3.0
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Said:
    """One epoch as its sentence has it."""

    t_s: float  # time of day, unwrapped over midnight
    quality: str
    age_s: float | None


def _whole(line: bytes) -> bool:
    body, star, checksum = line[1:].partition(b"*")
    return not star or f"{functools.reduce(operator.xor, body, 0):02X}".encode() == checksum.strip().upper()


def epochs_of(log: bytes) -> list[Said]:
    """Position epochs of a rover log: GGA lines, or GNS lines where there is no GGA; what arrived damaged is none."""
    lines = [line for line in log.split(b"\r\n") if line[:1] == b"$" and _whole(line)]
    kinds = {line[3:6] for line in lines}
    found: list[Said] = []
    for line in lines:
        if line[3:6] != (b"GGA" if b"GGA" in kinds else b"GNS"):
            continue
        fields = line.partition(b"*")[0].decode("ascii").split(",")
        clock = fields[1]
        t_s = int(clock[:2]) * 3600 + int(clock[2:4]) * 60 + float(clock[4:])
        if found:
            t_s += _DAY_S * round((found[-1].t_s - t_s) / _DAY_S)
        if fields[0].endswith("GGA"):
            quality, age = fields[6], fields[13]
        else:
            mode = fields[6]
            quality, age = "4" if "R" in mode else "5" if "F" in mode else "1", fields[11]
        found.append(Said(t_s, quality, float(age) if age else None))
    return found


def worst_allowed(epochs: list[Said], i: int, interval_s: float) -> tuple[str, str]:
    """The best verdict that epoch ``i`` may have, GRADE, ROUGH or HOLD, and why it is not better."""
    at = epochs[i]
    silent_s = max(SILENT_S, 3 * interval_s)
    if at.quality != "4":
        return "HOLD", f"quality {at.quality}"
    if at.age_s is not None and at.age_s >= AGE_HOLD_S:
        return "HOLD", f"age {at.age_s}"
    if at.t_s - epochs[0].t_s < SETTLE_FIX_S - 1e-6:
        return "HOLD", "just begun"
    for j in range(i, -1, -1):
        ago_s = at.t_s - epochs[j].t_s
        if ago_s >= SETTLE_FIX_S - 1e-6:
            break
        if epochs[j].quality != "4":
            return "HOLD", f"quality {epochs[j].quality} {ago_s:g} s ago"
        if ago_s < SETTLE_AGE_S - 1e-6 and (epochs[j].age_s or 0.0) >= AGE_HOLD_S:
            return "HOLD", f"age {epochs[j].age_s} {ago_s:g} s ago"
        if j and epochs[j].t_s - epochs[j - 1].t_s > silent_s + 1e-6:
            return "HOLD", f"silent until {ago_s:g} s ago"
    return ("ROUGH", f"age {at.age_s}") if (at.age_s or 0.0) >= AGE_ROUGH_S else ("GRADE", "")
