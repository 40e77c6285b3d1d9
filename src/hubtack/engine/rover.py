"""The rover's side of a session: rows in, judged rows out, with the track, the tally and the evidence kept.

``update`` commits rows that content has closed. ``peek`` judges rows still open on a copy of the track and stores
nothing, which is how a live screen is up to date without changing what is stored. It does remember what it has looked
at: a row that is looked at again, or closed, just as it was looked at is not worked out once more.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

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
from hubtack.epochs.columns import COLUMNS as EPOCH_COLUMNS
from hubtack.epochs.columns import Epochs
from hubtack.knowledge.reasons import BIT

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

HEADING_HOLD_NS = 2_000_000_000  # a heading that comes more slowly than the position serves for this long
_BOOK_AT = 64  # rows that wait to be summed up, where they may wait


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

    def take(self, index: slice) -> LinkAtRows:
        """The rows that ``index`` picks."""
        return LinkAtRows(**{name: getattr(self, name)[index] for name in _LINK_COLUMNS})


_LINK_COLUMNS = tuple(LinkAtRows.__dataclass_fields__)


@dataclass(slots=True)
class JudgedRows:
    """A block of rows with all that was worked out for them.

    ``working`` (N,) says of committed rows whether the machine was at work; it is empty for rows that are only looked
    at, and for those that are summed up later (``RoverEngine.sums_up_later``).
    """

    epochs: Epochs
    q: Quantities
    judged: jd.Judged
    working: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))


@dataclass(slots=True)
class _Came:
    """When N rows arrived, by this computer's clock and by its steady one; -1 where there is none. [ns]"""

    arrival_ns: Ints
    mono_ns: Ints

    def take(self, index: slice) -> _Came:
        return _Came(self.arrival_ns[index], self.mono_ns[index])


_Heading = tuple[int, float]  # time and value of the newest heading


@dataclass(slots=True)
class _Looked:
    """One open row as it was looked at: what it was worked out from, and what came of it."""

    given: bytes
    latched: int
    track: jd.Track  # before the row
    heading: _Heading | None
    rows: JudgedRows
    track_after: jd.Track
    heading_after: _Heading | None

    def fits(self, given: bytes, track: jd.Track, heading: _Heading | None) -> bool:
        """Whether a row was worked out from just this: then every figure of it would come out the same."""
        return self.track is track and self.heading == heading and self.given == given


