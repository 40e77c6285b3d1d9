"""What a correction stream adds up to: bytes, census of messages, stations, timing. Bounded memory, any cut the same.

The epochs' ledger, the stream over time and the observations' content are kept by modules of their own.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Decoded, Rows, TextRecord
from hubtack.engine.axis import DAY_NS
from hubtack.engine.link_content import ContentTally, SystemTally
from hubtack.engine.link_flow import Flow
from hubtack.engine.link_ledger import SAME_EPOCH_NS, Ledger
from hubtack.engine.tally import Histogram

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Raw = bytes  # LinkTally has a count of that name

MOST_CHANGES = 200
MOST_TEXTS = 20
MOST_STATIONS = 64
SAMPLE_BYTES = 16_384
_S = 1_000_000_000
_DUPLICATE_NS = 30 * _S
_MOST_RECENT = 4096
_FEW = 64  # frames: below this a plain loop is faster than arrays


@dataclass(slots=True)
class MessageTally:
    """One message type: how many, how large, how often."""

    count: int = 0
    bytes: int = 0
    first_ns: int = 0
    last_ns: int = 0
    interval: Histogram = field(default_factory=lambda: Histogram(0.1, 6001))
    satellites: int = 0  # sums over all of them, for the size a message would have in another form
    signals: int = 0
    cells: int = 0


@dataclass(slots=True)
class StationTally:
    """One station ID with the newest of what was said of it. ``arps`` are (time, x, y, z) of each change."""

    id: int
    first_ns: int = 0
    last_ns: int = 0
    frames: int = 0
    observations: int = 0
    arp_ecef_m: tuple[float, float, float] | None = None
    arp_times_ns: tuple[int, int] | None = None
    arp_count: int = 0
    antenna_height_m: float = float("nan")
    computed: bool = False
    physical_ecef_m: tuple[float, float, float] | None = None
    physical_id: int | None = None
    antenna: str | None = None
    receiver: str | None = None
    arps: list[tuple[int, float, float, float]] = field(default_factory=list)


@dataclass(slots=True)
class LinkTally:
    """Sums over one correction stream."""

    bytes: int = 0
    frames: int = 0
    bad_crc: int = 0
    other_bytes: int = 0
    sentences: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    messages: dict[int, MessageTally] = field(default_factory=dict)
    stations: dict[int, StationTally] = field(default_factory=dict)
    ledger: Ledger = field(default_factory=Ledger)
    flow: Flow = field(default_factory=Flow)
    content: ContentTally = field(default_factory=ContentTally)
    latency: Histogram = field(default_factory=lambda: Histogram(0.01, 60_001))
    lag_whole_s: dict[int, int] = field(default_factory=dict)  # arrivals by lag in whole seconds, for clocks far off
    least_lag_ns: int | None = None
    duplicates: int = 0
    last_id: int | None = None
    id_changes: list[tuple[int, int]] = field(default_factory=list)  # (time, new ID), bounded
    n_id_changes: int = 0
    texts: list[tuple[int, str]] = field(default_factory=list)  # 1029: (time, text), each text once
    leap_s: int | None = None  # from 1013
    clock_offs_s: list[float] = field(default_factory=list)  # observation time less the time of 1013, bounded
    arrivals: int = 0
    first_arrival_ns: int | None = None
    last_arrival_ns: int | None = None
    failures: list[int] = field(default_factory=list)  # offsets of the first damaged frames
    bad_crc_ns: list[int] = field(default_factory=list)  # when frames failed, bounded
    sample: bytearray = field(default_factory=bytearray)
    _recent: dict[tuple[int, int, int], int] = field(default_factory=dict)
    _reached_ns: int | None = None  # newest time of an observation since the clock last went back

    # Bytes ---------------------------------------------------------------------------------------------------------

    def note_raw(self, data: Raw) -> None:
        """Keep the first bytes, for telling what an unknown stream is."""
        if len(self.sample) < SAMPLE_BYTES:
            self.sample += data[: SAMPLE_BYTES - len(self.sample)]

    def add_bytes(self, decoded: Decoded) -> None:
        """Counts of a stretch, whether it holds frames or not."""
        counts = decoded.counts
        self.bytes += counts.bytes
        self.frames += counts.frames
        self.bad_crc += counts.bad_crc
        self.other_bytes += counts.other_bytes
        self.sentences += counts.sentences
        for offset, what in counts.failures:
            if what == "bad CRC" and len(self.failures) < MOST_CHANGES:
                self.failures.append(offset)

    def add_damage(self, decoded: Decoded, ends: Ints, time_ns: Ints, before_ns: int) -> None:
        """Place damaged frames and other bytes in time: at the frame before them, else at ``before_ns``.

        ``ends`` and ``time_ns`` are of the stretch's frames and of some before it.
        """
        for span in decoded.spans:
            i = int(np.searchsorted(ends, span.pos, side="right")) - 1
            at = int(time_ns[i]) if i >= 0 else before_ns
            if span.kind == "bad_crc":
                self.flow.add_damage(at, bad_crc=1)
                if len(self.bad_crc_ns) < 10_000:
                    self.bad_crc_ns.append(at)
            else:
                self.flow.add_damage(at, other_bytes=span.end - span.pos)

    # Frames --------------------------------------------------------------------------------------------------------

    def add_frames(
        self,
        decoded: Decoded,
        number: Ints,
        system: Ints,
        time_ns: Ints,
        timed: Bools,
        with_id: Bools,
        arrival_ns: Ints,
    ) -> None:
        """Add a stretch of frames with what the engine has worked out for each.

        ``system`` is 0 for frames without observations; ``timed`` marks observation frames that say their epoch.
        """
        frames = decoded.frames
        if self.first_ns is None:
            self.first_ns = int(time_ns[0])
        self.last_ns = int(time_ns.max()) if self.last_ns is None else max(self.last_ns, int(time_ns.max()))
        duplicate = self._duplicates(frames, number, time_ns)
        self.duplicates += int(np.count_nonzero(duplicate))
        length = frames["length"].astype(np.int64)
        self._census(frames, number, length, time_ns)
        begins = timed & ~duplicate
        self.ledger.add(time_ns[begins], number[begins], frames["more"][begins].astype(np.int64))
        self.flow.add_frames(time_ns, length)
        self._arrivals(time_ns, arrival_ns, begins)
        self._station_frames(frames, time_ns, with_id, system > 0)
        for record in decoded.texts:
            self._text(record)
        self.content.add(decoded.satellites, number, system, time_ns, (system > 0) & ~duplicate)

    def _duplicates(self, frames: Rows, number: Ints, time_ns: Ints) -> Bools:
        """Frames identical to one of the same epoch: a repeater, never a second base.

        Only observations count: a base position or a descriptor is the same every time by its nature. A repeat is half
        a minute behind at most; a frame that is farther behind says that the clock has gone back (as in the ledger).
        """
        out = np.zeros(len(frames), dtype=bool)
        index = np.flatnonzero(~np.isnan(frames["utc_ms_of_week"]))
        if not len(index):
            return out
        reached_ns = int(time_ns[index[0]]) if self._reached_ns is None else self._reached_ns
        newest_ns = np.maximum(np.maximum.accumulate(time_ns[index]), reached_ns)
        steady = not bool((newest_ns - time_ns[index] > _DUPLICATE_NS).any())
        if steady:
            self._reached_ns = int(newest_ns[-1])
            if len(index) > _FEW:
                index = self._could_repeat(index, frames["crc24"].astype(np.int64), time_ns, reached_ns)
        recent = self._recent
        marks = zip(
            number[index].tolist(), frames["length"][index].astype(np.int64).tolist(),
            frames["crc24"][index].astype(np.int64).tolist(), strict=True,
        )  # fmt: skip
        for i, at, mark in zip(index.tolist(), time_ns[index].tolist(), marks, strict=True):
            if not steady:
                if reached_ns - at > _DUPLICATE_NS:
                    recent, reached_ns = {}, at
                reached_ns = max(reached_ns, at)
            if recent.get(mark) == at:
                out[i] = True
            recent[mark] = at
            if len(recent) > _MOST_RECENT:
                newest = max(recent.values())
                recent = {m: t for m, t in recent.items() if newest - t <= _DUPLICATE_NS}
                if len(recent) > _MOST_RECENT // 2:
                    recent = {}
        self._recent = recent
        if not steady:
            self._reached_ns = reached_ns
        return out

    def _could_repeat(self, index: Ints, crc: Ints, time_ns: Ints, reached_ns: int) -> Ints:
        """Of many frames those that must be looked at one by one.

        These are the ones whose CRC comes more than once among them, those of a time already reached before, and the
        newest, which the next stretch may repeat.
        """
        crc, at = crc[index], time_ns[index]
        order = np.argsort(crc, kind="stable")
        same = np.diff(crc[order]) == 0
        repeated = np.zeros(len(index), dtype=bool)
        repeated[order] = np.concatenate(([False], same)) | np.concatenate((same, [False]))
        return np.asarray(index[repeated | (at <= reached_ns) | (at >= int(at.max()) - _DUPLICATE_NS)])

    def _census(self, frames: Rows, number: Ints, length: Ints, time_ns: Ints) -> None:
        size = np.nan_to_num(np.stack([frames[c] for c in ("n_satellites", "n_signals", "n_cells")])).astype(np.int64)
        # A frame too short for a message number (-1), as the empty ones that fill a quiet link, is of no kind.
        for kind in np.flatnonzero(np.bincount(number[number >= 0], minlength=1)).tolist():
            index = np.flatnonzero(number == kind)
            times = time_ns[index]
            tally = self.messages.get(kind)
            if tally is None:
                tally = self.messages[kind] = MessageTally(first_ns=int(times[0]), last_ns=int(times[0]))
                steps = np.diff(times)
            else:
                steps = np.diff(np.concatenate(([tally.last_ns], times)))
            tally.interval.add(steps[steps > SAME_EPOCH_NS] / _S)
            tally.count += len(index)
            tally.bytes += int(length[index].sum())
            n_sats, n_signals, n_cells = (int(v) for v in size[:, index].sum(axis=1))
            tally.satellites += n_sats
            tally.signals += n_signals
            tally.cells += n_cells
            tally.last_ns = int(times[-1])

    def _arrivals(self, time_ns: Ints, arrival_ns: Ints, timed: Bools) -> None:
        known = arrival_ns >= 0
        if not known.any():
            return
        self.arrivals += int(np.count_nonzero(known))
        if self.first_arrival_ns is None:
            self.first_arrival_ns = int(arrival_ns[known][0])
        self.last_arrival_ns = int(arrival_ns[known][-1])
        pick = known & timed
        if pick.any():
            # Arrival and content on one scale only if this computer's clock is right: the lag modulo a day.
            lag = (arrival_ns[pick] - time_ns[pick] + DAY_NS // 2) % DAY_NS - DAY_NS // 2
            self.latency.add(lag / _S)
            self.flow.add_lags(time_ns[pick], lag, arrival_ns[pick])
            for whole, n in zip(*np.unique(lag // _S, return_counts=True), strict=True):
                if int(whole) in self.lag_whole_s or len(self.lag_whole_s) < 1000:
                    self.lag_whole_s[int(whole)] = self.lag_whole_s.get(int(whole), 0) + int(n)
            least = int(lag.min())
            self.least_lag_ns = least if self.least_lag_ns is None else min(least, self.least_lag_ns)

    def _station_frames(self, frames: Rows, time_ns: Ints, with_id: Bools, observed: Bools) -> None:
        ids = frames["station_id"]
        for station in np.unique(ids[with_id & ~np.isnan(ids)]).tolist():
            own = with_id & (ids == station)
            times = time_ns[own]
            tally = self.station(int(station), int(times[0]))
            tally.frames += len(times)
            tally.last_ns = int(times[-1])
            tally.observations += int(np.count_nonzero(own & observed))

    def _text(self, record: TextRecord) -> None:
        if record.type in (1007, 1008, 1033):
            station = self.station(record.station_id)
            station.antenna = str(record.fields.get("antenna", "")) or station.antenna or ""
            if record.type == 1033:
                station.receiver = str(record.fields.get("receiver", ""))
        elif record.type == 1013:
            self.leap_s = int(record.fields["leap_s"])
        else:  # 1029
            text = str(record.fields["text"])
            if len(self.texts) < MOST_TEXTS and all(text != known for _, known in self.texts):
                self.texts.append((self.last_ns or 0, text))

    # Stations ------------------------------------------------------------------------------------------------------

    def station(self, station: int, time_ns: int | None = None) -> StationTally:
        """The tally of a station ID, made when it is new (at most 64; the rest share the last)."""
        if station not in self.stations:
            if len(self.stations) >= MOST_STATIONS:
                return next(reversed(self.stations.values()))
            first_ns = time_ns if time_ns is not None else (self.last_ns or 0)
            self.stations[station] = StationTally(station, first_ns, first_ns)
        return self.stations[station]

    def note_id(self, station: int, time_ns: int) -> None:
        """The stream's station ID has changed to ``station`` (or has been heard for the first time)."""
        self.station(station, time_ns)
        self.n_id_changes += 1
        if len(self.id_changes) < MOST_CHANGES:
            self.id_changes.append((time_ns, station))

    def arp_of(self, station: int) -> tuple[float, float, float] | None:
        """The ARP last broadcast under that ID."""
        tally = self.stations.get(station)
        return tally.arp_ecef_m if tally else None

    def note_arp(self, stations: Rows, row: int, time_ns: int, computed: bool, moved_m: float) -> None:
        """A 1005 or 1006 has been heard."""
        tally = self.station(int(stations["station_id"][row]), time_ns)
        arp = (float(stations["x_m"][row]), float(stations["y_m"][row]), float(stations["z_m"][row]))
        if (tally.arp_ecef_m is None or moved_m > 0) and len(tally.arps) < MOST_CHANGES:
            tally.arps.append((time_ns, *arp))
        tally.arp_ecef_m, tally.computed = arp, computed
        tally.arp_count += 1
        tally.arp_times_ns = (tally.arp_times_ns[0] if tally.arp_times_ns else time_ns, time_ns)
        if stations["type"][row] == 1006:
            tally.antenna_height_m = float(stations["antenna_height_m"][row])

    def note_physical(self, stations: Rows, row: int) -> None:
        """A 1032 has told where the physical base behind a computed one is."""
        tally = self.station(int(stations["station_id"][row]))
        tally.physical_ecef_m = (
            float(stations["x_m"][row]),
            float(stations["y_m"][row]),
            float(stations["z_m"][row]),
        )
        tally.physical_id = int(stations["physical_id"][row])

    def note_clocks(self, off_s: float) -> None:
        """The newest observation's time less the UTC that a 1013 said. [s]"""
        if len(self.clock_offs_s) < MOST_CHANGES:
            self.clock_offs_s.append(off_s)

    # Figures -------------------------------------------------------------------------------------------------------

    @property
    def systems(self) -> dict[int, SystemTally]:
        """Constellations whose observations the stream carries."""
        return self.content.systems

    @property
    def epochs(self) -> int:
        """Observation epochs heard, in whole or in part."""
        return self.ledger.epochs

    def satellites_of(self, system: int) -> float:
        """Median number of satellites an epoch; NaN without any."""
        return self.content.satellites_of(system)

    def duration_s(self) -> float:
        """From the first frame to the last by content, else by arrival; 0 without. [s]"""
        if self.first_ns is not None and self.last_ns is not None and self.last_ns > self.first_ns:
            return (self.last_ns - self.first_ns) / _S
        if self.first_arrival_ns is not None and self.last_arrival_ns is not None:
            return (self.last_arrival_ns - self.first_arrival_ns) / _S
        return 0.0

    def interval_s(self) -> float:
        """Median interval of observation epochs; NaN with fewer than two. [s]"""
        return self.ledger.interval_s()

    def gaps(self, factor: float = 1.5) -> list[tuple[int, int, int]]:
        """Gaps over ``factor`` median intervals: (start, end, epochs lost); start is the last epoch before it. [ns]"""
        return self.ledger.gaps(factor)

    def bytes_per_epoch(self) -> float:
        """Bytes of the messages that come with every epoch, an epoch; NaN where that is not known."""
        observing = frozenset().union(*self.content.levels.values())
        sizes = [self.messages[k].bytes / self.messages[k].count for k in self.ledger.due() or observing]
        return sum(sizes) if sizes else float("nan")

    def bits_per_s(self) -> float:
        """Mean load of the stream; NaN where its duration is unknown. [bit/s]"""
        duration_s = self.duration_s()
        interval_s = self.interval_s()
        if duration_s <= 0:
            return float("nan")
        return self.bytes * 8 / (duration_s + (0.0 if np.isnan(interval_s) else interval_s))
