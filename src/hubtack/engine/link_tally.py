"""What a correction stream adds up to: census, stations, systems, timing. Bounded memory, the same for any cut."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Decoded, Rows
from hubtack.engine.axis import SessionAxis
from hubtack.engine.tally import Histogram
from hubtack.knowledge.messages import system_of

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Buffer = bytes  # ``bytes`` is a count within the tally

SAME_EPOCH_NS = 10_000_000
MOST_EPOCHS = 1_000_000  # eleven days at one a second; beyond it the ledger stops and says so
MOST_CHANGES = 200
SAMPLE_BYTES = 16_384
_S = 1_000_000_000


@dataclass(slots=True)
class MessageTally:
    """One message type: how many, how large, how often."""

    count: int = 0
    bytes: int = 0
    first_ns: int = 0
    last_ns: int = 0
    interval: Histogram = field(default_factory=lambda: Histogram(0.1, 6001))


@dataclass(slots=True)
class StationTally:
    """One station ID with the newest of what was said of it. ``arps`` are (time, x, y, z) of each change."""

    id: int
    first_ns: int = 0
    last_ns: int = 0
    frames: int = 0
    arp_ecef_m: tuple[float, float, float] | None = None
    arp_times_ns: tuple[int, int] | None = None
    arp_count: int = 0
    antenna_height_m: float = float("nan")
    computed: bool = False
    physical_ecef_m: tuple[float, float, float] | None = None
    antenna: str | None = None
    receiver: str | None = None
    arps: list[tuple[int, float, float, float]] = field(default_factory=list)


@dataclass(slots=True)
class SystemTally:
    """One constellation: satellites an epoch, signals with carrier phase, signal strengths."""

    satellites: Histogram = field(default_factory=lambda: Histogram(1.0, 65))
    cn0: Histogram = field(default_factory=lambda: Histogram(0.25, 321))
    signals: dict[int, int] = field(default_factory=dict)
    phases: dict[int, int] = field(default_factory=dict)


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
    systems: dict[int, SystemTally] = field(default_factory=dict)
    levels: dict[int, set[int]] = field(default_factory=dict)
    latency: Histogram = field(default_factory=lambda: Histogram(0.01, 60_001))
    least_lag_ns: int | None = None
    duplicates: int = 0
    epoch_steps_ms: array[int] = field(default_factory=lambda: array("i"))
    epoch_first_ns: int | None = None
    epoch_last_ns: int | None = None
    epochs: int = 0
    last_id: int | None = None
    id_changes: list[tuple[int, int]] = field(default_factory=list)  # (time, new ID), bounded
    n_id_changes: int = 0
    arrivals: int = 0
    first_arrival_ns: int | None = None
    last_arrival_ns: int | None = None
    failures: list[int] = field(default_factory=list)  # offsets of the first damaged frames
    bad_crc_ns: list[int] = field(default_factory=list)  # when frames failed, bounded
    sample: bytearray = field(default_factory=bytearray)
    byte_counts: Ints = field(default_factory=lambda: np.zeros(256, dtype=np.int64))
    _recent: dict[tuple[int, int, int], int] = field(default_factory=dict)
    _sats: dict[int, tuple[int, set[int]]] = field(default_factory=dict)

    # Bytes ---------------------------------------------------------------------------------------------------------

    def note_raw(self, data: Buffer) -> None:
        """Keep the first bytes and the count of each byte value, for telling what an unknown stream is."""
        if len(self.sample) < SAMPLE_BYTES:
            self.sample += data[: SAMPLE_BYTES - len(self.sample)]
        if self.frames == 0:
            self.byte_counts += np.bincount(np.frombuffer(data, dtype=np.uint8), minlength=256)

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
        if counts.bad_crc and self.last_ns is not None and len(self.bad_crc_ns) < 10_000:
            self.bad_crc_ns.extend([self.last_ns] * counts.bad_crc)

    # Frames --------------------------------------------------------------------------------------------------------

    def add_frames(
        self,
        decoded: Decoded,
        number: Ints,
        time_ns: Ints,
        observed: Bools,
        timed: Bools,
        with_id: Bools,
        first_of_epoch: Bools,
        arrival_ns: Ints,
        axis: SessionAxis,
    ) -> None:
        """Add a stretch of frames with what the engine has worked out for each."""
        frames = decoded.frames
        if self.first_ns is None:
            self.first_ns = int(time_ns[0])
        self.last_ns = int(time_ns[-1]) if self.last_ns is None else max(self.last_ns, int(time_ns.max()))
        duplicate = self._duplicates(frames, number, time_ns)
        self.duplicates += int(np.count_nonzero(duplicate))
        self._census(frames, number, time_ns)
        self._epochs(time_ns, timed & first_of_epoch & ~duplicate)
        self._arrivals(time_ns, arrival_ns, timed, axis)
        self._station_frames(frames, time_ns, with_id)
        for record in decoded.texts:
            if record.type in (1007, 1008, 1033):
                station = self.station(record.station_id)
                station.antenna = str(record.fields.get("antenna", "")) or station.antenna or ""
                if record.type == 1033:
                    station.receiver = str(record.fields.get("receiver", ""))
        self._observations(decoded, number, time_ns, observed & ~duplicate)

    def _duplicates(self, frames: Rows, number: Ints, time_ns: Ints) -> Bools:
        """Frames identical to one of the same epoch: a repeater, never a second base.

        Only observations count: a base position or a descriptor is the same every time by its nature.
        """
        out = np.zeros(len(frames), dtype=bool)
        crc, length = frames["crc24"].astype(np.int64), frames["length"].astype(np.int64)
        recent = self._recent
        for i in np.flatnonzero(~np.isnan(frames["utc_ms_of_week"])):
            mark = (int(number[i]), int(length[i]), int(crc[i]))
            at = int(time_ns[i])
            if recent.get(mark) == at:
                out[i] = True
            recent[mark] = at
        if len(recent) > 4096:
            newest = max(recent.values())
            self._recent = {m: t for m, t in recent.items() if newest - t <= 30 * _S}
        return out

    def _census(self, frames: Rows, number: Ints, time_ns: Ints) -> None:
        length = frames["length"].astype(np.int64)
        for kind in np.unique(number):
            index = np.flatnonzero(number == kind)
            times = time_ns[index]
            tally = self.messages.get(int(kind))
            if tally is None:
                tally = self.messages[int(kind)] = MessageTally(first_ns=int(times[0]), last_ns=int(times[0]))
                steps = np.diff(times)
            else:
                steps = np.diff(np.concatenate(([tally.last_ns], times)))
            tally.interval.add(steps[steps > SAME_EPOCH_NS] / _S)
            tally.count += len(index)
            tally.bytes += int(length[index].sum())
            tally.last_ns = int(times[-1])

    def _epochs(self, time_ns: Ints, begins: Bools) -> None:
        times = time_ns[begins]
        if not len(times):
            return
        if self.epoch_last_ns is None:
            self.epoch_first_ns = int(times[0])
            steps = np.diff(times)
        else:
            steps = np.diff(np.concatenate(([self.epoch_last_ns], times)))
        self.epochs += len(times)
        self.epoch_last_ns = int(times[-1])
        room = MOST_EPOCHS - len(self.epoch_steps_ms)
        limit = np.iinfo(np.int32).max
        self.epoch_steps_ms.extend(int(v) for v in np.clip(steps // 1_000_000, -limit, limit)[:room])

    def _arrivals(self, time_ns: Ints, arrival_ns: Ints, timed: Bools, axis: SessionAxis) -> None:
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
            day_ns = 86_400 * _S
            lag = (arrival_ns[pick] - time_ns[pick] + day_ns // 2) % day_ns - day_ns // 2
            self.latency.add(lag / _S)
            least = int(lag.min())
            self.least_lag_ns = least if self.least_lag_ns is None else min(least, self.least_lag_ns)

    def _station_frames(self, frames: Rows, time_ns: Ints, with_id: Bools) -> None:
        ids = frames["station_id"]
        for station in np.unique(ids[with_id & ~np.isnan(ids)]):
            times = time_ns[with_id & (ids == station)]
            tally = self.station(int(station), int(times[0]))
            tally.frames += len(times)
            tally.last_ns = int(times[-1])

    def _observations(self, decoded: Decoded, number: Ints, time_ns: Ints, use: Bools) -> None:
        cells = decoded.satellites
        systems = np.array([system_of(int(t)) or 0 for t in number])
        for system in np.unique(systems[use]):
            self.systems.setdefault(int(system), SystemTally())
            self.levels.setdefault(int(system), set()).update(
                int(t) for t in np.unique(number[use & (systems == system)])
            )
        if not len(cells):
            return
        keep = use[cells["frame"].astype(np.int64)]
        for system in np.unique(cells["system"][keep]):
            pick = keep & (cells["system"] == system)
            tally = self.systems.setdefault(int(system), SystemTally())
            tally.cn0.add(cells["cn0_dbhz"][pick])
            self._satellites_per_epoch(
                int(system),
                tally,
                time_ns[cells["frame"][pick].astype(np.int64)],
                cells["satellite"][pick].astype(np.int64),
            )
            signals, counts = np.unique(cells["signal"][pick], return_counts=True)
            for signal, count in zip(signals, counts, strict=True):
                tally.signals[int(signal)] = tally.signals.get(int(signal), 0) + int(count)
            phased, counts = np.unique(cells["signal"][pick & (cells["has_phase"] == 1)], return_counts=True)
            for signal, count in zip(phased, counts, strict=True):
                tally.phases[int(signal)] = tally.phases.get(int(signal), 0) + int(count)

    def _satellites_per_epoch(self, system: int, tally: SystemTally, times: Ints, satellites: Ints) -> None:
        """Distinct satellites of each epoch. The newest epoch may go on in the next block, so it is held back."""
        order = np.argsort(times, kind="stable")
        times, satellites = times[order], satellites[order]
        starts = np.flatnonzero(np.concatenate(([True], np.diff(times) > SAME_EPOCH_NS)))
        bounds = [*(int(i) for i in starts), len(times)]
        epoch = np.repeat(np.arange(len(starts)), np.diff(bounds))
        distinct = np.unique(epoch * 64 + np.minimum(satellites, 63))
        counts = np.bincount(distinct // 64, minlength=len(starts)).astype(np.float64)
        last = {int(v) % 64 for v in distinct[distinct // 64 == len(starts) - 1]}
        held = self._sats.get(system)
        if held is not None:
            held_ns, held_set = held
            if int(times[0]) - held_ns <= SAME_EPOCH_NS:
                first = {int(v) % 64 for v in distinct[distinct // 64 == 0]} | held_set
                counts[0] = len(first)
                if len(starts) == 1:
                    last = first
            else:
                tally.satellites.add(np.array([float(len(held_set))]))
        tally.satellites.add(counts[:-1])
        self._sats[system] = (int(times[starts[-1]]), last)

    def satellites_of(self, system: int) -> float:
        """Median number of satellites an epoch, the running epoch included; NaN without any."""
        tally = self.systems.get(system)
        if tally is None:
            return float("nan")
        if tally.satellites.total:
            return tally.satellites.quantile(0.5)
        return float(len(self._sats[system][1])) if system in self._sats else float("nan")

    # Stations ------------------------------------------------------------------------------------------------------

    def station(self, station: int, time_ns: int | None = None) -> StationTally:
        """The tally of a station ID, made when it is new (at most 64; the rest share the last)."""
        if station not in self.stations:
            if len(self.stations) >= 64:
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

    def interleaved(self, time_ns: int) -> bool:
        """Whether another ID than the newest has been heard within the last 30 s."""
        recent = [s for s in self.stations.values() if time_ns - s.last_ns < 30 * _S and s.frames]
        return len(recent) > 1

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

    # Figures -------------------------------------------------------------------------------------------------------

    def duration_s(self) -> float:
        """From the first frame to the last by content, else by arrival; 0 without. [s]"""
        if self.first_ns is not None and self.last_ns is not None and self.last_ns > self.first_ns:
            return (self.last_ns - self.first_ns) / _S
        if self.first_arrival_ns is not None and self.last_arrival_ns is not None:
            return (self.last_arrival_ns - self.first_arrival_ns) / _S
        return 0.0

    def interval_s(self) -> float:
        """Median interval of observation epochs; NaN with fewer than two. [s]"""
        if not self.epoch_steps_ms:
            return float("nan")
        steps = np.frombuffer(self.epoch_steps_ms, dtype=np.int32)
        steps = np.sort(steps[steps > 0])
        return float(steps[(len(steps) - 1) // 2]) / 1000.0 if len(steps) else float("nan")

    def steps_ms(self) -> Ints:
        """Intervals between observation epochs in order. [ms]"""
        return np.array(self.epoch_steps_ms, dtype=np.int64)

    def gaps(self, factor: float = 1.5) -> list[tuple[int, int, int]]:
        """Gaps over ``factor`` median intervals: (start, end, epochs lost); start is the last epoch before it. [ns]"""
        steps = self.steps_ms()
        interval_s = self.interval_s()
        if not len(steps) or np.isnan(interval_s) or self.epoch_first_ns is None:
            return []
        ends = self.epoch_first_ns + np.cumsum(steps) * 1_000_000
        long = np.flatnonzero(steps > factor * interval_s * 1000)
        return [
            (int(ends[i] - steps[i] * 1_000_000), int(ends[i]), max(0, round(steps[i] / (interval_s * 1000)) - 1))
            for i in long
        ]

    def bits_per_s(self) -> float:
        """Mean load of the stream; NaN where its duration is unknown. [bit/s]"""
        duration_s = self.duration_s()
        interval_s = self.interval_s()
        if duration_s <= 0:
            return float("nan")
        return self.bytes * 8 / (duration_s + (0.0 if np.isnan(interval_s) else interval_s))
