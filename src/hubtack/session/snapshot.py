"""The state of a session at one moment, as screens and documents read it. A plain value: views keep nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from hubtack.diagnosis.episode import Finding
from hubtack.engine.judge import Standing
from hubtack.engine.quantities import Z95


@dataclass(frozen=True, slots=True)
class LinkLine:
    """The correction link in one line: load, frames, failures, silence."""

    bits_per_s: float = float("nan")
    frames: int = 0
    bad_crc: int = 0
    last_frame_age_s: float = float("nan")
    source: str = ""
    state: str = ""


@dataclass(frozen=True, slots=True)
class HistoryPoint:
    """One second of the recent past."""

    time_ns: int
    verdict: int
    fix: int
    age_s: float
    edge_vertical_95_m: float


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything a screen may show of a session. Absent figures are NaN; ``utc`` is None without a date.

    ``shares_vertical_m`` and ``sigma_along_m``/``sigma_across_m`` are 1 sigma parts of the error at the edge.
    ``time_ns`` and ``verdict_since_ns`` are on the session's axis.
    """

    time_ns: int
    utc: str | None
    clock: str
    standing: Standing
    verdict_since_utc: str | None
    next_step: str
    fix: int
    fix_for_s: float
    age_s: float
    baseline_m: float
    baseline_bearing_deg: float
    up_from_base_m: float
    heading_deg: float
    heading_sigma_deg: float
    heading_required: bool
    edge_vertical_95_m: float
    edge_horizontal_95_m: float
    tolerance_vertical_95_m: float
    tolerance_horizontal_95_m: float
    job_class: str | None
    best_vertical_95_m: float
    best_possible: str  # GRADE or ROUGH: what the equipment can reach at this tolerance and baseline
    shares_vertical_m: tuple[float, ...]
    sigma_along_m: float
    sigma_across_m: float
    satellites: float
    hdop: float
    pdop: float
    base_id: int | None
    base_computed: bool
    link: LinkLine
    findings: tuple[Finding, ...] = ()
    history: tuple[HistoryPoint, ...] = ()
    notices: Mapping[str, str] = field(default_factory=dict)
    checked: tuple[str, float] | None = None
    speed_m_s: float = float("nan")
    rows: int = 0
    pdop_computed: float = float("nan")  # of the satellites used in the newest minute, one clock a constellation
    sectors: tuple[float, ...] = ()  # satellites tracked from north clockwise in eight sectors of 45 degrees
    reach_m: float = float("nan")
    convergence_deg: float = float("nan")  # grid north east of true north
    sky: str = ""  # the hours ahead in one line

    def heading_grid_deg(self) -> float:
        """Heading from grid north; NaN without a heading or without the site's grid. [deg]"""
        return (self.heading_deg - self.convergence_deg) % 360.0

    def heading_effect_95_m(self) -> float:
        """What the heading's error does at the longest reach, across it, at 95 %. [m]"""
        return Z95 * math.radians(self.heading_sigma_deg) * self.reach_m

    def clearance_m(self) -> float | None:
        """What to keep above grade while ROUGH: the vertical error at 95 %, rounded up to 10 mm. None otherwise. [m]"""
        if self.standing.word != "ROUGH" or math.isnan(self.edge_vertical_95_m):
            return None
        return math.ceil(self.edge_vertical_95_m * 100 - 1e-9) / 100
