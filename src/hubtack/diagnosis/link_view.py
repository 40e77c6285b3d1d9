"""The link as its families see it at one moment, and what several of them ask of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from hubtack.diagnosis.base_seen import BaseSeen
from hubtack.diagnosis.episode import Episode, Severity
from hubtack.diagnosis.rover_view import RoverView
from hubtack.engine.link import LinkEngine, LinkSetup
from hubtack.engine.link_content import common_satellites
from hubtack.engine.link_tally import LinkTally

S_NS = 1_000_000_000
FIX_RUNS = ("fix:float", "fix:autonomous", "age:old")
FIX_TAIL_NS = 60 * S_NS


@dataclass(frozen=True, slots=True)
class LinkView:
    """The link as the families see it at ``now_ns``; ``start_ns`` is when listening began, on the session's axis.

    ``source_codes`` are what the source itself said: (code, start, end, figures).
    """

    engine: LinkEngine
    rover: RoverView
    start_ns: int
    now_ns: int
    source_codes: tuple[tuple[str, int, int | None, Mapping[str, Any]], ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)
    base: BaseSeen = field(default_factory=BaseSeen)  # what the base's own observations say
    glonass_off_s: int | None = None  # how far GLONASS epochs lie from those of GPS, where a base errs [s]
    computer_days_off: int = 0  # whole days by which arrivals lie after the data; lags are known modulo a day

    @property
    def tally(self) -> LinkTally:
        """Sums of the stream."""
        return self.engine.tally

    @property
    def setup(self) -> LinkSetup:
        """What was known beforehand."""
        return self.engine.setup

    @property
    def listened_s(self) -> float:
        """How long the stream has been listened to. [s]"""
        return max((self.now_ns - self.start_ns) / S_NS, self.tally.duration_s())

    @property
    def rover_outlasts_s(self) -> float:
        """By how much longer the rover's rows last than the corrections, each by its own time; NaN where not known. [s]"""
        rover, link = self.rover, self.tally.ledger
        if rover.first_ns is None or rover.last_ns is None or link.first_ns is None or link.last_ns is None:
            return float("nan")
        return ((rover.last_ns - rover.first_ns) - (link.last_ns - link.first_ns)) / S_NS

    def limit(self, key: str) -> float:
        """A limit by its key."""
        return self.setup.limit(key)

    @property
    def well(self) -> bool:
        """Whether the rover works so well that a merely possible cause is only a note (judgement, severity)."""
        if not self.rover.is_well(self.limit("healthy_fixed_share"), self.limit("correction_age_warn_s")):
            return False
        common = self.common_median
        return np.isnan(common) or common >= self.limit("healthy_common")

    @property
    def common_median(self) -> float:
        """Satellites that base and rover both hear, in the middle of the session; NaN where that is not known."""
        common = [n for _, n in common_satellites(self.rover.heard, self.tally.content.sky)]
        return float(np.median(common)) if common else float("nan")

    @property
    def enough_in_common(self) -> bool:
        """Whether so many satellites are known to be common that no fix fails for want of them."""
        return self.common_median >= self.limit("healthy_common")

    def lost_fix_ns(self, start_ns: int, end_ns: int | None, tail_ns: int = FIX_TAIL_NS) -> int:
        """HOLD time of lost fixes and old corrections that began in a stretch or soon after it. [ns]"""
        return self.rover.hold_ns(FIX_RUNS, start_ns, self.now_ns if end_ns is None else end_ns, tail_ns)

    def all_time(
        self, code: str, severity: Severity | None = None, subject: str = "", hold_ns: int = 0, **figures: Any
    ) -> Episode:
        """An episode from the start of listening that still goes on."""
        return Episode(code, self.start_ns, None, subject, hold_ns, severity, figures)

    def potential(self) -> Severity:
        """Severity of what may harm: a note while the rover works well or there is none to be harmed."""
        return "note" if self.well or not self.rover.has_rover else "warn"
