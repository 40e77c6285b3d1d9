"""One simulated session: world, base, channel and rover, in memory."""

from __future__ import annotations

import dataclasses
import datetime as dt
import zlib
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import enu_to_ecef_offset
from hubtack.simulate.base_stream import base_frames, views
from hubtack.simulate.channel import as_read, transmit
from hubtack.simulate.encode_legacy import LEGACY_TYPES
from hubtack.simulate.faults import CLEAN, FAULTS
from hubtack.simulate.files import Simulated, write_folder
from hubtack.simulate.motion import move
from hubtack.simulate.receiver import State, run_receiver, track
from hubtack.simulate.sky import SYSTEM_LETTERS, make_orbits
from hubtack.simulate.speak import positions, rover_log, second_enu_m, second_log
from hubtack.simulate.truth import finish_truth
from hubtack.simulate.variety import draw_variety, equip, stream_of
from hubtack.simulate.world import Channel, World, draw_world, gps_time

Progress = Callable[[float], None]  # share of the work done, 0 to 1
_PLAYED = frozenset({
    "overnight_shift", "wrong_base", "no_rover", "rover_fields", "not_using_corrections", "few_satellites", "poor_geometry",
    "suspect_fix", "frozen_position", "heading_separation", "heading_flipped", "clock_mismatch",
})  # fmt: skip

__all__ = ["Progress", "Simulated", "simulate", "write_folder"]


def simulate(
    codes: Sequence[str], clean: str, seed: int, seconds: int, rate_hz: float, *, systems: str = "",
    anywhere: bool = False, progress: Progress | None = None,
) -> Simulated:  # fmt: skip
    """A session with the named faults; the same arguments give the same bytes.

    Parameters
    ----------
    codes : sequence of str
        Names in ``FAULTS``, applied in this order.
    clean : str
        Name in ``CLEAN`` of the kind of ordinary day they happen on.
    systems : str
        Letters of the constellations that the base sends, as "GE"; all of them where it is empty.
    anywhere : bool
        Place, date and equipment are drawn too, instead of those of the usual site.
    progress : callable, optional
        Called now and then with the share of the work that is done.
    """
    rng = np.random.Generator(np.random.PCG64(seed))
    world = _draw(seed, seconds, rate_hz, rng, anywhere)
    if systems:
        world.base.systems = tuple(s for s, letter in SYSTEM_LETTERS.items() if letter in systems)
        world.base.legacy = world.base.legacy and set(world.base.systems) <= LEGACY_TYPES.keys()
    # Every cause draws from a stream of its own: faults combine in any order, and no two share their severity.
    for name, apply in [(clean, CLEAN[clean]), *((code, FAULTS[code]) for code in codes)]:
        apply(world, np.random.Generator(np.random.PCG64([seed, zlib.crc32(name.encode())])))
    if world.night is not None:
        return _two_days(world, rng, progress, anywhere)
    return _run(world, rng, progress)


def _draw(seed: int, seconds: int, rate_hz: float, rng: np.random.Generator, anywhere: bool) -> World:
    if not anywhere:
        return draw_world(seed, seconds, rate_hz, rng)
    own = stream_of(seed)
    where = draw_variety(own)
    world = draw_world(seed, seconds, rate_hz, rng, place=where.place, start=where.start)
    equip(world, own)
    return world


