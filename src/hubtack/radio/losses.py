"""The losses of logged sessions with the places they happened at, ready for the tests: one record, in order of time.

A session with its correction stream tells which epochs did not come. Where only the rover was logged, because the radio
sits inside the receiver, its age of corrections tells the same: an epoch that came makes the age fall.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hubtack.diagnosis.loss_places import LONGEST_S, PlacedSlots
from hubtack.engine.axis import DAY_NS, SessionAxis
from hubtack.engine.link import distance_m
from hubtack.engine.link_ledger import COMPLETE
from hubtack.engine.places import from_base, timed_slots
from hubtack.engine.rover import JudgedRows
from hubtack.logs.discover import SessionFiles
from hubtack.logs.drive import run_files, session_for
from hubtack.site import Site

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ONE_BASE_M = 100.0  # sessions whose bases lie farther apart are not looked at together
_NEW_EPOCH_S = 0.4  # the time corrections speak of must move on by this much to be another epoch
_MOST_AGES = 2_000_000


@dataclass(frozen=True, slots=True)
class SessionLosses:
    """The epochs of one session. ``basis`` is what told of them; ``dated`` whether times are UTC since 1970."""

    name: str
    slots: PlacedSlots
    interval_s: float
    base_ecef_m: tuple[float, float, float] | None
    basis: Literal["stream", "age"]
    dated: bool
    stations: tuple[int, ...] = ()
    frames: int = 0
    bad_crc: int = 0
    computed_base: bool = False


@dataclass(slots=True)
class _Ages:
    """The rover's own age of corrections, row by row."""

    time_ns: list[Ints] = field(default_factory=list)
    age_s: list[Floats] = field(default_factory=list)
    n: int = 0

    def add(self, rows: JudgedRows) -> None:
        if len(rows.epochs) and self.n < _MOST_AGES:
            self.n += len(rows.epochs)
            self.time_ns.append(rows.epochs.time_ns.copy())
            self.age_s.append(rows.q.age_s.copy())


def session_losses(files: SessionFiles, site: Site, on_bytes: Callable[[int], None] = lambda n: None) -> SessionLosses:
    """Run a session's logs through the engine and place its correction epochs.

    Raises
    ------
    SourceError
        If a log cannot be read.
    """
    session = session_for(files, site)
    ages = _Ages()
    run_files(session, files, on_rows=ages.add, on_bytes=on_bytes)
    tally = session.link.tally
    base = session.link.arp_ecef_m or session.link.setup.base_ecef_m
    basis: Literal["stream", "age"] = "stream"
    if tally.epochs:
        time_ns, state = timed_slots(tally.ledger, LONGEST_S)
        lost, interval_s = state != COMPLETE, tally.interval_s()
    else:
        basis = "age"
        time_ns, lost, interval_s = epochs_from_ages(
            np.concatenate([*ages.time_ns, np.zeros(0, dtype=np.int64)]), np.concatenate([*ages.age_s, np.zeros(0)])
        )
    unknown = np.full(len(time_ns), np.nan)
    range_m, bearing_deg = unknown, unknown
    if base is not None and not session.base_computed():  # else no antenna stands there to take a bearing to
        range_m, bearing_deg, _ = from_base(session.places.at(time_ns), base)
    day0 = session.axis.day0
    return SessionLosses(
        files.name, PlacedSlots(time_ns + (day0 or 0) * DAY_NS, lost, range_m, bearing_deg), interval_s, base, basis,
        day0 is not None, tuple(sorted(tally.stations)), tally.frames, tally.bad_crc, session.base_computed(),
    )  # fmt: skip


def epochs_from_ages(time_ns: Ints, age_s: Floats) -> tuple[Ints, NDArray[np.bool_], float]:
    """Correction epochs as the rover's age tells of them: times (M,) [ns], which were lost (M,), and the interval. [s]

    Row time less age is the epoch in use. Where the rover's rows come more slowly than the corrections, only every
    so many epochs can be seen, and the interval is that of the rows.
    """
    known = ~np.isnan(age_s) & (age_s >= 0)
    used_ns = time_ns[known] - np.round(age_s[known] * 1e9).astype(np.int64)
    nothing = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool), float("nan")
    if len(used_ns) < 2:
        return nothing
    newest = np.maximum.accumulate(used_ns)
    fresh = np.concatenate(([True], np.diff(newest) > int(_NEW_EPOCH_S * 1e9)))
    came = newest[fresh]
    if len(came) < 2:
        return nothing
    steps = np.diff(came)
    interval_ns = float(np.sort(steps)[(len(steps) - 1) // 2])
    count = np.where(steps < LONGEST_S * 1e9, np.maximum(np.round(steps / interval_ns).astype(np.int64) - 1, 0), 0) + 1
    first = np.cumsum(count) - count
    owner = np.repeat(np.arange(len(steps)), count)
    nth = np.arange(len(owner)) - first[owner]
    lost = np.ones(len(owner), dtype=bool)
    lost[first] = False
    return came[owner] + np.round(nth * interval_ns).astype(np.int64), lost, interval_ns / 1e9


@dataclass(frozen=True, slots=True)
class Pooled:
    """Sessions of one base as one record; ``left_out`` are (name, reason)."""

    sessions: tuple[SessionLosses, ...]
    slots: PlacedSlots
    left_out: tuple[tuple[str, str], ...] = ()

    @property
    def axis(self) -> SessionAxis:
        """The axis that the pooled times lie on; without a date where no session knows one."""
        return SessionAxis(day0=0 if all(s.dated for s in self.sessions) else None)


def pooled(sessions: Sequence[SessionLosses]) -> Pooled:
    """All sessions of the base that has the most epochs, in order of time: the more days, the better place and hour part.

    Raises
    ------
    ValueError
        If ``sessions`` is empty.
    """
    main = max(sessions, key=lambda s: len(s.slots.lost))
    kept, left_out = [], []
    for s in sessions:
        if not len(s.slots.lost):
            left_out.append((s.name, "no correction epochs, and no age of corrections, in it"))
        elif (s.base_ecef_m is None) != (main.base_ecef_m is None) or (
            s.base_ecef_m is not None and main.base_ecef_m is not None
            and distance_m(s.base_ecef_m, main.base_ecef_m) > ONE_BASE_M
        ):  # fmt: skip
            left_out.append((s.name, "another base: look at it by itself"))
        else:
            kept.append(s)
    kept.sort(key=lambda s: int(s.slots.time_ns[0]))
    columns = ("time_ns", "lost", "range_m", "bearing_deg")
    joined = [np.concatenate([getattr(s.slots, c) for s in kept] or [getattr(main.slots, c)]) for c in columns]
    return Pooled(tuple(kept), PlacedSlots(*joined), tuple(left_out))
