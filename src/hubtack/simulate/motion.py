"""Where the machine and its antennas are: idle, the house swinging to and fro, or the whole machine tracking along."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.simulate.world import Machine

Floats = NDArray[np.float64]
TRACK_M_S = 0.45


@dataclass(slots=True)
class Motion:
    """Main antenna east, north, up from the site's origin [m], heading [deg], speed [m/s] and course [deg], (T,)."""

    enu_m: NDArray[Any]
    heading_deg: NDArray[Any]
    speed_m_s: NDArray[Any]
    course_deg: NDArray[Any]


def move(machine: Machine, t_s: Floats, rng: np.random.Generator) -> Motion:
    """The antenna's way through all spells; it never jumps."""
    heading = np.full(len(t_s), machine.heading_deg)
    centre = np.zeros((len(t_s), 3)) + machine.offset_enu_m
    direction = float(rng.uniform(0, 2 * np.pi))
    last = float(t_s[-1]) + 1.0 if len(t_s) else 0.0
    bounds = [*(s for s, _ in machine.spells), max(last, machine.spells[-1][0] + 1.0 if machine.spells else 0.0)]
    stood = np.zeros(3)
    for (start, kind), end in zip(machine.spells, bounds[1:], strict=True):
        inside = (t_s >= start) & (t_s < end)
        since = t_s[inside] - start
        centre[inside] += stood
        if kind == "swing":
            heading[inside] += _dig_and_dump(since, end - start, rng)
        if kind == "track":
            going = np.array([np.sin(direction), np.cos(direction), 0.0])
            centre[inside] += _travelled(since, end - start)[:, None] * going
            stood = stood + float(_travelled(np.array([end - start]), end - start)[0]) * going
            direction += float(rng.normal(0, 1.0))
    turn = np.radians(heading)
    # The main antenna stands to the left of the swing axis.
    enu = centre.copy()
    enu[:, 0] += -machine.swing_radius_m * np.cos(turn)
    enu[:, 1] += machine.swing_radius_m * np.sin(turn)
    step_s = float(np.median(np.diff(t_s))) if len(t_s) > 1 else 1.0
    delta = np.diff(enu, axis=0, prepend=enu[:1])
    speed = np.hypot(delta[:, 0], delta[:, 1]) / step_s
    course = np.degrees(np.arctan2(delta[:, 0], delta[:, 1])) % 360.0
    return Motion(enu, heading % 360.0, speed, course)


def _ease(share: Floats) -> Floats:
    """From 0 to 1 with a gentle start and end."""
    x = np.clip(share, 0.0, 1.0)
    return np.asarray(x * x * (3.0 - 2.0 * x))


def _dig_and_dump(since_s: Floats, length_s: float, rng: np.random.Generator) -> Floats:
    """Heading against where the bucket digs: dig, swing out, dump, swing back, over and over; ends where it began."""
    reach = float(rng.uniform(40.0, 170.0)) * float(rng.choice([-1.0, 1.0]))
    swing_s = abs(reach) / float(rng.uniform(25.0, 45.0)) + 1.0
    dig_s, dump_s = float(rng.uniform(4.0, 9.0)), float(rng.uniform(1.5, 4.0))
    cycle_s = dig_s + dump_s + 2 * swing_s
    cycles = int(length_s // cycle_s)
    at = since_s % cycle_s
    out = _ease((at - dig_s) / swing_s) - _ease((at - dig_s - swing_s - dump_s) / swing_s)
    return np.where(since_s < cycles * cycle_s, reach * out, 0.0)


def _travelled(since_s: Floats, length_s: float) -> Floats:
    """Way along the track: it starts and stops within two seconds. [m]"""
    ramp = min(2.0, length_s / 2)
    t = np.clip(since_s, 0.0, length_s)
    gained = np.where(t < ramp, t * t / (2 * ramp), t - ramp / 2)
    left = np.maximum(t - (length_s - ramp), 0.0)
    return np.asarray(TRACK_M_S * (gained - left * left / (2 * ramp)))
