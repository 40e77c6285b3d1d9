"""Faults of the machine, its receiver and its sky, as causes; see ``faults_link`` for severity and ``mattered``."""

from __future__ import annotations

import numpy as np

from hubtack.simulate.draws import direction, level_direction, log_uniform, window
from hubtack.simulate.sky import GALILEO, GLONASS, GPS
from hubtack.simulate.world import Night, World


def no_rover(world: World, rng: np.random.Generator) -> None:
    """The cable from the receiver is pulled."""
    start, end = window(world, rng, 2.0, 120.0)
    world.receiver.silent.append((start, end))
    world.cause("no_rover", start, end, length_s=round(end - start, 1), mattered=None)


def rover_fields(world: World, rng: np.random.Generator) -> None:
    """The receiver's output is set to few decimals, or to an epoch every few seconds."""
    kind = str(rng.choice(["coarse", "coarse height", "seldom"]))
    if kind == "seldom":
        world.rate_hz = 1.0 / int(rng.integers(2, 6))
    else:
        world.receiver.height_decimals = 1
        world.receiver.minute_decimals = 5 if kind == "coarse" else world.receiver.minute_decimals
    world.cause("rover_fields", 0.0, None, kind=kind, mattered=True)


def not_using_corrections(world: World, rng: np.random.Generator) -> None:
    """The receiver's correction input is set to another port."""
    world.receiver.uses_corrections = False
    world.cause("not_using_corrections", 0.0, None)


def stuck_float(world: World, rng: np.random.Generator) -> None:
    """Steel sheet piles all around reflect so much that the receiver cannot settle its integers."""
    start = 0.0 if rng.random() < 0.5 else round(world.seconds * 0.3)
    world.sky.reflections.append((start, 1e9))
    world.cause("stuck_float", float(start), None)


def few_satellites(world: World, rng: np.random.Generator) -> None:
    """Constellations are switched off in the receiver, and its elevation mask is set high."""
    world.receiver.systems = ((GPS,), (GLONASS,), (GPS, GALILEO))[int(rng.choice([0, 0, 1, 2]))]
    if not set(world.receiver.systems) <= set(world.base.systems):
        world.receiver.systems = (GPS,)
    mask = world.receiver.mask_deg = float(rng.uniform(12.0, 32.0))
    world.cause("few_satellites", 0.0, None, systems=len(world.receiver.systems), mask_deg=round(mask, 1))


def poor_geometry(world: World, rng: np.random.Generator) -> None:
    """The receiver's elevation mask is set far too high: satellites enough, and all of them overhead."""
    mask = world.receiver.mask_deg = float(rng.uniform(25.0, 52.0))
    if "GSA" not in world.receiver.order:
        world.receiver.order = (*world.receiver.order, "GSA")  # without it nothing tells how they stand
    world.cause("poor_geometry", 0.0, None, mask_deg=round(mask, 1))


def _shows_the_sky(world: World) -> None:
    """Without GSV nothing tells what became of a sky."""
    if "GSV" not in world.receiver.order:
        world.receiver.order = (*world.receiver.order, "GSV")


def sky_blocked(world: World, rng: np.random.Generator) -> None:
    """The machine digs itself in beside a high bank: a wide sector of the sky is gone."""
    start, end = window(world, rng, 60.0, 200.0)
    az = float(rng.uniform(0, 360))
    width, height = float(rng.uniform(110, 300)), float(rng.uniform(25, 75))
    world.sky.blocked.append((start, end, az, az + width, height))
    _shows_the_sky(world)
    share = width / 360.0 * float(np.sin(np.radians(height)))  # of the hemisphere's solid angle
    world.cause("sky_blocked", start, end, azimuth_deg=round(az), width_deg=round(width), height_deg=round(height),
                sky_share=round(share, 2))  # fmt: skip


def signal_drop(world: World, rng: np.random.Generator) -> None:
    """A transmitter beside the machine is switched on."""
    start, end = window(world, rng, 30.0, 150.0)
    drop = log_uniform(rng, 2.5, 16.0)
    world.sky.noise_db.append((start, end, drop))
    _shows_the_sky(world)
    world.cause("signal_drop", start, end, drop_db=round(drop, 1))