@dataclass(slots=True)
class RoverEngine:
    """State of the rover's side of one session.

    ``sums_up_later`` lets closed rows wait until somebody asks for ``tally`` or ``evidence``, which a live run does once
    a second: both come out the same for any cut into blocks, and twenty rows cost little more than one.
    """

    setup: Setup
    compare_ages: bool = False
    sums_up_later: bool = False
    track: jd.Track = field(default_factory=jd.Track)
    _tally: Tally = field(default_factory=Tally)
    _evidence: RoverEvidence = field(init=False)
    swings: Swings = field(default_factory=Swings)
    parked: Parked = field(init=False)
    scatter: Scatter = field(init=False)
    course: Course = field(default_factory=Course)
    last: JudgedRows | None = None  # the newest committed row
    _heading: _Heading | None = None
    _looked: list[_Looked] = field(default_factory=list)
    _waiting: list[tuple[JudgedRows, LinkAtRows, jd.Track]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._evidence = RoverEvidence.for_setup(self.setup)
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

    @property
    def tally(self) -> Tally:
        """Sums over all committed rows."""
        self._sum_up()
        return self._tally

    @property
    def evidence(self) -> RoverEvidence:
        """Stretches and counters over all committed rows."""
        self._sum_up()
        return self._evidence

    def named_stations(self) -> dict[str, int]:
        """Station IDs that the rover named, with how often, as last summed up: a screen that asks at every row may
        be a second behind."""
        return self._evidence.station_texts()

    def update(
        self, epochs: Epochs, link: LinkAtRows, arrival_ns: Ints, checked: Bools, mono_ns: Ints | None = None
    ) -> JudgedRows:
        """Judge and commit N closed rows, which must follow those committed before."""
        came = _Came(arrival_ns, np.full(len(epochs), -1) if mono_ns is None else mono_ns)
        rows, track, heading = self._commit(epochs, link, came, checked)
        n = len(epochs)
        if n == 0:
            return rows
        self._waiting.append((rows, link, self.track))
        if not self.sums_up_later or len(self._waiting) >= _BOOK_AT:
            self._sum_up()
        self.track, self._heading = track, heading
        self.last = rows if n == 1 else JudgedRows(epochs.take(slice(n - 1, n)), _last_of(rows.q), rows.judged)
        return rows

    def _sum_up(self) -> None:
        """Add the rows that wait to the tally and the evidence."""
        waiting, self._waiting = self._waiting, []
        if not waiting:
            return
        blocks, links, befores = zip(*waiting, strict=True)
        rows = join_rows(list(blocks))
        rows.working = self._tally.add(
            rows.epochs,
            rows.q,
            rows.judged,
            working_moved_s=self.setup.limit("working_moved_s"),
            working_speed_max_m_s=self.setup.limit("working_speed_max_km_h") / 3.6,
        )
        healthy = np.concatenate([link.healthy for link in links])
        self._evidence.add(rows.epochs, rows.q, rows.judged, healthy, befores[0])

    def peek(
        self, epochs: Epochs, link: LinkAtRows, arrival_ns: Ints, checked: Bools, mono_ns: Ints | None = None
    ) -> tuple[JudgedRows, jd.Track]:
        """Judge N > 0 rows that are still open, as if closed; gives the last of them, and the track after it.

        Each is remembered by itself: a live receiver has two.
        """
        came = _Came(arrival_ns, np.full(len(epochs), -1) if mono_ns is None else mono_ns)
        looked: list[_Looked] = []
        track, heading = self.track, self._heading
        for i in range(len(epochs)):
            at = slice(i, i + 1)
            looked.append(
                self._look(epochs.take(at), link.take(at), came.take(at), checked[at], track=track, heading=heading)
            )
            track, heading = looked[-1].track_after, looked[-1].heading_after
        self._looked = looked
        return looked[-1].rows, track

    def _look(
        self,
        epochs: Epochs,
        link: LinkAtRows,
        came: _Came,
        checked: Bools,
        *,
        track: jd.Track,
        heading: _Heading | None,
    ) -> _Looked:
        """One open row on top of a track, out of memory where it has been looked at just so."""
        given = _given(epochs, link, came, checked)
        latched = link.latch_bits | self._latched()
        for old in self._looked:
            if old.latched == latched[0] and old.fits(given, track, heading):
                return old
        q, heading_after = self._quantities(epochs, link, heading)
        judged, track_after = self._judge(track, epochs, q, latched, came, checked)
        rows = JudgedRows(epochs, q, judged)
        return _Looked(given, int(latched[0]), track, heading, rows, track_after, heading_after)

    def _commit(
        self, epochs: Epochs, link: LinkAtRows, came: _Came, checked: Bools
    ) -> tuple[JudgedRows, jd.Track, _Heading | None]:
        """Closed rows on top of the track, and what they do to the slow checks beside it."""
        looked = self._looked[0] if self._looked and len(epochs) == 1 else None
        if looked is not None and not looked.fits(_given(epochs, link, came, checked), self.track, self._heading):
            looked = None
        if looked is not None:
            q, heading = looked.rows.q, looked.heading_after
        else:
            q, heading = self._quantities(epochs, link, self._heading)
        self.swings.add(epochs, q)
        latched = link.latch_bits | np.where(self.swings.contradiction(epochs), BIT["heading_contradiction"], 0)
        latched = latched | np.where(self.parked.add(epochs, q), BIT["latched_overnight_shift"], 0)
        latched = latched | np.where(self.scatter.add(epochs, q), BIT["scatter_contradiction"], 0)
        if self.setup.machine_kind in COURSE_KINDS:
            self.course.add(epochs, q)
        if looked is not None and looked.latched == latched[0]:
            return JudgedRows(epochs, q, looked.rows.judged), looked.track_after, heading
        judged, track = self._judge(self.track, epochs, q, latched, came, checked)
        return JudgedRows(epochs, q, judged), track, heading

    def _latched(self) -> int:
        """What the slow checks say by now, as bits: an open row does not move them."""
        bits = BIT["heading_contradiction"] if self.swings.contradicts else 0
        bits |= BIT["latched_overnight_shift"] if self.parked.contradicts else 0
        return bits | (BIT["scatter_contradiction"] if self.scatter.contradicts else 0)

    def _quantities(
        self, epochs: Epochs, link: LinkAtRows, before: _Heading | None
    ) -> tuple[Quantities, _Heading | None]:
        heading_deg, heading = self._held_heading(epochs, before)
        q = quantities(
            epochs,
            self.setup,
            arp_ecef_m=link.arp_ecef_m,
            base_computed=link.base_computed,
            obs_utc_ms=link.obs_utc_ms,
            heading_deg=heading_deg,
        )
        return q, heading

    def _judge(
        self, track: jd.Track, epochs: Epochs, q: Quantities, latched: Ints, came: _Came, checked: Bools
    ) -> tuple[jd.Judged, jd.Track]:
        return jd.judge_rows(
            track,
            epochs,
            q,
            self.setup,
            arrival_ns=came.arrival_ns,
            mono_ns=came.mono_ns,
            latch_bits=latched,
            compare_ages=self.compare_ages,
            checked=checked,
        )

    def _held_heading(self, epochs: Epochs, before: _Heading | None) -> tuple[Floats, _Heading | None]:
        n = len(epochs)
        if n == 0:
            return np.zeros(0), before
        own = (epochs.heading_deg + self.setup.heading_offset_deg) % 360.0
        known = ~np.isnan(own)
        newest = np.maximum.accumulate(np.where(known, np.arange(n), -1))
        picked = np.maximum(newest, 0)
        value = np.where(newest >= 0, own[picked], np.nan)
        at_ns = np.where(newest >= 0, epochs.time_ns[picked], 0)
        if before is not None:
            none_yet = newest < 0
            at_ns = np.where(none_yet, before[0], at_ns)
            value = np.where(none_yet, before[1], value)
        held = np.where(np.abs(epochs.time_ns - at_ns) <= HEADING_HOLD_NS, value, np.nan)
        if newest[-1] >= 0:
            return held, (int(epochs.time_ns[newest[-1]]), float(own[newest[-1]]))
        return held, before

    def heading_deg(self) -> float:
        """The newest heading, true; NaN where there has been none. [deg]"""
        return self._heading[1] if self._heading is not None else float("nan")

    def standing(self, elapsed_ns: int, track: jd.Track | None = None) -> jd.Standing:
        """The verdict ``elapsed_ns`` after the newest row (committed, or of the given track from ``peek``)."""
        return jd.standing(track or self.track, elapsed_ns, self.setup)


def _given(epochs: Epochs, link: LinkAtRows, came: _Came, checked: Bools) -> bytes:
    """All that a row is worked out from, beside the state before it."""
    parts = [getattr(epochs, name).tobytes() for name in EPOCH_COLUMNS]
    parts.extend(getattr(link, name).tobytes() for name in _LINK_COLUMNS)
    return b"".join((*parts, came.arrival_ns.tobytes(), came.mono_ns.tobytes(), checked.tobytes()))


def _last_of(q: Quantities) -> Quantities:
    return Quantities(**{name: getattr(q, name)[-1:] for name in Quantities.__dataclass_fields__})


def join_rows(parts: list[JudgedRows]) -> JudgedRows:
    """Blocks of judged rows as one."""
    if len(parts) == 1:
        return parts[0]
    return JudgedRows(
        Epochs.concat([p.epochs for p in parts]),
        _concat([p.q for p in parts]),
        _concat([p.judged for p in parts]),
        np.concatenate([p.working for p in parts]),
    )


def _concat(parts: list[Any]) -> Any:
    kind = type(parts[0])
    return kind(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in kind.__dataclass_fields__})


LATCHES = {
    code: BIT[f"latched_{code}"]
    for code in ("wrong_base", "two_bases", "base_moved", "base_disturbed", "base_misplaced")
}
