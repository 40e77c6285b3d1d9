"""The base between days: its broadcast position today against earlier days and against the site file.

A base set up again a decimetre away moves every design placed before by the same decimetre, and nothing on the machine
shows it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hubtack.geo import ecef_offset_to_enu, ecef_to_geodetic
from hubtack.knowledge.control_limits import CONTROL_BY_KEY
from hubtack.knowledge.control_words import BASE_BETWEEN_DAYS


@dataclass(frozen=True, slots=True)
class BaseDay:
    """The ARP that one log or one record has for a station. [m]"""

    label: str
    utc: str | None
    station_id: int | None
    arp_ecef_m: tuple[float, float, float]
    computed: bool = False


@dataclass(frozen=True, slots=True)
class BaseStep:
    """One day against what it is compared with: east, north, up and length. [m]"""

    day: BaseDay
    against: str
    enu_m: tuple[float, float, float]
    distance_m: float
    moved: bool
    words: str


def base_steps(
    days: Sequence[BaseDay], site_ecef_m: tuple[float, float, float] | None, tolerance_m: float
) -> list[BaseStep]:
    """Each day against the site file, where that has a base, and against the day before with the same station.

    A base that a network computes follows the rover and is not compared.
    """
    steps = []
    last: dict[int | None, BaseDay] = {}
    for day in days:
        if day.computed:
            continue
        if site_ecef_m is not None:
            steps.append(_step(day, "the site file", site_ecef_m, tolerance_m))
        before = last.get(day.station_id)
        if before is not None:
            steps.append(_step(day, before.label, before.arp_ecef_m, tolerance_m))
        last[day.station_id] = day
    return steps


def _step(day: BaseDay, against: str, reference_m: tuple[float, float, float], tolerance_m: float) -> BaseStep:
    reference = np.array([reference_m])
    offset = np.array([day.arp_ecef_m]) - reference
    lat, lon, _ = ecef_to_geodetic(reference)
    enu = ecef_offset_to_enu(offset, lat, lon)[0]
    distance = float(np.sqrt((offset**2).sum()))
    moved = distance > tolerance_m
    if distance <= CONTROL_BY_KEY["base_same_m"]:
        word = "same"
    elif not moved:
        word = "close"
    else:
        word = "elsewhere" if distance > CONTROL_BY_KEY["base_elsewhere_m"] else "moved"
    offset_m = (float(enu[0]), float(enu[1]), float(enu[2]))
    return BaseStep(day, against, offset_m, distance, moved, BASE_BETWEEN_DAYS[word])
