"""The correction link as the engine follows it: which epoch was newest when, which base, and what must be latched.

Frames come in the order of the merged sequence, each with its key (its place in it). Rover rows ask with their own
keys what was known then; the answers come from a short history of events, so that a row judged late sees the link as
it was, not as it has become.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Decoded, Rows, Span
from hubtack.engine.axis import DAY_MS, SessionAxis, Unwrapped
from hubtack.engine.events import Events, Latches
from hubtack.engine.link_ledger import SAME_EPOCH_NS
from hubtack.engine.link_tally import LinkTally
from hubtack.geo import geodetic_to_ecef
from hubtack.knowledge.limits import LIMITS_BY_KEY
from hubtack.knowledge.messages import has_station_id, system_of

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

UNKNOWN, PHYSICAL, COMPUTED = 0, 1, 2
LATCH_FLAGS: Mapping[str, int] = {
    "base_moved": 1,
    "two_bases": 2,
    "wrong_base": 4,
    "base_disturbed": 8,
    "base_misplaced": 16,
}
_SYSTEM_OF = np.array([system_of(number) or 0 for number in range(4096)], dtype=np.int64)
_HAS_ID = np.array([has_station_id(number) for number in range(4096)])
_NEVER = np.iinfo(np.int64).min
_MOST_HELD = 500
_PLACES_KEPT = 256
_ALONE_NS = 30_000_000_000  # a station unheard for so long has left the air: common practice, no source


@dataclass(frozen=True, slots=True)
class LinkSetup:
    """What is known beforehand of the base and of the way its corrections come.

    ``marks_ecef_m`` and ``geoid_separation_m`` help to name what was typed in place of the base's position.
    ``near_deg`` is the position that was given to a caster: a base that appears beside it is computed by a network.
    """

    base_ecef_m: tuple[float, float, float] | None = None
    base_station_id: int | None = None
    base_tolerance_m: float = 0.05
    limits: Mapping[str, float] = field(default_factory=dict)
    source_kind: str = "file"
    has_arrival: bool = False
    heard_at: str = "machine"
    near_deg: tuple[float, float] | None = None
    geoid_separation_m: float | None = None
    marks_ecef_m: Callable[[], Mapping[str, tuple[float, float, float]]] = dict  # of the site, worked out when needed

    def limit(self, key: str) -> float:
        """A limit by its key, from the site file or the table."""
        return float(self.limits.get(key, LIMITS_BY_KEY[key].value))


@dataclass(slots=True)
class LinkColumns:
    """The link as known at each of N keys. NaN and 0 where nothing had been heard yet."""

    obs_utc_ms: Floats  # newest complete observation epoch, UTC time of day [ms]
    arp_ecef_m: Floats  # (N, 3)
    station_id: Floats
    base_kind: Ints
    latches: Ints
    latch_flags: Mapping[str, int]


@dataclass(slots=True)
class LinkEngine:
    """State of the correction link of one session."""

    setup: LinkSetup
    axis: SessionAxis
    tally: LinkTally = field(default_factory=LinkTally)
    time: Unwrapped = field(default_factory=Unwrapped)
    base_kind: int = UNKNOWN
    station_id: int | None = None  # of the base first heard, the one that others are measured against
    arp_ecef_m: tuple[float, float, float] | None = None
    latched: Latches = field(default_factory=Latches)
    rover_ecef_m: tuple[float, float, float] | None = None
    saw_1032: bool = False
    _obs: Events = field(default_factory=lambda: Events(1))
    _base: Events = field(default_factory=lambda: Events(5))
    accepted: bool = False  # a person has said that the base which is heard is the right one
    confirmed_arp_ecef_m: tuple[float, float, float] | None = None  # in force when it was confirmed
    known_arp_ecef_m: tuple[float, float, float] | None = None  # of the site's base when it was last heard
    set_again: tuple[int, int, float] | None = None  # since then it moved: time on the axis, station ID, how far [m]
    _epoch_ns: int | None = None  # observation epoch that is being received
    _newest_ns: int = _NEVER
    _reached_ns: int = _NEVER // 8
    _held: list[tuple[Decoded, Ints | None, Ints]] = field(default_factory=list)
    _early_damage: list[Span] = field(default_factory=list)
    _fed_end: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    _fed_key: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    _ends: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    _times_ns: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    _heard_ns: dict[int, int] = field(default_factory=dict)  # newest frame of each station ID

    def feed(self, decoded: Decoded, key: Ints | None, arrival_ns: Ints) -> None:
        """Take the frames of one stretch of the source, with the key and the UTC arrival (-1: none) of each.

        Without keys the stream is merged by content: a frame's key is the newest time in it or before it.
        """
        self.tally.add_bytes(decoded)
        if not len(decoded.frames) and not decoded.spans:
            return
        if self.time.last_ns is None and not len(decoded.frames):
            # Junk before the first frame has no time of its own: it is counted, and placed when the stream has one.
            self._early_damage.extend(decoded.spans[: _MOST_HELD - len(self._early_damage)])
            return
        if self.time.last_ns is None:
            # What comes before the first timed frame takes that frame's time, so it waits for it (but not for ever).
            tod_ms = decoded.frames["utc_ms_of_week"]
            known = np.flatnonzero(~np.isnan(tod_ms))
            if not len(known) and len(self._held) < _MOST_HELD:
                self._held.append((decoded, key, arrival_ns))
                return
            if len(known):
                self.time.last_ns = self.axis.place_tod(int(tod_ms[known[0]] % DAY_MS * 1e6))
            self.release()
        self._take(decoded, key, arrival_ns)

    def release(self) -> None:
        """Take what has waited for a time: at the end of input none will come."""
        held, self._held = self._held, []
        for decoded, key, arrival_ns in held:
            self._take(decoded, key, arrival_ns)

    def _take(self, decoded: Decoded, key: Ints | None, arrival_ns: Ints) -> None:
        frames = decoded.frames
        number = frames["type"].astype(np.int64)
        before_ns = self.time.last_ns if self.time.last_ns is not None else (self.axis.now_ns or 0)
        time_ns = self.time.place(frames["utc_ms_of_week"] % DAY_MS, self.axis)
        if self._early_damage:
            decoded.spans[:0], self._early_damage = self._early_damage, []
        # Other bytes may come out later than the frames behind them: the newest frames' places are kept.
        ends, times = np.concatenate((self._ends, frames.end)), np.concatenate((self._times_ns, time_ns))
        self.tally.add_damage(decoded, ends, times, before_ns)
        self._ends, self._times_ns = ends[-_PLACES_KEPT:], times[-_PLACES_KEPT:]
        if not len(frames):
            return
        if key is None:
            newest = np.maximum.accumulate(np.concatenate(([self._reached_ns], time_ns)))
            self._reached_ns = int(newest[-1])
            key = newest[1:] * 4  # before a rover row of the same time, see session.content_key
        usable = np.maximum(number, 0)
        system, with_id = _SYSTEM_OF[usable], _HAS_ID[usable]
        timed = (system > 0) & ~np.isnan(frames["utc_ms_of_week"])
        self._fed_end, self._fed_key = frames.end, key
        observed_from = -1 if self._epoch_ns is not None else int(np.argmax(timed)) if timed.any() else len(frames)
        self._follow_epochs(frames, key, time_ns, timed)
        self._learn(decoded, time_ns, observed_from)
        # Only what a rover positions with says whose base it is: casters put other IDs on text and descriptors.
        names_base = (system > 0) | (number == 1005) | (number == 1006)
        named = with_id & ~np.isnan(frames["station_id"])
        self._follow_base(decoded, frames, key, time_ns, names_base, named)
        self._heard_ns.update(
            zip(frames["station_id"][named].astype(np.int64).tolist(), time_ns[named].tolist(), strict=True)
        )
        self.tally.add_frames(decoded, number, system, time_ns, timed, with_id, arrival_ns)

    def _follow_epochs(self, frames: Rows, key: Ints, time_ns: Ints, timed: Bools) -> None:
        """Note each observation epoch as complete: at its last message, or when the next epoch begins."""
        index = np.flatnonzero(timed)
        if not len(index):
            return
        at = time_ns[index]
        before = np.concatenate(([self._epoch_ns if self._epoch_ns is not None else _NEVER], at[:-1]))
        begins = (self._epoch_ns is None) & (np.arange(len(at)) == 0) | (np.abs(at - before) > SAME_EPOCH_NS)
        last = frames["more"][index] == 0
        # Two events a frame in their order: the epoch before it is complete, then its own. What is newer than all
        # before it is news.
        whole = np.full(2 * len(at), _NEVER, dtype=np.int64)
        whole[0::2][begins] = before[begins]
        whole[1::2][last] = at[last]
        newest = np.maximum.accumulate(np.concatenate(([self._newest_ns], whole)))
        news = np.flatnonzero(whole > newest[:-1])
        if len(news):
            self._newest_ns = int(newest[-1])
            self._obs.extend(key[index[news // 2]], whole[news])
        self._epoch_ns = int(at[-1])

    def _learn(self, decoded: Decoded, time_ns: Ints, observed_from: int) -> None:
        """The date of 1013 (modified Julian day); 40587 is 1970-01-01.

        ``observed_from`` is the frame from which on the base's own time of observation is known.
        """
        for record in decoded.texts:
            if record.type == 1013:
                seconds_ns = int(record.fields["seconds_of_day"]) * 1_000_000_000
                placed = self.axis.place_tod(seconds_ns)
                self._compare_clocks(decoded, record.end, placed, time_ns, observed_from)
                self.axis.learn_date(int(record.fields["mjd"]) - 40587, placed, "1013")

    def _compare_clocks(self, decoded: Decoded, end: int, said_ns: int, time_ns: Ints, observed_from: int) -> None:
        """The observations' own time beside the UTC of 1013, which the base sends along: the base's two clocks."""
        i = int(np.searchsorted(decoded.frames.end, end))
        if observed_from < i < len(time_ns):
            self.tally.note_clocks((int(time_ns[i]) - said_ns) / 1e9)

    def _follow_base(
        self, decoded: Decoded, frames: Rows, key: Ints, time_ns: Ints, names_base: Bools, named: Bools
    ) -> None:
        """Walk the changes of station ID and the base positions, which are few, in the order of the frames."""
        ids = frames["station_id"]
        changes: list[tuple[int, int]] = []  # (index of frame, 0: ID, 1: row of stations)
        index = np.flatnonzero(names_base & ~np.isnan(ids))
        if len(index):
            before = np.concatenate(([self.tally.last_id if self.tally.last_id is not None else -1], ids[index][:-1]))
            changes.extend((int(i), -1) for i in index[ids[index] != before])
            self.tally.last_id = int(ids[index[-1]])
        if len(decoded.stations):
            at = np.minimum(np.searchsorted(frames.end, decoded.stations.end), len(frames) - 1)
            theirs = np.flatnonzero(frames.end[at] == decoded.stations.end)
            changes.extend(zip(at[theirs].tolist(), theirs.tolist(), strict=True))
        for i, row in sorted(changes):
            if row < 0:
                self._new_id(int(ids[i]), int(key[i]), int(time_ns[i]))
            elif decoded.stations["type"][row] == 1032:
                self.saw_1032 = True
                self.tally.note_physical(decoded.stations, row)
            else:
                alone = True  # where nothing is latched nothing can be taken back
                if self.latches:
                    before = named[:i]
                    own = int(decoded.stations["station_id"][row])
                    alone = self._is_alone(own, ids[:i][before], time_ns[:i][before], int(time_ns[i]))
                self._base_position(decoded.stations, row, int(key[i]), int(time_ns[i]), alone)

    def _is_alone(self, station: int, ids: Floats, time_ns: Ints, now_ns: int) -> bool:
        """Whether nobody but ``station`` has been heard for half a minute; ``ids`` are those of the stretch so far."""
        heard = self._heard_ns | dict(zip(ids.astype(np.int64).tolist(), time_ns.tolist(), strict=True))
        return all(other == station or now_ns - at_ns >= _ALONE_NS for other, at_ns in heard.items())

    def _new_id(self, station: int, key: int, time_ns: int) -> None:
        if self.station_id is None:
            self.station_id = station
            expected = self.setup.base_station_id
            if expected is not None and station != expected and not self.accepted:
                self._set_latch("wrong_base", key)
        elif station != self.station_id and self.base_kind != COMPUTED:
            self._set_latch("two_bases", key)
        self.tally.note_id(station, time_ns)

    def _base_position(self, stations: Rows, row: int, key: int, time_ns: int, alone: bool) -> None:
        """A broadcast ARP: is it the same base, and where it should be? Only one that is alone proves itself right."""
        station = int(stations["station_id"][row])
        arp = (float(stations["x_m"][row]), float(stations["y_m"][row]), float(stations["z_m"][row]))
        computed = bool(stations["computed"][row] == 1) or self.saw_1032 or self._beside_user(arp)
        before = self.tally.arp_of(station)
        moved_m = distance_m(arp, before) if before is not None else 0.0
        self.tally.note_arp(stations, row, time_ns, computed, moved_m)
        self.base_kind = COMPUTED if computed else PHYSICAL
        if computed:
            self.latched.agree(key)  # a network's base moves and changes its ID when it is seated anew
        else:
            site = self.setup.base_ecef_m
            off_m = distance_m(arp, site) if site is not None else None
            agrees = off_m is not None and off_m <= self.setup.base_tolerance_m
            if agrees and self.setup.base_station_id in (None, station) and alone:
                self.latched.agree(key)
            if off_m is not None and not agrees and not self._confirmed(arp):
                code = "wrong_base" if off_m > self.setup.limit("wrong_base_m") else "base_misplaced"
                if not self.latches & LATCH_FLAGS[code]:  # once: the next message says nothing new
                    self._set_latch(code, key)
            if before is None and not agrees:
                self._compare_with_known(arp, station, key, time_ns)
            if moved_m > self.setup.limit("base_moved_m") and not agrees:
                self._set_latch("base_moved", key)
        self.arp_ecef_m = arp
        self._base.add(key, *arp, float(station), float(self.base_kind))

    def _confirmed(self, arp: tuple[float, float, float]) -> bool:
        """Whether a person, or a check made while it was in force, has said that this place is right."""
        known = self.confirmed_arp_ecef_m
        return self.accepted or (known is not None and distance_m(arp, known) <= self.setup.limit("base_moved_m"))

    def _compare_with_known(self, arp: tuple[float, float, float], station: int, key: int, time_ns: int) -> None:
        """The first ARP of a session beside the one the site had last: a base set up again moves every design."""
        if self.known_arp_ecef_m is None or self.accepted:
            return
        moved_m = distance_m(arp, self.known_arp_ecef_m)
        if moved_m > self.setup.limit("base_moved_m"):
            self.set_again = (time_ns, station, moved_m)
            self._set_latch("base_moved", key)

    def _beside_user(self, arp: tuple[float, float, float]) -> bool:
        """An ARP beside the position that was sent, or on a network source beside the rover, is a computed one."""
        near_m = self.setup.limit("computed_base_m")
        if self.setup.near_deg is not None:
            lat, lon = self.setup.near_deg
            there = geodetic_to_ecef(np.array([lat]), np.array([lon]), np.array([0.0]))[0]
            # Height is not sent along: compare the horizontal part only roughly, by the ellipsoid's surface.
            return horizontal_m(arp, (float(there[0]), float(there[1]), float(there[2]))) < near_m
        if self.setup.source_kind == "ntrip" and self.rover_ecef_m is not None:
            return distance_m(arp, self.rover_ecef_m) < near_m
        return False

    def _set_latch(self, code: str, key: int) -> None:
        self.latched.latch(LATCH_FLAGS[code], key)

    @property
    def latches(self) -> int:
        """Flags that stand now of what the stream says about its base (``LATCH_FLAGS``)."""
        return self.latched.stated

    def clear_latches(self, key: int) -> None:
        """A person or a control check has confirmed the base; from ``key`` on nothing that was latched before stands.

        The stream may have been read farther than ``key``: what was latched after it stays.
        """
        self.confirmed_arp_ecef_m = self.arp_ecef_m
        self.latched.confirm(key)
        self.station_id = self.tally.last_id

    def note_base(self, code: str, pos: int) -> None:
        """The base's own observations show that it moved, or is not where it says: latched until confirmed.

        Told at byte ``pos`` of the stretch just fed. What a network computes is exempt. A position that the site file
        names as well is the site's own affair, and so is one that a person has accepted.
        """
        if self.base_kind == COMPUTED or not len(self._fed_end):
            return
        arp, site = self.arp_ecef_m, self.setup.base_ecef_m
        agrees = arp is not None and site is not None and distance_m(arp, site) <= self.setup.base_tolerance_m
        if code == "base_misplaced" and (agrees or self.accepted):
            return
        i = min(int(np.searchsorted(self._fed_end, pos, side="right")), len(self._fed_end) - 1)
        self.latched.latch(LATCH_FLAGS[code], int(self._fed_key[i]), observed=True)

    def join(self, key: Ints) -> LinkColumns:
        """The link as it was known at each key (N,), which must not lie before ``forget_before``."""
        obs, base = self._obs.at(key), self._base.at(key)
        kind = np.where(np.isnan(base[:, 4]), UNKNOWN, base[:, 4]).astype(np.int64)
        return LinkColumns(
            obs_utc_ms=obs[:, 0] / 1e6,
            arp_ecef_m=base[:, :3],
            station_id=base[:, 3],
            base_kind=kind,
            latches=self.latched.at(key),
            latch_flags=LATCH_FLAGS,
        )

    def forget_before(self, key: int) -> None:
        """No row will ask about anything before ``key`` any more."""
        for events in (self._obs, self._base, self.latched):
            events.forget_before(key)

    def reached_ns(self) -> int | None:
        """How far on the axis the stream has come; None before its first timed frame."""
        return self.time.last_ns


def distance_m(a: tuple[float, float, float], b: tuple[float, float, float]) -> float:
    """Distance of two Earth-centred positions. [m]"""
    return float(np.sqrt(sum((p - q) ** 2 for p, q in zip(a, b, strict=True))))


def horizontal_m(a: tuple[float, float, float], b: tuple[float, float, float]) -> float:
    """Distance of two Earth-centred positions with the part along the vertical at ``b`` left out. [m]"""
    up = np.array(b) / np.sqrt(sum(q * q for q in b))
    d = np.array(a) - np.array(b)
    return float(np.sqrt(np.sum((d - up * np.sum(d * up)) ** 2)))
