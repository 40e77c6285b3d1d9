"""Evidence on the rover's side: when each condition of the findings table held, and the figures beside it.

One row of ``CONDITIONS`` is one condition: the finding code it is evidence for, the reasons whose HOLD time it owns,
how long it must last, and the breaks it bridges. The columns come from the engine; nothing here judges.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import unpack_text
from hubtack.engine.age_track import AgeTrack
from hubtack.engine.judge import HOLD, Judged, Track
from hubtack.engine.quantities import Quantities
from hubtack.engine.runs import Run, Runs
from hubtack.engine.setup import Setup
from hubtack.engine.tally import Histogram
from hubtack.epochs.columns import Epochs
from hubtack.knowledge import fix_types as ft
from hubtack.knowledge.reasons import BIT

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
_S = 1_000_000_000
_SAYS_ITS_AGE = 0.5  # share of the fixed rows with an age
_HEADING_DUE_NS = 60 * _S  # an antenna pair takes up to a minute after the position (common practice, no source)
# A receiver that wakes up under open sky reads the orbits within half a minute to a minute: they are repeated every
# 30 s (IS-GPS-200, subframes 1 to 3, from memory). After this it is not waking up any more.
_POSITION_DUE_NS = 60 * _S


@dataclass(slots=True)
class View:
    """One block as the conditions see it."""

    epochs: Epochs
    q: Quantities
    judged: Judged
    healthy_link: Bools
    started: Bools  # a position has been there before, or is overdue: what comes first is the receiver waking up
    heading_due: Bools  # a heading has been there before, or should have come by now
    setup: Setup

    def has(self, code: str) -> Bools:
        """Rows at which the reason holds."""
        return np.asarray((self.judged.bits & BIT[code]) != 0)


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition; ``owns`` are the reasons whose HOLD time counts as caused by it."""

    code: str
    holds: Callable[[View], Bools]
    owns: tuple[str, ...] = ()
    least: str | float = 0.0  # a limit key or seconds
    bridge_s: float = 2.0


def _few_satellites(v: View) -> Bools:
    return np.asarray(v.started & (v.epochs.satellites < v.setup.limit("satellites_warn")))


def _separation_off(v: View) -> Bools:
    """Off by more than the limit or three sigma of two positions, whichever is more."""
    if v.setup.pair_separation_m is None:
        return np.zeros(len(v.epochs), dtype=bool)
    sigma_m = np.sqrt(2.0) * np.hypot(v.epochs.sigma_north_m, v.epochs.sigma_east_m)
    allowed_m = np.fmax(v.setup.limit("separation_warn_m"), 3.0 * sigma_m)
    return np.asarray(np.abs(v.epochs.separation_m - v.setup.pair_separation_m) > allowed_m)


CONDITIONS: tuple[Condition, ...] = (
    Condition("heading_separation", _separation_off, ("wrong_separation",), 10.0, 5.0),
    Condition("heading_lost", lambda v: v.heading_due & v.has("heading_lost"), ("heading_lost",), 1.0, 3.0),
    Condition(
        "poor_geometry",
        lambda v: np.asarray(v.started & (v.q.pdop > v.setup.limit("pdop_warn"))),
        ("poor_geometry", "rtk_float", "no_fix"),
        5.0,
        10.0,
    ),
    Condition("few_satellites", _few_satellites, ("few_satellites", "rtk_float", "no_fix"), 5.0, 10.0),
    Condition(
        "not_using_corrections",
        lambda v: v.healthy_link & ((v.q.fix == ft.AUTONOMOUS) | (v.q.fix == ft.DIFFERENTIAL)),
        ("autonomous", "differential"),
        "not_using_s",
        5.0,
    ),
    Condition("stuck_float", lambda v: v.healthy_link & (v.q.fix == ft.FLOAT), ("rtk_float",), "stuck_float_s", 3.0),
    Condition("long_baseline", lambda v: v.q.baseline_m > v.setup.limit("baseline_warn_m"), ("rtk_float",), 5.0, 30.0),
    Condition("frozen_position", lambda v: v.judged.frozen, ("frozen_position",), 0.0, 2.0),
    Condition(
        "suspect_fix",
        lambda v: v.judged.jump | v.has("age_contradiction") | v.has("scatter_contradiction"),
        ("suspect_fix", "age_contradiction", "scatter_contradiction"),
        0.0,
        5.0,
    ),
    Condition(
        "clock_mismatch", lambda v: v.has("rover_late") | v.has("restarted"), ("rover_late", "restarted"), 0.0, 10.0
    ),
    # Not codes of their own: what of the sky is HOLD by itself, and stretches that link findings explain.
    Condition("hold:few", lambda v: v.started & v.has("few_satellites"), (), 0.0, 2.0),
    Condition("hold:geometry", lambda v: v.started & v.has("poor_geometry"), (), 0.0, 2.0),
    Condition("fix:float", lambda v: v.q.fix == ft.FLOAT, ("rtk_float",), 0.0, 2.0),
    Condition("fix:autonomous", lambda v: v.q.fix == ft.AUTONOMOUS, ("autonomous",), 0.0, 2.0),
    Condition(
        "age:old", lambda v: v.has("corrections_old") | v.has("corrections_ageing"), ("corrections_old",), 0.0, 2.0
    ),
    Condition("contradiction:status", lambda v: v.has("status_contradiction"), ("status_contradiction",), 0.0, 2.0),
)


