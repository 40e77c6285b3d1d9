"""What the engine must know of a site and a machine, in one frozen value."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field

from hubtack.knowledge.job_classes import DEFAULT_JOB_CLASS, JOB_CLASSES_BY_KEY
from hubtack.knowledge.limits import LIMITS_BY_KEY


@dataclass(frozen=True, slots=True)
class Setup:
    """Limits, machine and receiver as the engine uses them. Defaults are those of an empty site file.

    ``pair_separation_m`` None: no antenna pair is configured, so heading is not required. ``base_ecef_m`` is the
    site's base, ``assumed_baseline_m`` the stated distance where neither a stream nor the site tells it.
    ``computed_ppm`` replaces the receiver's ppm where a network computes the base.
    """

    overrides: Mapping[str, float] = field(default_factory=dict)
    tolerance_vertical_95_m: float = JOB_CLASSES_BY_KEY[DEFAULT_JOB_CLASS].vertical_95_m
    tolerance_horizontal_95_m: float = JOB_CLASSES_BY_KEY[DEFAULT_JOB_CLASS].horizontal_95_m
    job_class: str | None = None
    slope: float = 0.0
    require_check: bool = False
    machine_kind: str = "excavator"
    pair_separation_m: float | None = None
    heading_offset_deg: float = 0.0
    antenna_right_m: float | None = None
    antenna_forward_m: float | None = None
    reach_m: float = 9.0
    linkage_sigma_m: float = 0.013
    tilt_sigma_deg: float = 0.05
    horizontal_m: float = 0.008
    horizontal_ppm: float = 1.0
    vertical_m: float = 0.015
    vertical_ppm: float = 1.0
    computed_ppm: float = 0.5
    assumed_baseline_m: float | None = None
    base_ecef_m: tuple[float, float, float] | None = None
    heard_elsewhere: bool = False
    has_arrival: bool = False
    has_corrections: bool = False

    def limit(self, key: str) -> float:
        """The limit ``key``, from the site file or the table; KeyError for an unknown key."""
        return float(self.overrides.get(key, LIMITS_BY_KEY[key].value))

    def digest(self) -> str:
        """Short hash of everything in here, for ledgers and verdict logs."""
        return hashlib.sha256(repr(self).encode()).hexdigest()[:16]
