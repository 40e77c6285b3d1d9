"""What a base sends: encoded frames with the moment each left it."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.simulate import encode
from hubtack.simulate.encode_legacy import legacy
from hubtack.simulate.encode_msm import Epochs, msm
from hubtack.simulate.encode_orbits import beidou_number, ephemeris
from hubtack.simulate.observe import Observations, observe
from hubtack.simulate.sky import (
    BEIDOU,
    BEIDOU_BEHIND_GPS_S,
    GLONASS,
    GLONASS_CHANNELS,
    LEAP_S,
    SHELLS,
    WEEK_S,
    View,
    view,
)
from hubtack.simulate.world import Base, World

BLOCK = 1200  # epochs packed at once, so that a day needs no more memory than an hour


@dataclass(frozen=True, slots=True)
class Sent:
    """One frame: when it left the base [s since the start], its bytes, and what a receiver can do with it.

    ``epoch_s`` is the moment the observations claim to be of; ``satellites`` has bit 24 x (system - 1) + slot.
    """

    t_s: float
    data: bytes
    station: int
    kind: str = "other"  # "observations", "position", "biases", "other"
    epoch_s: float = float("nan")
    satellites: int = 0
    last: bool = False
    has_phase: bool = False
    position_m: tuple[float, float, float] | None = None


def satellite_bit(system: int, slot: int) -> int:
    """The bit that stands for one satellite."""
    return 1 << 24 * (system - 1) + slot


def views(world: World, position_m: NDArray[Any]) -> dict[int, View]:
    """The sky over a place for the whole session, once a second."""
    here = world.place
    return {s: view(world.orbits, s, position_m, here.lat_deg, here.lon_deg, world.seconds) for s in SHELLS}


def base_frames(
    world: World, base: Base, rng: np.random.Generator, progress: Callable[[float], None] | None = None
) -> list[Sent]:
    """All frames a base sends while it is on, by the time they left."""
    seen = views(world, base.position_m)
    first, last = max(0, int(np.ceil(base.on[0]))), min(world.seconds, int(base.on[1]))
    epochs = np.arange(first, last, dtype=np.int64)
    epochs = epochs[epochs % base.interval_s == 0]
    sent: list[Sent] = []
    if not len(epochs):
        return sent
    observed = {system: observe(world, base, system, seen[system], epochs, rng) for system in base.systems}
    jitter = rng.uniform(0.0, 0.03, len(epochs))
    present = np.stack([o.cells[:, :, 0].any(axis=1) for o in observed.values()], axis=1)
    for column, observations in enumerate(observed.values()):
        if progress is not None:
            progress(0.1 + 0.3 * column / len(observed))
        more = np.asarray(present[:, column + 1 :].any(axis=1))
        sent.extend(_observation_frames(world, base, observations, column, more, jitter))
    for second in range(first, last):
        sent.extend(_station_messages(world, base, second))
    sent.extend(_ephemerides(world, base, observed, epochs))
    sent.sort(key=lambda frame: frame.t_s)
    return sent


def _now(value: int, changes: Sequence[tuple[float, int]], second: float) -> int:
    for at, changed in changes:
        if second >= at:
            value = changed
    return value


def _observation_frames(
    world: World, base: Base, o: Observations, column: int, more: NDArray[np.bool_], jitter: NDArray[Any]
) -> list[Sent]:
    sent: list[Sent] = []
    cells = o.cells.reshape(len(o.seconds), -1)
    changes = np.flatnonzero((cells[1:] != cells[:-1]).any(axis=1)) + 1
    cuts = sorted({0, *changes.tolist(), *range(0, len(o.seconds), BLOCK), len(o.seconds)})
    for start, end in itertools.pairwise(cuts):
        has = o.cells[start]
        slots = np.flatnonzero(has[:, 0])
        if not len(slots):
            continue
        rows = slice(start, end)
        seconds = o.seconds[rows]
        station = np.array([_now(base.station, base.renames, s) for s in seconds], dtype=np.int64)
        epoch = _epoch_field(o.system, world.orbits.sow_s + seconds + base.clock_off_s)
        numbers = np.array([beidou_number(s) if o.system == BEIDOU else s + 1 for s in slots.tolist()], dtype=np.int64)
        channel = np.array([GLONASS_CHANNELS[s] if o.system == GLONASS else 0 for s in slots.tolist()], dtype=np.int64)
        block = Epochs(
            numbers, o.signals, has[slots], o.code_m[rows][:, slots], o.phase_m[rows][:, slots],
            o.lock_ms[rows][:, slots], o.cn0_dbhz[rows][:, slots], o.rate_m_s[rows][:, slots], channel,
        )  # fmt: skip
        if base.legacy:
            frames = legacy(o.system, station, epoch, more[rows].astype(np.int64), block)
        else:
            frames = msm(base.level, o.system, station, epoch, more[rows].astype(np.int64), block)
        bits = sum(satellite_bit(o.system, s) for s in slots.tolist())
        for i, data in enumerate(frames):
            second = int(seconds[i])
            sent.append(
                Sent(
                    second + base.processing_s + jitter[start + i] + 0.004 * column,
                    data,
                    int(station[i]),
                    "observations",
                    second + base.clock_off_s,
                    bits,
                    not more[start + i],
                    base.legacy or base.level > 1,
                )
            )
    return sent


def _epoch_field(system: int, gps_sow_s: NDArray[Any]) -> NDArray[np.int64]:
    """The 30-bit epoch of each system's own time scale (RTCM 10403.3)."""
    ms = np.rint(gps_sow_s * 1000).astype(np.int64)
    if system == GLONASS:
        moscow = ms - LEAP_S * 1000 + 3 * 3_600_000
        return np.asarray((moscow // 86_400_000 % 7) << 27 | moscow % 86_400_000)
    if system == BEIDOU:
        return np.asarray((ms - 1000 * BEIDOU_BEHIND_GPS_S) % (WEEK_S * 1000))
    return np.asarray(ms % (WEEK_S * 1000))


def _station_messages(world: World, base: Base, second: int) -> list[Sent]:
    """Position, names, biases and time, each at its own interval."""
    frames: list[Sent] = []
    station = _now(base.station, base.renames, second)

    def add(data: bytes, kind: str = "other", position: NDArray[Any] | None = None) -> None:
        at = second + base.processing_s + 0.05 + 0.004 * len(frames)
        place = None if position is None else (float(position[0]), float(position[1]), float(position[2]))
        frames.append(Sent(at, data, station, kind, position_m=place))

    if base.sends_position and second % base.position_every_s == 3 % base.position_every_s:
        offset = base.typed_offset_m
        for at, changed in base.typed_changes:
            if second >= at:
                offset = changed
        typed = base.position_m + offset
        height = base.antenna_height_m if second // base.position_every_s % 2 else None
        add(encode.base_position(station, typed, height_m=height, computed=base.computed), "position", typed)
    if base.computed and second % 10 == 4:
        add(encode.physical_position(station, 7, base.position_m + np.array([4000.0, 2500.0, 900.0])))
    if base.sends_descriptors and second % 30 == 5:
        add(encode.descriptors(station, base.antenna, "1042", base.receiver, "1.20"), "biases")
    if base.sends_descriptors and second % 60 == 25:
        add(encode.antenna(station, base.antenna, "1042"))
    if base.sends_biases and GLONASS in base.systems and second % 10 == 7:
        add(encode.glonass_biases(station), "biases")
    if second % 60 == 9:
        now = world.start + dt.timedelta(seconds=second)
        mjd = (now.date() - dt.date(1858, 11, 17)).days
        add(encode.system_parameters(station, mjd, now.hour * 3600 + now.minute * 60 + now.second))
    return frames


def _ephemerides(world: World, base: Base, observed: dict[int, Observations], epochs: NDArray[np.int64]) -> list[Sent]:
    """One ephemeris every other second, in turn over the satellites that the base tracks."""
    if not base.sends_ephemerides:
        return []
    frames: list[Sent] = []
    turn: list[tuple[int, int]] = []
    made: dict[tuple[int, int, int], bytes] = {}
    for i in range(0, len(epochs), max(1, 2 // base.interval_s)):
        second = int(epochs[i])
        if not turn:
            turn = [(s, int(k)) for s, o in observed.items() for k in np.flatnonzero(o.cells[i, :, 0])]
            if not turn:
                continue
        system, slot = turn.pop(0)
        # A message stays the same for a quarter of an hour at least: worked out once.
        key = (system, slot, int((world.orbits.sow_s + second) // 900))
        if key not in made:
            made[key] = ephemeris(world.orbits, system, slot, float(second))
        at = second + base.processing_s + 0.09
        frames.append(Sent(at, made[key], _now(base.station, base.renames, second)))
    return frames
