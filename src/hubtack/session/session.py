"""One session: bytes of its sources in, judged rows, snapshots and findings out. No I/O, no threads, no clock.

Live and logged data go through this one door: ``feed`` a chunk, ``snapshot`` for a screen at any time, ``close`` at
the end. A live run and an audit are two drivers of it. For one merged sequence of chunks the rows are the same
whatever the cut.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.decoder import Decoder
from hubtack.decode.tables import Decoded
from hubtack.diagnosis.episode import Finding
from hubtack.diagnosis.link_families import LinkView
from hubtack.diagnosis.rover_view import RoverView
from hubtack.engine.axis import DAY_NS, SessionAxis
from hubtack.engine.judge import Track
from hubtack.engine.link import COMPUTED, LinkEngine, LinkSetup
from hubtack.engine.places import PlaceTrack
from hubtack.engine.rover import JudgedRows, LinkAtRows, RoverEngine, join_rows
from hubtack.engine.rover_sky import RoverSky
from hubtack.engine.setup import Setup
from hubtack.epochs.assemble import Assembler
from hubtack.epochs.columns import Epochs
from hubtack.readers.chunk import Chunk, Notice, SourceState
from hubtack.session import diagnose
from hubtack.session.antenna_pair import AntennaPair
from hubtack.session.arrivals import ArrivalLog
from hubtack.session.base_watch import BaseWatch, observing_decoder
from hubtack.session.checking import Checking
from hubtack.session.history import History
from hubtack.session.link_join import link_at_rows
from hubtack.session.rover_ranges import RoverRanges
from hubtack.session.row_times import RowTimes
from hubtack.session.snapshot import LinkLine
from hubtack.session.source import Source

Ints = NDArray[np.int64]

_MOST_HELD_BACK = 4096  # bytes; a decoder waits for the rest of one frame (1,029 bytes) at most


@dataclass(slots=True)
class Session:
    """A session in progress.

    Parameters
    ----------
    setup : Setup
        Limits, machine and job.
    link_setup : LinkSetup
        What is known of the base and of the way the corrections come.
    link_role : str
        The source that carries the corrections: ``"rover"`` for one mixed log or stream.
    by_content : bool
        True for separate logs without arrival times, which are merged by the time they speak of; False where the
        order of the bytes is the order of arrival.
    """

    setup: Setup
    link_setup: LinkSetup
    link_role: str = "corrections"
    by_content: bool = False
    expects_link: bool = False
    sources: dict[str, Source] = field(default_factory=dict)
    axis: SessionAxis = field(default_factory=SessionAxis)
    rover: RoverEngine = field(init=False)
    link: LinkEngine = field(init=False)
    base: BaseWatch = field(init=False)
    rover_ranges: RoverRanges = field(init=False)
    assembler: Assembler = field(default_factory=Assembler)
    rover_sky: RoverSky = field(default_factory=RoverSky)
    history: History = field(default_factory=History)
    places: PlaceTrack = field(default_factory=PlaceTrack)
    pair: AntennaPair = field(default_factory=AntennaPair)
    n_rover_frames: int = 0
    _place: int = 0
    _no_rows: JudgedRows | None = None
    _waiting: Epochs = field(default_factory=lambda: Epochs.blank(0))
    _times: RowTimes = field(init=False)
    _early: list[int] = field(default_factory=list)
    _fix: tuple[int, int] = (0, 0)  # newest fix type and since when
    closed: bool = False
    checking: Checking = field(init=False)
    expected: set[str] = field(default_factory=set)
    first_arrival_utc_ns: int | None = None
    last_arrival_utc_ns: int | None = None
    is_live: bool = False
    convergence_deg: float = float("nan")  # of the site's grid, where it has one

    def __post_init__(self) -> None:
        self._times = RowTimes(self.axis)
        self.assembler.gst_hold_ms = round(1000 * self.setup.limit("gst_hold_s"))
        self.rover = RoverEngine(self.setup)
        self.checking = Checking(self.setup.limit("check_valid_h"))
        self.link = LinkEngine(self.link_setup, self.axis)
        self.base = BaseWatch(self.link_setup)
        self.rover_ranges = RoverRanges(self.base.watcher.ephemerides)

    # Bytes in -----------------------------------------------------------------------------------------------------

    def decode(self, role: str, data: bytes) -> Decoded:
        """Decode the next bytes of a source, for ``feed`` to take later: a log's driver runs ahead in another thread."""
        return self._source(role).decoder.feed(data)

    def feed(self, chunk: Chunk, decoded: Decoded | None = None) -> JudgedRows:
        """Take the next chunk, and what ``decode`` has made of it; returns the rows that it closed, judged for good."""
        source = self._note(chunk)
        return self._take(source, source.decoder.feed(chunk.data) if decoded is None else decoded, final=False)

    def feed_run(self, chunks: Sequence[Chunk]) -> JudgedRows:
        """Take a run of chunks with the arrivals that each had; as ``feed`` one by one, in a fraction of the time.

        Rows find the corrections that had come before them by their place in the run, so that all corrections of it may go
        in first. A second antenna's log is asked for what has come, whenever a row closes: with one, ``feed`` them singly.
        """
        data: dict[str, list[bytes]] = {}
        for chunk in chunks:
            self._note(chunk)
            data.setdefault(chunk.source, []).append(chunk.data)
        parts = []
        for role in sorted(data, key=lambda role: role == "rover"):
            source = self._source(role)
            parts.append(self._take(source, source.decoder.feed(b"".join(data[role])), final=False))
        return join_rows([part for part in parts if len(part.epochs)] or parts[-1:])

    def notice(self, notice: Notice) -> None:
        """Take note of what has become of a source."""
        source = self._source(notice.source)
        source.state, source.message, source.code = notice.state, notice.message, notice.code
        source.outages.note(notice, self.link.tally.last_ns)

    def release(self, name: str) -> JudgedRows:
        """A source has been quiet past the deadline: let go of bytes held back for a frame that may never come."""
        source = self._source(name)
        return self._take(source, source.decoder.release(), final=False)

    def end_source(self, name: str) -> JudgedRows:
        """One source has ended: what its framing held back comes out, and others need not wait for it."""
        source = self._source(name)
        rows = self._take(source, source.decoder.flush(), final=True)
        source.state = SourceState.ENDED
        return rows

    def close(self) -> JudgedRows:
        """All input has ended: every row is closed and judged."""
        parts = [self._take(source, source.decoder.flush(), final=False) for source in self.sources.values()]
        self.link.release()
        self.base.close(self.link)
        self.closed = True
        parts.append(self._commit(self._times.place(self.assembler.close()), everything=True))
        return join_rows([part for part in parts if len(part.epochs)] or parts[-1:])

    def _source(self, role: str) -> Source:
        if role not in self.sources:
            self.sources[role] = Source(role, observing_decoder() if role in (self.link_role, "rover") else Decoder())
        return self.sources[role]

    def _take(self, source: Source, decoded: Decoded, *, final: bool) -> JudgedRows:
        source.count(decoded)
        if source.role == self.link_role:
            self._feed_link(source, decoded)
        if source.role == "second_antenna":
            self.pair.add(decoded.sentences, self.axis, final=final)
        if source.role != "rover":
            source.arrivals.forget_before(source.arrivals.total - _MOST_HELD_BACK)
            return self._commit(Epochs.blank(0))
        if self.link_role != "rover" and len(decoded.frames):
            self.rover_ranges.feed(decoded)
        self.rover_sky.add(decoded.sentences, self.axis)
        epochs = self._times.place(self.assembler.feed(decoded.sentences))
        rows = self._commit(epochs)
        source.arrivals.forget_before(self._oldest_needed(source))
        return rows

    def _feed_link(self, source: Source, decoded: Decoded) -> None:
        last_byte = decoded.frames.end - 1
        key = None if self.by_content else source.arrivals.places(last_byte)
        self.link.feed(decoded, key, source.arrivals.utc_ns(last_byte))
        self.base.feed(decoded, self.link, self.axis)
        if key is not None and len(key) and "rover" not in self.sources:
            self.link.forget_before(int(key[-1]))  # no row will ask, and the stream may go on for weeks
        if source.role == "rover":
            self.n_rover_frames += len(decoded.frames)

    def _note(self, chunk: Chunk) -> Source:
        """When a chunk came, and its place among all that came."""
        source = self._source(chunk.source)
        source.arrivals.add(len(chunk.data), self._place, chunk.t_utc_ns, chunk.t_mono_ns)
        if source.outages.lasts and chunk.data:
            source.outages.bytes_came(chunk.t_mono_ns)
        self._place += len(chunk.data)
        if chunk.source == self.link_role:
            self.link.tally.note_raw(chunk.data)
        if chunk.t_utc_ns is not None:
            self.first_arrival_utc_ns = self.first_arrival_utc_ns or chunk.t_utc_ns
            self.last_arrival_utc_ns = chunk.t_utc_ns
        return source

    def _oldest_needed(self, source: Source) -> int:
        pending = [int(rows.pos[0]) for rows in self.assembler.pending.values() if len(rows)]
        if len(self._waiting):
            pending.append(int(self._waiting.pos[0]))
        return min(pending, default=source.arrivals.total)

    # Rows ---------------------------------------------------------------------------------------------------------

    def _commit(self, epochs: Epochs, *, everything: bool = False) -> JudgedRows:
        """Judge for good what is closed and, with separate logs, what the other logs have caught up with."""
        if self.by_content:
            epochs = self._in_step(epochs, everything)
        if not len(epochs):
            # Every correction frame comes by here: no rows are made once, since they are the same every time.
            if self._no_rows is None:
                none = np.zeros(0, dtype=np.int64)
                self._no_rows = self.rover.update(epochs, LinkAtRows.none(0), none, none.astype(bool))
            return self._no_rows
        if "second_antenna" in self.sources:
            self.pair.fill(epochs, forget=True)
        key, arrivals = self._keys(epochs), self._rover_arrivals()
        parts = []
        confirmed = self._confirmations(epochs)
        bounds = sorted({0, len(epochs), *confirmed})
        for a, b in itertools.pairwise(bounds):
            part = epochs.take(slice(a, b)) if len(bounds) > 2 else epochs
            link = self._link_at(key[a:b], part)
            if a in confirmed and self._checked(part, link)[0]:
                self.confirm(int(key[a]))
                link = self._link_at(key[a:b], part)
            utc_ns, mono_ns = arrivals.utc_ns(part.pos), arrivals.mono_ns(part.pos)
            parts.append(self.rover.update(part, link, utc_ns, self._checked(part, link), mono_ns))
        rows = join_rows(parts)
        self._tell_link()
        self.link.forget_before(int(key[-1]))
        self.rover_ranges.compare(rows)
        self.history.add(rows)
        self.places.add(rows.epochs.time_ns, rows.q.pos_ecef_m)
        self._early = [*self._early, *(int(k) for k in epochs.kinds_early[-3:])][-3:]
        self._follow_fix(rows)
        return rows

    def _in_step(self, epochs: Epochs, everything: bool) -> Epochs:
        """Rows wait until the other logs have reached their time, or have ended."""
        waiting = Epochs.concat([self._waiting, epochs]) if len(self._waiting) else epochs
        ready = len(waiting)
        for role, reached in (("corrections", self.link.reached_ns()), ("second_antenna", self.pair.reached_ns())):
            source = self.sources.get(role)
            if everything or source is None or source.state is SourceState.ENDED:
                continue
            behind = waiting.time_ns > (reached if reached is not None else np.iinfo(np.int64).min)
            ready = min(ready, int(np.argmax(behind)) if behind.any() else len(waiting))
        self._waiting = waiting.take(slice(ready, None))
        return waiting.take(slice(0, ready))

    def _keys(self, epochs: Epochs) -> Ints:
        """Place of each row in the merged sequence: that of its first byte, or of its time for separate logs."""
        if self.by_content:
            return content_key(epochs.time_ns, rank=2)
        return self._rover_arrivals().places(epochs.pos)

    def _rover_arrivals(self) -> ArrivalLog:
        return self._source("rover").arrivals

    def _link_at(self, key: Ints, epochs: Epochs) -> LinkAtRows:
        if not self.has_link():
            return LinkAtRows.none(len(epochs))
        return link_at_rows(self.link.join(key), epochs.tod_ms, self.setup)

    def has_link(self) -> bool:
        """Whether there is a correction stream to read."""
        return self.expects_link or self.n_rover_frames > 0

    def _checked(self, epochs: Epochs, link: LinkAtRows) -> NDArray[np.bool_]:
        day0 = self.axis.day0
        if day0 is None or not self.checking.checks:
            return np.zeros(len(epochs), dtype=bool)
        utc_ns = epochs.time_ns + day0 * DAY_NS
        return self.checking.at_rows(utc_ns, link.station_id, link.arp_ecef_m, link.base_computed)

    def _confirmations(self, epochs: Epochs) -> set[int]:
        """Rows before which a passed check has been made; a check before the session confirms nothing in it."""
        day0 = self.axis.day0
        if day0 is None or not self.checking.checks:
            return set()
        utc_ns = epochs.time_ns + day0 * DAY_NS
        before_ns = (self.rover.track.time_ns if self.rover.track.n_rows else int(epochs.time_ns[0])) + day0 * DAY_NS
        passed = self.checking.passed_between(before_ns, int(utc_ns.max()))
        return {int(np.argmax(utc_ns >= t)) for t in passed}

    def confirm(self, key: int | None = None) -> None:
        """A person or a passed check says that the base and the position are right: nothing stays latched.

        ``key`` is the place from which on it counts; without it, from now on.
        """
        if key is None:
            self.link.accepted = True
        self.link.clear_latches(self._place if key is None else key)
        self.rover.parked.clear()

    @property
    def checked(self) -> tuple[str, float] | None:
        """The check in force at the newest row: when it was (ISO, UTC), and the height found less known [m]."""
        last = self.rover.last
        if last is None or self.axis.day0 is None or not self.checking.checks:
            return None
        link = self._link_at(self._keys(last.epochs), last.epochs)
        if not self._checked(last.epochs, link)[0]:
            return None
        check = self.checking.newest_at(int(last.epochs.time_ns[0]) + self.axis.day0 * DAY_NS)
        return (check.utc, check.up_m) if check is not None else None

    def _follow_fix(self, rows: JudgedRows) -> None:
        fix = rows.q.fix
        before = np.concatenate(([self._fix[0] if self.rover.track.n_rows > len(fix) else -1], fix[:-1]))
        changed = np.flatnonzero(fix != before)
        since_ns = int(rows.epochs.time_ns[changed[-1]]) if len(changed) else self._fix[1]
        self._fix = (int(fix[-1]), since_ns)

    # Views --------------------------------------------------------------------------------------------------------

    def peek(self, *, allow_partial: bool = False) -> tuple[JudgedRows, Track] | None:
        """The open rows, judged on a copy; None where there is none that can be judged yet.

        The newest row is left out until it holds the kinds of sentence that each of the last three rows held when
        its successor opened, or until ``allow_partial`` says that nothing more seems to come.
        """
        if self.closed or self.by_content:
            return None
        epochs = self._times.place_open(self.assembler.open_rows())
        if len(epochs) and not allow_partial and self._early:
            expected = self._early[0]
            for kinds in self._early[1:]:
                expected &= kinds
            if expected & ~int(epochs.kinds[-1]):
                epochs = epochs.take(slice(0, len(epochs) - 1))
        if not len(epochs):
            return None
        if "second_antenna" in self.sources:
            self.pair.fill(epochs, forget=False)
        key = self._keys(epochs)
        arrivals, link = self._rover_arrivals(), self._link_at(key, epochs)
        utc_ns, mono_ns = arrivals.utc_ns(epochs.pos), arrivals.mono_ns(epochs.pos)
        return self.rover.peek(epochs, link, utc_ns, self._checked(epochs, link), mono_ns)

    def _tell_link(self) -> None:
        """The link must know where the rover is, to see that a base beside it is computed by a network."""
        pos = self.rover.track.pos_ecef_m
        if not np.isnan(pos[0]):
            self.link.rover_ecef_m = pos

    def expect(self, role: str) -> None:
        """A source of this role will come, even if it stays silent."""
        self.expected.add(role)
        self._source(role)
        if role == "corrections":
            self.expects_link = True

    def newest_row_end(self) -> int:
        """Offset of the newest sentence that carries a position, open rows included; grows with each epoch."""
        pending = self.assembler.pending
        ends = [int(pending[k].end[-1]) for k in ("GGA", "GNS", "RMC") if k in pending and len(pending[k])]
        return max(ends, default=-1)

    def link_line(self, elapsed_ns: int) -> LinkLine:
        """The correction link in one line for a screen."""
        if not self.has_link():
            return LinkLine()
        tally = self.link.tally
        source = self.sources.get(self.link_role)
        reached = self.link.reached_ns()
        silent_s = float("nan") if reached is None else max(0.0, (self.now_ns(elapsed_ns) - reached) / 1e9)
        state = ""
        if source is not None and source.state is not None and source.state is not SourceState.OPENED:
            state = "" if source.state is SourceState.ENDED else source.state.value
        elif not tally.bytes:
            state = "nothing has come yet"
        return LinkLine(tally.bits_per_s(), tally.frames, tally.bad_crc, silent_s, source="corrections", state=state)

    def fix_since(self) -> tuple[int, int]:
        """Newest fix type and the time on the axis since which it has held."""
        return self._fix

    def base_id(self) -> int | None:
        """Station ID of the base in use: the stream's, else the one the rover names."""
        if self.link.tally.last_id is not None:
            return self.link.tally.last_id
        named = [t for t in self.rover.named_stations() if t.isdigit()]
        return int(named[-1]) if named else None

    def base_computed(self) -> bool:
        """Whether a network computes that base."""
        return self.link.base_kind == COMPUTED

    def rover_position(self) -> tuple[float, float, float] | None:
        """The rover's newest position: latitude, longitude [deg] and height above its geoid [m]; None without one."""
        lat, lon, height = self.rover.track.position
        return None if np.isnan(lat) or np.isnan(lon) else (lat, lon, 0.0 if np.isnan(height) else height)

    def notices(self) -> Mapping[str, str]:
        """What is wrong with each source, as its reader said it; a source that works says nothing."""
        bad = (SourceState.FAILED, SourceState.REFUSED)
        return {name: source.message for name, source in self.sources.items() if source.state in bad}

    def rover_reached_ns(self) -> int:
        """How far on the axis the rover's rows have come, those that still wait included."""
        return int(self._waiting.time_ns[-1]) if len(self._waiting) else self.rover.track.time_ns

    def first_ns(self) -> int | None:
        """Time of the first datum on the axis: of the rover, else of the link."""
        if self.rover.tally.first_ns is not None:
            return self.rover.tally.first_ns
        return self.link.tally.first_ns

    def last_ns(self) -> int | None:
        """Time of the last datum on the axis: of the rover, else of the link."""
        if self.rover.track.n_rows:
            return self.rover.track.time_ns
        return self.link.tally.last_ns

    def now_ns(self, elapsed_ns: int = 0) -> int:
        """The moment findings are judged at, ``elapsed_ns`` after the newest row came (before the first: the newest frame).

        A frame that came after that row has its moment in those ``elapsed_ns`` already: they are not added to it again.
        """
        link_ns = self.link.tally.last_ns or 0
        track = self.rover.track
        return max(track.time_ns + elapsed_ns, link_ns) if track.n_rows else link_ns + elapsed_ns

    # Diagnosis -----------------------------------------------------------------------------------------------------

    def rover_view(self, now_ns: int) -> RoverView:
        """The rover's side in the figures that the link's families ask for."""
        return diagnose.rover_view(self, now_ns)

    def link_view(self, elapsed_ns: int = 0) -> LinkView:
        """The link as its families see it now."""
        return diagnose.link_view(self, elapsed_ns)

    def findings(self, elapsed_ns: int = 0) -> list[Finding]:
        """Findings as they stand now; recomputed, never stored."""
        return diagnose.findings(self, elapsed_ns)

    def rtk_ready(self, findings: list[Finding], elapsed_ns: int = 0) -> bool | None:
        """Whether a rover can fix on the stream (docs/rtk-ready.md)."""
        return diagnose.ready(self, findings, elapsed_ns)


def content_key(time_ns: Ints, rank: int) -> Ints:
    """Key of a row or frame in the order of content: time first, then corrections before the rover."""
    return time_ns * 4 + rank
