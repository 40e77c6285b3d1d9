"""What the observations on a stream hold: satellites, signals, carrier phase, strength, lost locks. Bounded memory."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Rows
from hubtack.engine.tally import Histogram

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Masks = NDArray[np.uint64]  # satellites 1 to 64 as bits 0 to 63

SAME_EPOCH_NS = 10_000_000
SKY_BIN_NS = 30_000_000_000
MOST_SKY_BINS = 20_000  # a week
N_SYSTEMS, N_SATELLITES, N_SIGNALS = 8, 65, 33
_FORGET_LOCK_NS = 120_000_000_000  # a satellite that comes back after this long has risen again, not slipped
_NEVER = np.iinfo(np.int64).min // 4
_WIDE_SPAN = 4096
_FEW = 64  # frames: below this a plain loop is faster than arrays


@dataclass(slots=True)
class SystemTally:
    """One constellation: satellites an epoch, signals with carrier phase, signal strengths, lost locks."""

    satellites: Histogram = field(default_factory=lambda: Histogram(1.0, 65))
    cn0: Histogram = field(default_factory=lambda: Histogram(0.25, 321))
    signals: dict[int, int] = field(default_factory=dict)
    phases: dict[int, int] = field(default_factory=dict)
    cells: int = 0
    half_cycles: int = 0
    lock_resets: int = 0


@dataclass(slots=True)
class SkySets:
    """Satellites heard in each half minute, one bit mask a system: coarse enough to lie beside another receiver's."""

    bins: dict[int, dict[int, int]] = field(default_factory=dict)

    def add(self, time_ns: Ints, system: Ints, satellite: Ints) -> None:
        """Add N satellites with the time they were heard at; numbers are those within the system, 1 to 64."""
        usable = (satellite >= 1) & (satellite < N_SATELLITES)
        if not usable.all():
            time_ns, system, satellite = time_ns[usable], system[usable], satellite[usable]
        self.add_codes(time_ns, system * N_SATELLITES + satellite)

    def add_codes(self, time_ns: Ints, code: Ints) -> None:
        """The same with satellites as codes: system x 65 + number within it."""
        if not len(time_ns):
            return
        bins = time_ns // SKY_BIN_NS
        first = int(bins.min())
        span = int(bins.max()) - first + 1
        if span > _WIDE_SPAN:  # a jump of the clock inside one stretch: one half minute at a time
            for index in np.unique(bins).tolist():
                here = code[bins == index]
                self._add_heard(index, _heard(np.zeros(len(here), np.int64), here, 1))
            return
        self._add_heard(first, _heard(bins - first, code, span))

    def add_masks(self, time_ns: Ints, system: Ints, mask: Masks) -> None:
        """The same with the satellites of each of N > 0 messages as a bit mask: number 1 is the lowest bit."""
        key = time_ns // SKY_BIN_NS * N_SYSTEMS + system
        order = np.argsort(key, kind="stable")
        key, mask = key[order], mask[order]
        start = np.flatnonzero(np.concatenate(([True], np.diff(key) != 0)))
        together = np.bitwise_or.reduceat(mask, start)
        for one, heard in zip(key[start].tolist(), together.tolist(), strict=True):
            if heard:
                self._note(one // N_SYSTEMS, one % N_SYSTEMS, heard << 1)

    def _note(self, index: int, system: int, heard: int) -> None:
        """Add satellites to a half minute, the number of each being its bit."""
        found = self.bins.get(index)
        if found is None:
            if len(self.bins) >= MOST_SKY_BINS:
                return
            found = self.bins[index] = {}
        found[system] = found.get(system, 0) | heard

    def _add_heard(self, first: int, heard: Bools) -> None:
        """``heard`` is (bins, systems, satellites): each system's satellites become one integer."""
        packed = np.packbits(heard, axis=2, bitorder="little")
        for i, of in np.argwhere(packed.any(axis=2)).tolist():
            self._note(first + i, of, int.from_bytes(packed[i, of].tobytes(), "little"))

    def systems(self) -> frozenset[int]:
        """Systems heard in at least a tenth of the half minutes."""
        counts: dict[int, int] = {}
        for found in self.bins.values():
            for system in found:
                counts[system] = counts.get(system, 0) + 1
        return frozenset(s for s, n in counts.items() if n * 10 >= len(self.bins))


def _heard(bins: Ints, code: Ints, n_bins: int) -> Bools:
    """Whether each satellite was heard, by bin, system and number."""
    table = np.zeros(n_bins * N_SYSTEMS * N_SATELLITES, dtype=bool)
    table[bins * (N_SYSTEMS * N_SATELLITES) + code] = True
    return table.reshape(n_bins, N_SYSTEMS, N_SATELLITES)


def common_satellites(a: SkySets, b: SkySets) -> list[tuple[int, int]]:
    """Half minutes that both have: (start [ns], number of satellites in both)."""
    return [
        (
            index * SKY_BIN_NS,
            sum((a.bins[index].get(s, 0) & mask).bit_count() for s, mask in b.bins[index].items()),
        )
        for index in sorted(a.bins.keys() & b.bins.keys())
    ]


@dataclass(slots=True)
class ContentTally:
    """Observations of one stream by system."""

    systems: dict[int, SystemTally] = field(default_factory=dict)
    levels: dict[int, set[int]] = field(default_factory=dict)  # message types by system
    sky: SkySets = field(default_factory=SkySets)
    twins: int = 0  # messages that say again what another of their type and epoch said: a second set of observations
    twin_ns: tuple[int, int] | None = None  # first and last
    _said: dict[int, tuple[int, int]] = field(default_factory=dict)  # by type: epoch, satellites as a bit mask
    _sats: dict[int, tuple[int, int]] = field(default_factory=dict)  # by system: newest message, its epoch's satellites
    _lock_ms: NDArray[np.float64] | None = None  # by system, satellite and signal
    _lock_ns: Ints | None = None

    def add(self, cells: Rows, number: Ints, system_of: Ints, time_ns: Ints, use: Bools) -> None:
        """Add the cells of a stretch of frames; ``number``, ``system_of``, ``time_ns`` and ``use`` are per frame."""
        for system in np.unique(system_of[use]).tolist():
            self.systems.setdefault(system, SystemTally())
            self.levels.setdefault(system, set()).update(np.unique(number[use & (system_of == system)]).tolist())
        if not len(cells):
            return
        frame = cells["frame"].astype(np.int64)
        if not use.all() and not (used := use[frame]).all():
            cells, frame = cells.take(used), frame[used]
            if not len(cells):
                return
        at_ns = time_ns[frame]
        systems, satellites = cells["system"].astype(np.int64), cells["satellite"].astype(np.int64)
        signals = np.clip(cells["signal"].astype(np.int64), 0, N_SIGNALS - 1)
        # Of most that is asked here a message's satellites are enough, as bits; SBAS stands in messages of GPS.
        start = np.flatnonzero(np.concatenate(([True], (np.diff(frame) != 0) | (np.diff(systems) != 0))))
        mask = np.bitwise_or.reduceat(_BIT[np.clip(satellites, 0, N_SATELLITES - 1)], start)
        message, of = frame[start], systems[start]
        self._find_twins(message, mask, number, time_ns)
        self.sky.add_masks(time_ns[message], of, mask)
        resets = self._lock_resets(systems, satellites, signals, cells["lock_ms"], at_ns)
        counts = np.bincount(systems, minlength=N_SYSTEMS)
        half_cycles = np.bincount(systems[cells["half_cycle"] == 1], minlength=N_SYSTEMS)
        lost = np.bincount(systems[resets], minlength=N_SYSTEMS)
        signal = systems * N_SIGNALS + signals
        heard = np.bincount(signal, minlength=N_SYSTEMS * N_SIGNALS).reshape(-1, N_SIGNALS)
        phases = np.bincount(signal[cells["has_phase"] == 1], minlength=N_SYSTEMS * N_SIGNALS).reshape(-1, N_SIGNALS)
        strengths = _strengths(systems, cells["cn0_dbhz"])
        for system in np.flatnonzero(counts).tolist():
            tally = self.systems.setdefault(system, SystemTally())
            tally.cn0.counts += strengths[system]
            tally.cells += int(counts[system])
            tally.half_cycles += int(half_cycles[system])
            tally.lock_resets += int(lost[system])
            mine = of == system
            self._satellites_per_epoch(system, tally, time_ns[message[mine]], mask[mine])
            _count(tally.signals, heard[system])
            _count(tally.phases, phases[system])

    def _find_twins(self, message: Ints, mask: Masks, number: Ints, time_ns: Ints) -> None:
        """Two messages of one type and epoch share no satellite where one base split them; two bases' do."""
        masks = np.zeros(int(message[-1]) + 1, dtype=np.uint64)
        np.bitwise_or.at(masks, message, mask)
        used = np.flatnonzero(masks)
        if len(used) > _FEW:
            used = self._twin_candidates(used, number[used], time_ns[used])
        for i in used.tolist():
            kind, at, heard = int(number[i]), int(time_ns[i]), int(masks[i])
            before_ns, before = self._said.get(kind, (_NEVER, 0))
            if abs(at - before_ns) <= SAME_EPOCH_NS:
                if before & heard:
                    self.twins += 1
                    self.twin_ns = (at if self.twin_ns is None else self.twin_ns[0], at)
                heard |= before
            self._said[kind] = (at, heard)

    def _twin_candidates(self, used: Ints, number: Ints, time_ns: Ints) -> Ints:
        """Frames that could be twins: those near another of their type in time, and the first and last of each type.

        And the one before each of these, which is what it is held against.
        """
        order = np.lexsort((used, number))
        same = np.diff(number[order]) == 0
        near = same & (np.abs(np.diff(time_ns[order])) <= SAME_EPOCH_NS)
        ends = np.concatenate(([True], ~same)) | np.concatenate((~same, [True]))
        pick = ends | np.concatenate(([False], near)) | np.concatenate((near, [False]))
        pick = pick | np.concatenate((pick[1:] & same, [False]))
        return np.asarray(np.sort(used[order][pick]))

    def _lock_resets(
        self, systems: Ints, satellites: Ints, signals: Ints, lock_ms: NDArray[np.float64], at_ns: Ints
    ) -> Bools:
        """Cells whose lock time is shorter than it was: the phase was lost in between (a cycle slip).

        The indicator gives the least lock time, so it never falls while the lock lasts.
        """
        if self._lock_ms is None or self._lock_ns is None:
            self._lock_ms = np.full(N_SYSTEMS * N_SATELLITES * N_SIGNALS, np.nan)
            self._lock_ns = np.full(len(self._lock_ms), _NEVER, dtype=np.int64)
        mark = (systems * N_SATELLITES + np.clip(satellites, 0, N_SATELLITES - 1)) * N_SIGNALS + signals
        order = np.argsort(mark.astype(np.uint16), kind="stable")  # sixteen bits are sorted by counting
        mark, now_ms, now_ns = mark[order], lock_ms[order], at_ns[order]
        first = np.flatnonzero(np.concatenate(([True], np.diff(mark) != 0)))
        before_ms, before_ns = np.empty_like(now_ms), np.empty_like(now_ns)
        before_ms[1:], before_ns[1:] = now_ms[:-1], now_ns[:-1]
        before_ms[first], before_ns[first] = self._lock_ms[mark[first]], self._lock_ns[mark[first]]
        fell = np.flatnonzero(now_ms < before_ms)
        fell = fell[now_ns[fell] - before_ns[fell] <= _FORGET_LOCK_NS]
        last = np.concatenate((first[1:], [len(mark)])) - 1
        self._lock_ms[mark[last]], self._lock_ns[mark[last]] = now_ms[last], now_ns[last]
        out = np.zeros(len(mark), dtype=bool)
        out[order[fell]] = True
        return out

    def _satellites_per_epoch(self, system: int, tally: SystemTally, times: Ints, mask: Masks) -> None:
        """Distinct satellites of each epoch. The newest epoch may go on in the next block, so it is held back.

        In the order in which they came: a message that comes late is an epoch of its own, wherever the input is cut.
        """
        starts = np.flatnonzero(np.concatenate(([True], np.abs(times[1:] - times[:-1]) > SAME_EPOCH_NS)))
        epochs = np.bitwise_or.reduceat(mask, starts)
        held = self._sats.get(system)
        if held is not None:
            if abs(int(times[0]) - held[0]) <= SAME_EPOCH_NS:
                epochs[0] |= np.uint64(held[1])
            else:
                tally.satellites.add(np.array([float(held[1].bit_count())]))
        tally.satellites.add(_bit_counts(epochs[:-1]))
        self._sats[system] = (int(times[-1]), int(epochs[-1]))

    def satellites_of(self, system: int) -> float:
        """Median number of satellites an epoch, the running epoch included; NaN without any."""
        tally = self.systems.get(system)
        if tally is None:
            return float("nan")
        if tally.satellites.total:
            return tally.satellites.quantile(0.5)
        return float(self._sats[system][1].bit_count()) if system in self._sats else float("nan")


# A satellite's bit; a number of 0 has none.
_BIT = np.concatenate(([0], np.uint64(1) << np.arange(N_SATELLITES - 1, dtype=np.uint64))).astype(np.uint64)
_COUNT_16 = np.array([i.bit_count() for i in range(1 << 16)], dtype=np.int64)


def _bit_counts(mask: Masks) -> NDArray[np.float64]:
    """How many satellites each mask (N,) holds."""
    return np.asarray(_COUNT_16[mask.view(np.uint16).reshape(-1, 4)].sum(axis=1), dtype=np.float64)


def _strengths(systems: Ints, cn0_dbhz: NDArray[np.float64]) -> Ints:
    """Signal strengths by system, (systems, bins) as ``Histogram.add`` counts them."""
    like = SystemTally().cn0
    known = np.flatnonzero(~np.isnan(cn0_dbhz))
    index = np.clip(np.floor(cn0_dbhz[known] / like.step + 0.5), 0, like.n_bins - 1).astype(np.int64)
    index += systems[known] * like.n_bins
    return np.bincount(index, minlength=N_SYSTEMS * like.n_bins).reshape(N_SYSTEMS, like.n_bins)


def _count(into: dict[int, int], counts: Ints) -> None:
    for value in np.flatnonzero(counts).tolist():
        into[value] = into.get(value, 0) + int(counts[value])
