"""The rover's side of a session: rows in, judged rows out, with the track, the tally and the evidence kept.

``update`` commits rows that content has closed. ``peek`` judges rows still open on a copy of the track and keeps
nothing, which is how a live screen is up to date without changing what is stored.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.engine import judge as jd
from hubtack.engine.course import KINDS as COURSE_KINDS
from hubtack.engine.course import Course
from hubtack.engine.parked import NightLimits, Parked
from hubtack.engine.quantities import Quantities, quantities
from hubtack.engine.rover_evidence import RoverEvidence
from hubtack.engine.scatter import Scatter
from hubtack.engine.setup import Setup
from hubtack.engine.swing import Swings
from hubtack.engine.tally import Tally
from hubtack.epochs.columns import Epochs
from hubtack.knowledge.reasons import BIT

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

HEADING_HOLD_NS = 2_000_000_000  # a heading that comes more slowly than the position serves for this long


@dataclass(slots=True)
class LinkAtRows:
    """The correction link as it was known at each of N rows (see engine.link)."""

    arp_ecef_m: Floats  # (N, 3), NaN where none has been heard
    base_computed: Bools
    obs_utc_ms: Floats
    station_id: Floats
    latch_bits: Ints
    healthy: Bools  # observation epochs were arriving

    @classmethod
    def none(cls, n: int) -> LinkAtRows:
        """No link: N rows in which nothing is known of it."""
        return cls(
            arp_ecef_m=np.full((n, 3), np.nan),
            base_computed=np.zeros(n, dtype=bool),
            obs_utc_ms=np.full(n, np.nan),
            station_id=np.full(n, np.nan),
            latch_bits=np.zeros(n, dtype=np.int64),
            healthy=np.zeros(n, dtype=bool),
        )


@dataclass(slots=True)
class JudgedRows:
    """A block of rows with all that was worked out for them.

    ``working`` (N,) says of committed rows whether the machine was at work; it is empty for rows that are only looked at.
    """

    epochs: Epochs
    q: Quantities
    judged: jd.Judged
    working: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))


@dataclass(slots=True)
class RoverEngine:
    """State of the rover's side of one session."""

    setup: Setup
    compare_ages: bool = False
    track: jd.Track = field(default_factory=jd.Track)
    tally: Tally = field(default_factory=Tally)
    evidence: RoverEvidence = field(init=False)
    swings: Swings = field(default_factory=Swings)
    parked: Parked = field(init=False)
    scatter: Scatter = field(init=False)
    course: Course = field(default_factory=Course)
    last: JudgedRows | None = None  # the newest committed row
    _heading: tuple[int, float] | None = None  # time and value of the newest heading

    def __post_init__(self) -> None:
        self.evidence = RoverEvidence.for_setup(self.setup)
        km = (self.setup.assumed_baseline_m or 2000.0) * 1e-6
        floors = (
            self.setup.horizontal_m + self.setup.horizontal_ppm * km,
            self.setup.vertical_m + self.setup.vertical_ppm * km,
        )
        limit = self.setup.limit
        self.parked = Parked(*floors, NightLimits.of(limit))
        self.scatter = Scatter(*floors, limit("standing_speed_m_s"), limit("scatter_variance_ratio"))
        self.swings.contradicts_deg = limit("heading_off_stop_deg")
        forward, right = self.setup.antenna_forward_m, self.setup.antenna_right_m
        if forward is not None and right is not None:
            self.swings.expected_deg = float(np.degrees(np.arctan2(right, forward)))

    def update(self, epochs: Epochs, link: LinkAtRows, arrival_ns: Ints, checked: Bools) -> JudgedRows:
        """Judge and commit N closed rows, which must follow those committed before."""
        rows, track, heading = self._judge(epochs, link, arrival_ns, checked, commit=True)
        n = len(epochs)
        if n == 0:
            return rows
        silent_ns = jd.silent_limit_ns(track, self.setup)
        rows.working = self.tally.add(
            epochs,
            rows.q,
            rows.judged,
            silent_ns=silent_ns,
            working_moved_s=self.setup.limit("working_moved_s"),
            working_speed_max_m_s=self.setup.limit("working_speed_max_km_h") / 3.6,
        )
        self.evidence.add(rows.epochs, rows.q, rows.judged, link, self.track, silent_ns)
        self.track, self._heading = track, heading
        self.last = JudgedRows(epochs.take(slice(n - 1, n)), _last_of(rows.q), rows.judged)
        return rows

    def peek(self, epochs: Epochs, link: LinkAtRows, arrival_ns: Ints, checked: Bools) -> tuple[JudgedRows, jd.Track]:
        """Judge rows that are still open, as if closed; nothing is kept."""
        rows, track, _ = self._judge(epochs, link, arrival_ns, checked)
        return rows, track

    def _judge(
        self, epochs: Epochs, link: LinkAtRows, arrival_ns: Ints, checked: Bools, *, commit: bool = False
    ) -> tuple[JudgedRows, jd.Track, tuple[int, float] | None]:
        heading_deg, heading = self._held_heading(epochs)
        q = quantities(
            epochs,
            self.setup,
            arp_ecef_m=link.arp_ecef_m,
            base_computed=link.base_computed,
            obs_utc_ms=link.obs_utc_ms,
            heading_deg=heading_deg,
        )
        latched = link.latch_bits
        if commit:
            self.swings.add(epochs, q)
            latched = latched | np.where(self.swings.contradiction(epochs), BIT["heading_contradiction"], 0)
            latched = latched | np.where(self.parked.add(epochs, q), BIT["latched_overnight_shift"], 0)
            latched = latched | np.where(self.scatter.add(epochs, q), BIT["scatter_contradiction"], 0)
            if self.setup.machine_kind in COURSE_KINDS:
                self.course.add(epochs, q)
        else:
            latched = latched | (BIT["heading_contradiction"] if self.swings.contradicts else 0)
            latched = latched | (BIT["latched_overnight_shift"] if self.parked.contradicts else 0)
            latched = latched | (BIT["scatter_contradiction"] if self.scatter.contradicts else 0)
        judged, track = jd.judge_rows(
            self.track,
            epochs,
            q,
            self.setup,
            arrival_ns=arrival_ns,
            latch_bits=latched,
            compare_ages=self.compare_ages,
            checked=checked,
        )
        return JudgedRows(epochs, q, judged), track, heading

    def _held_heading(self, epochs: Epochs) -> tuple[Floats, tuple[int, float] | None]:
        n = len(epochs)
        if n == 0:
            return np.zeros(0), self._heading
        own = (epochs.heading_deg + self.setup.heading_offset_deg) % 360.0
        known = ~np.isnan(own)
        newest = np.maximum.accumulate(np.where(known, np.arange(n), -1))
        picked = np.maximum(newest, 0)
        value = np.where(newest >= 0, own[picked], np.nan)
        at_ns = np.where(newest >= 0, epochs.time_ns[picked], 0)
        if self._heading is not None:
            before = newest < 0
            at_ns = np.where(before, self._heading[0], at_ns)
            value = np.where(before, self._heading[1], value)
        held = np.where(np.abs(epochs.time_ns - at_ns) <= HEADING_HOLD_NS, value, np.nan)
        if newest[-1] >= 0:
            return held, (int(epochs.time_ns[newest[-1]]), float(own[newest[-1]]))
        return held, self._heading

    def heading_deg(self) -> float:
        """The newest heading, true; NaN where there has been none. [deg]"""
        return self._heading[1] if self._heading is not None else float("nan")

    def standing(self, elapsed_ns: int, track: jd.Track | None = None) -> jd.Standing:
        """The verdict ``elapsed_ns`` after the newest row (committed, or of the given track from ``peek``)."""
        return jd.standing(track or self.track, elapsed_ns, self.setup)


def _last_of(q: Quantities) -> Quantities:
    return Quantities(**{name: getattr(q, name)[-1:] for name in Quantities.__dataclass_fields__})


LATCHES = {
    code: BIT[f"latched_{code}"]
    for code in ("wrong_base", "two_bases", "base_moved", "base_disturbed", "base_misplaced")
}
