"""The check of the whole chain: what the machine's own screen says with the tooth on the mark, less the mark.

Antenna, heading, tilt, linkage, tooth wear, the machine's own site file: all are in it. What the log of the antenna
adds is whether the fix could be trusted at that time, and how uncertain the cutting edge was.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hubtack.control.check import Check, Circumstances, explain_at
from hubtack.control.frame import Frame, Mark
from hubtack.control.judge import judge
from hubtack.control.mistakes import height_mistake, likely_mistake
from hubtack.engine.quantities import PAIR_SIGMA_ACROSS_M, Z95, best_possible_vertical_95_m
from hubtack.engine.setup import Setup
from hubtack.knowledge.control_limits import CONTROL_BY_KEY
from hubtack.knowledge.control_words import FAR

Floats = NDArray[np.float64]
CIRCLE_95 = 2.4477  # 95 % circle over one axis' sigma, equal axes (FGDC-STD-007.3)


def edge_sigma_m(edge_95_m: tuple[float, float]) -> Floats:
    """1 sigma (3,) east, north, up of the cutting edge from its 95 % figures, vertical and horizontal. [m]"""
    vertical, horizontal = edge_95_m
    return np.array([horizontal / CIRCLE_95, horizontal / CIRCLE_95, vertical / Z95])


def edge_sigma_of_machine_m(setup: Setup, baseline_m: float) -> Floats:
    """The same from the machine and its receiver alone, where no log says how good the fix was. [m]"""
    km = 0.0 if np.isnan(baseline_m) else baseline_m * 1e-6
    heading = 0.0
    if setup.pair_separation_m:
        heading = PAIR_SIGMA_ACROSS_M / setup.pair_separation_m * setup.reach_m
    plan = float(np.sqrt((setup.horizontal_m + setup.horizontal_ppm * km) ** 2 + setup.linkage_sigma_m**2 + heading**2))
    return np.array([plan, plan, best_possible_vertical_95_m(setup, baseline_m) / Z95])


def check_shown(check: Check, frame: Frame, mark: Mark, shown: Mark, about: Circumstances, *, has_log: bool) -> Check:
    """Judge what a screen shows against a mark; ``check`` has the antenna's occupation at that time, if there is one.

    Both points are in one grid and one height system, as two ``Mark`` values. Without a fixed occupation in a log that
    was given, the answer is "cannot tell": the tooth may have been right by chance.
    """
    residual = shown_residual_m(frame, mark, shown)
    occupied = check.occupied
    sigma = (
        edge_sigma_m(occupied.edge_95_m)
        if occupied is not None and np.isfinite(occupied.edge_95_m).all()
        else edge_sigma_of_machine_m(about.setup, float("nan") if occupied is None else occupied.baseline_m)
    )
    check.residual_m, check.sigma_m = residual, sigma
    lat, lon = frame.place(mark)
    horizontal = float(np.hypot(residual[0], residual[1]))
    if has_log and occupied is None:
        return check
    check.judgement = judge(residual, sigma, mark.sigma_m, about.limits)
    if not horizontal < CONTROL_BY_KEY["mistake_m"]:
        there = frame.place(shown)
        check.mistake = likely_mistake(frame, mark, *there) if np.isfinite(there[0]) else None
        check.mistake = check.mistake or FAR["shown"].format(distance_m=horizontal, mark=mark.name)
        return check
    if abs(float(residual[2])) > CONTROL_BY_KEY["height_mistake_m"]:
        mistake = height_mistake(mark.height_m, shown.height_m)
        if mistake is not None:
            check.notes.append(mistake.replace("known height", "mark's height"))
    if check.passed:
        return check
    check.datum = explain_at(
        residual,
        np.hypot(sigma, mark.sigma_m),
        frame,
        mark,
        about,
        place=(lat, lon, mark.height_m),
        separation_m=float("nan") if occupied is None else occupied.separation_m,
    )
    return check


def shown_residual_m(frame: Frame, mark: Mark, shown: Mark) -> Floats:
    """Shown less mark: east, north, up (3,). [m]"""
    up = shown.height_m - mark.height_m
    if frame.is_geographic:
        from hubtack.geo.local_grid import plane_xy_m

        east, north = plane_xy_m(mark.northing, mark.easting, shown.northing, shown.easting)
        return np.array([float(east), float(north), up])
    return np.array([shown.easting - mark.easting, shown.northing - mark.northing, up])