def suspect_fix(world: World, rng: np.random.Generator) -> None:
    """The receiver settles on wrong integers for a while, and the machine stands still meanwhile."""
    start, end = window(world, rng, 30.0, 120.0)
    off = log_uniform(rng, 0.03, 2.0)
    world.receiver.wrong_fix.append((start, end, off * direction(rng)))
    world.machine.spells = [(0.0, "swing"), (max(1.0, start - 40.0), "idle"), (end + 20.0, "swing")]
    world.cause("suspect_fix", start, end, off_m=round(off, 3), mattered=off > 0.15)


def frozen_position(world: World, rng: np.random.Generator) -> None:
    """The receiver's output keeps repeating its last position."""
    start, end = window(world, rng, 5.0, 150.0)
    world.receiver.frozen.append((start, end))
    world.cause("frozen_position", start, end, length_s=round(end - start, 1), mattered=None)


def heading_lost(world: World, rng: np.random.Generator) -> None:
    """The second antenna's cable comes loose."""
    start, end = window(world, rng, 4.0, 200.0)
    world.sky.second_blocked.append((start, end))
    world.cause("heading_lost", start, end, length_s=round(end - start, 1), mattered=None)


def heading_separation(world: World, rng: np.random.Generator) -> None:
    """The second antenna's bracket is bent: the pair is no longer as far apart as the site file says."""
    at = round(world.seconds * 0.35)
    off = log_uniform(rng, 0.006, 0.6) * float(rng.choice([-1.0, 1.0]))
    world.receiver.second_stream = True
    world.machine.separation_changes.append((at, world.machine.separation_m + off))
    world.cause("heading_separation", float(at), None, off_m=round(off, 4), mattered=abs(off) > 0.035)


def heading_flipped(world: World, rng: np.random.Generator) -> None:
    """The two antennas' cables are swapped, or the offset in the receiver is wrong."""
    offset = 180.0 if rng.random() < 0.6 else round(log_uniform(rng, 0.5, 120.0), 2) * float(rng.choice([-1.0, 1.0]))
    world.receiver.heading_offset_deg = offset
    if not any(kind == "swing" for start, kind in world.machine.spells if start < 0.7 * world.seconds):
        world.machine.spells = [(0.0, "idle"), (20.0, "swing")]
    world.cause("heading_flipped", 0.0, None, offset_deg=offset, mattered=abs(offset) > 3.0)


def clock_mismatch(world: World, rng: np.random.Generator) -> None:
    """The receiver loses its leap seconds after a dip in power, or its clock was never right."""
    if rng.random() < 0.5:
        at, step = round(world.seconds * 0.4), 18.0
    else:
        at, step = 0, round(log_uniform(rng, 0.4, 60.0), 1) * float(rng.choice([-1.0, 1.0]))
    world.receiver.clock_steps.append((float(at), step))
    world.cause("clock_mismatch", float(at), None, step_s=step, mattered=abs(step) > 2.5)


def overnight_shift(world: World, rng: np.random.Generator) -> None:
    """The machine stands parked overnight, and the base is set up a little elsewhere next morning."""
    off = log_uniform(rng, 0.008, 3.0)
    night = Night(length_s=float(rng.uniform(9.0, 14.0)) * 3600.0)
    how = str(rng.choice(["typed", "moved"]))
    if how == "typed":
        night.typed_offset_m = off * direction(rng)
    else:
        east, north = level_direction(rng)
        night.moved_enu_m = off * np.array([0.9 * east, 0.9 * north, 0.436])
    world.night = night
    # Coordinates typed anew are a change that the stream itself tells: whoever says so has found the cause.
    also = ["base_moved"] if how == "typed" else []
    world.cause("overnight_shift", 0.0, None, off_m=round(off, 4), how=how, also=also, mattered=off > 0.06)


ROVER_FAULTS = (
    no_rover, rover_fields, not_using_corrections, stuck_float, few_satellites, poor_geometry, sky_blocked,
    signal_drop, suspect_fix, frozen_position, heading_lost, heading_separation, heading_flipped, clock_mismatch,
    overnight_shift,
)  # fmt: skip