# Each condition with the bits of the reasons that it owns.
_OWNED = tuple((c, int(np.bitwise_or.reduce([BIT[reason] for reason in c.owns] or [0]))) for c in CONDITIONS)
_STREAM_OFFSET_S = 1000.0  # the histogram counts from 0 up; a stream can be ahead of the rover
_FIELDS = ("age_s", "sigma_up_m", "pdop", "n_tracked", "heading_deg", "geoid_separation_m", "satellites", "station_id")


@dataclass(slots=True)
class RoverEvidence:
    """Stretches and counters of the rover's side of one session, in bounded memory."""

    setup: Setup
    runs: Mapping[str, Runs]
    silent: Runs = field(default_factory=Runs)
    station_ids: dict[float, int] = field(default_factory=dict)
    fixed_rows: int = 0
    rows: int = 0
    rows_with: dict[str, int] = field(default_factory=lambda: dict.fromkeys(_FIELDS, 0))
    coarsest_minute_decimals: float = np.nan
    coarsest_height_decimals: float = np.nan
    worst_pdop: float = np.nan
    fewest_satellites: float = np.nan
    longest_baseline_m: float = np.nan
    stream_age: Histogram = field(default_factory=lambda: Histogram(0.1, 20_001))
    first_pos_ecef_m: tuple[float, float, float] | None = None
    last_separation_m: float = np.nan
    heading_seen: bool = False
    suspects: dict[str, int] = field(default_factory=dict)  # rows by what made the fix suspect
    ages: AgeTrack = field(default_factory=AgeTrack)
    stream_ages: AgeTrack = field(default_factory=AgeTrack)  # by the stream's epochs, for a receiver that says none

    @classmethod
    def for_setup(cls, setup: Setup) -> RoverEvidence:
        """Empty evidence with the durations of the setup's limits."""
        runs = {}
        for c in CONDITIONS:
            least_s = setup.limit(c.least) if isinstance(c.least, str) else c.least
            runs[c.code] = Runs(int(least_s * _S), int(c.bridge_s * _S))
        return cls(setup=setup, runs=runs)

    def add(self, epochs: Epochs, q: Quantities, judged: Judged, healthy: Bools, before: Track) -> None:
        """Add a committed block; ``healthy`` (N,) says where observation epochs were arriving."""
        located = np.maximum.accumulate(~np.isnan(q.pos_ecef_m[:, 0])) | (self.first_pos_ecef_m is not None)
        seen = np.maximum.accumulate(~np.isnan(q.heading_deg)) | self.heading_seen
        due = seen | (judged.run_ns > _HEADING_DUE_NS)
        started = located | (judged.run_ns > _POSITION_DUE_NS)
        view = View(epochs, q, judged, healthy, started, due, self.setup)
        self.heading_seen = bool(seen[-1]) if len(seen) else self.heading_seen
        held_ns = np.where(judged.verdict == HOLD, np.minimum(judged.step_ns, judged.silent_ns), 0)
        for condition, owned in _OWNED:
            holds, runs = condition.holds(view), self.runs[condition.code]
            # What a condition owns counts only where it holds, and on a sound day none does.
            owned_ns = np.where((judged.bits & owned) != 0, held_ns, 0) if holds.any() else held_ns
            runs.feed(holds, epochs.time_ns, owned_ns)
        for name in ("suspect_fix", "age_contradiction", "scatter_contradiction"):
            count = int(np.count_nonzero(judged.bits & BIT[name]))
            if count:
                self.suspects[name] = self.suspects.get(name, 0) + count
        self._add_silence(epochs, judged, before)
        self._count(epochs, q, started)

    def _add_silence(self, epochs: Epochs, judged: Judged, before: Track) -> None:
        """A gap is a stretch between two rows: it starts at the earlier and ends at the later."""
        times = np.concatenate(([before.time_ns], epochs.time_ns[:-1]))
        for i in np.flatnonzero(judged.bits & BIT["no_rover"]):
            start_ns, end_ns = int(times[i]), int(epochs.time_ns[i])
            self.silent.done.append(Run(start_ns, end_ns, int(judged.step_ns[i]), 0))
            if len(self.silent.done) > 200:
                a, b = self.silent.done[-2:]
                self.silent.done[-2:] = [Run(a.start_ns, b.end_ns, a.hold_ns + b.hold_ns, 0)]

    def _count(self, epochs: Epochs, q: Quantities, started: Bools) -> None:
        fixed = q.fix == ft.FIXED
        self.rows += len(epochs)
        self.fixed_rows += int(np.count_nonzero(fixed))
        for name in _FIELDS:
            column = getattr(epochs, name)
            said = ~np.isnan(column)
            self.rows_with[name] += int(np.count_nonzero(said & fixed if name == "age_s" else said))
        self._count_stations(epochs.station_id)
        self.ages.add(epochs.time_ns, q.age_s)
        self.stream_ages.add(epochs.time_ns, q.age_stream_s)
        self.stream_age.add(q.age_stream_s + _STREAM_OFFSET_S)
        self.coarsest_minute_decimals = _fmin(self.coarsest_minute_decimals, epochs.minute_decimals)
        self.coarsest_height_decimals = _fmin(self.coarsest_height_decimals, epochs.height_decimals)
        # A receiver without a position writes 99.99: that is no geometry, and says nothing of the day's worst.
        apart = epochs.separation_m[~np.isnan(epochs.separation_m)]
        self.last_separation_m = float(apart[-1]) if len(apart) else self.last_separation_m
        self.worst_pdop = -_fmin(-self.worst_pdop, np.where(q.pdop < 99.0, -q.pdop, np.nan))
        self.fewest_satellites = _fmin(self.fewest_satellites, np.where(started, epochs.satellites, np.nan))
        self.longest_baseline_m = -_fmin(-self.longest_baseline_m, -q.baseline_m)
        if self.first_pos_ecef_m is None:
            usable = np.flatnonzero(~np.isnan(q.pos_ecef_m[:, 0]))
            if len(usable):
                self.first_pos_ecef_m = tuple(float(v) for v in q.pos_ecef_m[usable[0]])  # type: ignore[assignment]

    def _count_stations(self, station_id: Floats) -> None:
        if len(station_id) and (station_id == station_id[0]).all():  # nearly always
            ids, counts = station_id[:1], np.array([len(station_id)])
        else:
            ids, counts = np.unique(station_id[~np.isnan(station_id)], return_counts=True)
        for packed, count in zip(ids.tolist(), counts.tolist(), strict=True):
            if packed in self.station_ids or len(self.station_ids) < 64:
                self.station_ids[packed] = self.station_ids.get(packed, 0) + count

    @property
    def says_age(self) -> bool:
        """Whether the receiver says how old its corrections are, most of the time that it is fixed."""
        return bool(self.ages.bins) and self.rows_with["age_s"] >= _SAYS_ITS_AGE * self.fixed_rows

    def stream_age_median_s(self) -> float:
        """Median of the rover's time less the newest epoch heard; negative where the stream is ahead of time. [s]"""
        return self.stream_age.quantile(0.5) - _STREAM_OFFSET_S

    def station_texts(self) -> dict[str, int]:
        """Station IDs the rover named, as text, with how often."""
        return {unpack_text(packed): count for packed, count in self.station_ids.items()}


def _fmin(so_far: float, column: Floats) -> float:
    least = float(np.fmin.reduce(column))  # NaN only where there is nothing else
    if np.isnan(least):
        return so_far
    return least if np.isnan(so_far) else min(so_far, least)