def _run(world: World, rng: np.random.Generator, progress: Progress | None) -> Simulated:
    """Work out everything that follows from the causes."""
    # Each part has its own stream of random numbers, so that a fault in one leaves the noise of the others alone.
    streams = [np.random.Generator(np.random.PCG64(s)) for s in rng.integers(0, 2**63, 8)]
    frames = [base_frames(world, base, streams[0], progress) for base in (world.base, *world.others)]
    if world.channel.load_share is not None:
        load_bps = 8 * sum(len(f.data) for f in frames[0]) / world.seconds
        world.channel.rate_bps = load_bps / world.channel.load_share
    on_air = transmit(frames, world.channel, streams[1], world.seconds)
    heard = as_read(on_air, world.channel, streams[2])
    # A receiver may understand what the log does not show: a maker's own format, or another radio than the one read.
    understood = on_air if world.channel.replaced_by == "maker" else heard
    if world.elsewhere is not None:
        understood = transmit(
            [base_frames(world, world.elsewhere, streams[0])], _clear(world), streams[3], world.seconds
        )
    t_s = np.round(np.arange(0, round(world.seconds * world.rate_hz)) / world.rate_hz, 3)
    motion = move(world.machine, t_s, streams[4])
    seen = views(world, world.place.point_m(*(float(v) for v in world.machine.offset_enu_m)))
    sky = track(world, seen)
    state = run_receiver(world, sky, understood)
    shift = _base_error_m(world, state)
    at = positions(world, state, t_s, motion.enu_m, shift, streams[5])
    rover = rover_log(world, t_s, motion, state, sky, at, streams[6], progress)
    second: list[tuple[float, bytes]] = []
    if world.receiver.second_stream:
        other = positions(world, state, t_s, second_enu_m(world, t_s, motion), shift, streams[7])
        second = second_log(world, t_s, state, sky, other)
    finish_truth(world, heard, sky, state)
    if progress is not None:
        progress(1.0)
    return Simulated(world, rover, heard, second)


def _clear(world: World) -> Channel:
    """A channel as good as this one was meant to be."""
    return Channel(latency_s=world.channel.latency_s, rate_bps=world.channel.rate_bps)


def _base_error_m(world: World, state: State) -> NDArray[Any]:
    """Broadcast less true position of the base in use (seconds, 3): it goes straight into the rover's position. [m]"""
    out = np.zeros((world.seconds, 3))
    t = np.arange(world.seconds)
    nearest = np.full(world.seconds, np.inf)
    known = np.isfinite(state.arp_m[:, 0])
    bases = [world.base, *world.others] + ([world.elsewhere] if world.elsewhere is not None else [])
    for base in bases:
        true = np.broadcast_to(base.position_m, out.shape).copy()
        for moved_at, enu in base.moves:
            lat, lon = np.array([world.place.lat_deg]), np.array([world.place.lon_deg])
            offset = enu_to_ecef_offset(enu[None], lat, lon)[0]
            true[t >= moved_at] = base.position_m + offset
        error = np.where(known[:, None], state.arp_m - true, 0.0)
        # The base that a position message speaks of is the one it lies nearest to.
        distance = np.sqrt((error * error).sum(axis=1))
        closer = known & (distance < nearest)
        nearest = np.where(closer, distance, nearest)
        out[closer] = error[closer]
    return out


def _two_days(world: World, rng: np.random.Generator, progress: Progress | None, anywhere: bool) -> Simulated:
    """The evening and the morning after as one log: the machine stands where it was parked."""
    assert world.night is not None
    half = world.seconds // 2
    evening, morning = (
        _draw(world.seed, half, world.rate_hz, np.random.Generator(np.random.PCG64(world.seed)), anywhere)
        for _ in range(2)
    )
    gap_s = round(world.night.length_s / 60) * 60
    morning.start = evening.start + dt.timedelta(seconds=half // 60 * 60 + gap_s)
    morning.orbits = make_orbits(*gps_time(morning.start), half, np.random.Generator(np.random.PCG64(world.seed)))
    for part, spells in (
        (evening, [(0.0, "swing"), (0.4 * half, "idle")]),
        (morning, [(0.0, "idle"), (0.6 * half, "swing")]),
    ):
        part.machine = dataclasses.replace(world.machine, spells=spells)
        part.receiver = world.receiver
    morning.base.typed_offset_m = world.night.typed_offset_m
    morning.base.moves = [(-1.0, world.night.moved_enu_m)] if world.night.moved_enu_m.any() else []
    # Of a second cause beside the night only what sits in the receiver or on the machine is played.
    morning.truth = [c for c in world.truth if c["code"] in _PLAYED and c.get("mattered") is None]
    first, second = _run(evening, rng, None), _run(morning, rng, progress)
    later = (morning.start - evening.start).total_seconds()
    for cause in world.truth:
        if cause["code"] not in _PLAYED:
            cause["mattered"] = False
        cause["start_s"], cause["end_s"] = later, None
    world.start, world.seconds = evening.start, int(later) + half
    return Simulated(
        world,
        first.rover + [(t + later, data) for t, data in second.rover],
        first.heard + [dataclasses.replace(h, t_s=h.t_s + later) for h in second.heard],
        first.second + [(t + later, data) for t, data in second.second],
    )
