"""What the link's families may know of the rover: a small value that the session fills."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.link_content import SkySets
from hubtack.engine.places import PlaceTrack
from hubtack.engine.runs import Run


@dataclass(frozen=True, slots=True)
class RoverView:
    """The rover's side in figures. ``runs`` are the rover's own stretches by condition (engine.rover_evidence)."""

    has_rover: bool = False
    idle: bool = False  # never fixed and never moved: it stands under a roof, or waits
    rows: int = 0
    station_ids: Mapping[str, int] = field(default_factory=dict)
    fixed_share: float = float("nan")  # of the time since the first fix
    age_median_s: float = float("nan")
    age_p95_s: float = float("nan")
    stream_ahead_s: float = float("nan")  # how far the stream's epochs lie ahead of the rover's time, median
    runs: Mapping[str, list[Run]] = field(default_factory=dict)
    first_ns: int | None = None
    last_ns: int | None = None
    least_lag_ns: int | None = None  # least of arrival less the rover's own time: what this computer's clock is off
    tracked: SkySets = field(default_factory=SkySets)
    used: SkySets = field(default_factory=SkySets)
    ages: tuple[NDArray[np.int64], NDArray[np.float64]] | None = None  # least age in bins of 10 s [ns, s]
    ages_basis: str = "rover's age of corrections"
    places: PlaceTrack | None = None  # where it was, once a second
    merged_by_content: bool = False  # separate logs: the stream's time is all that orders them

    @property
    def systems(self) -> frozenset[int]:
        """Constellations the rover uses, else those it hears."""
        return self.used.systems() or self.tracked.systems()

    @property
    def heard(self) -> SkySets:
        """Satellites the rover hears: those with a signal strength, else those it uses."""
        return self.tracked if self.tracked.bins else self.used

    def is_well(self, healthy_share: float, age_limit_s: float) -> bool:
        """Whether the rover works so well that a merely possible cause is only a note."""
        return self.has_rover and self.fixed_share >= healthy_share and not self.age_p95_s > age_limit_s

    def hold_ns(self, names: tuple[str, ...], start_ns: int, end_ns: int, tail_ns: int) -> int:
        """HOLD time of the named stretches that began between ``start_ns`` and ``end_ns`` + ``tail_ns``.

        The same second counts once, however many of them it was in. A stretch's HOLD is taken to lie at its beginning.
        """
        held = sorted(
            (run.start_ns, run.start_ns + run.hold_ns)
            for name in names
            for run in self.runs.get(name, ())
            if start_ns - 5_000_000_000 <= run.start_ns <= end_ns + tail_ns
        )
        total_ns, reached_ns = 0, None
        for begin_ns, until_ns in held:
            counted_ns = begin_ns if reached_ns is None else max(begin_ns, reached_ns)
            total_ns += max(0, until_ns - counted_ns)
            reached_ns = until_ns if reached_ns is None else max(reached_ns, until_ns)
        return total_ns
