"""Faults of the base and of the way from it, as causes; the symptoms are the receiver's business.

Severity runs from below what matters to far above it. ``mattered`` says whether the cause was large enough to be worth
a finding: from the draw where that tells, else left open for ``truth`` to work out.
"""

from __future__ import annotations

import numpy as np

from hubtack.simulate.draws import direction, level_direction, log_uniform, window
from hubtack.simulate.sky import GLONASS, GPS
from hubtack.simulate.world import Base, World


def link_stalled(world: World, rng: np.random.Generator) -> None:
    """The base or the radio falls silent for a while."""
    start, end = window(world, rng, 6.0, 240.0)
    world.channel.silent.append((start, end))
    world.cause("link_stalled", start, end, length_s=round(end - start, 1), mattered=None)


def corrupt_frames(world: World, rng: np.random.Generator) -> None:
    """A weak or disturbed radio flips bits; long frames suffer most."""
    share = log_uniform(rng, 0.02, 0.85)
    errors = -np.log(1.0 - share) / (8 * 260)
    start = round(world.seconds * 0.3, 1)
    world.channel.damaged.append((start, 1e9, float(errors)))
    world.cause("corrupt_frames", start, None, bit_error_rate=float(errors))


def two_bases(world: World, rng: np.random.Generator) -> None:
    """Another site's base comes up on the same channel, or takes the first one's place."""
    start = round(world.seconds * 0.4, 1)
    mode = str(rng.choice(["beside", "beside", "same number", "instead"]))
    station = world.base.station if mode == "same number" else world.base.station % 4000 + 17
    away = log_uniform(rng, 600.0, 9000.0)
    east, north = level_direction(rng)
    other = Base(
        station, world.place.point_m(away * east, away * north, 20.0), on=(start, 1e9), level=world.base.level,
        legacy=world.base.legacy, systems=world.base.systems, interval_s=world.base.interval_s,
        processing_s=world.base.processing_s + float(rng.uniform(0.2, 0.5)),
    )  # fmt: skip
    if mode == "instead":
        world.base.on = (0.0, start)
    world.others.append(other)
    world.cause("two_bases", start, None, station=station, away_m=round(away), mode=mode, mattered=True)


def no_bytes(world: World, rng: np.random.Generator) -> None:
    """The radio is off from the beginning."""
    world.channel.silent.append((-1.0, 1e9))
    world.cause("no_bytes", 0.0, None, mattered=True)


def wrong_protocol(world: World, rng: np.random.Generator) -> None:
    """The port carries something else, which the receiver does not understand either."""
    world.channel.replaced_by = str(rng.choice(["rtcm2", "html", "text", "binary"]))
    world.cause("wrong_protocol", 0.0, None, protocol=world.channel.replaced_by, mattered=True)


def serial_garbage(world: World, rng: np.random.Generator) -> None:
    """The port is read at twice the speed of the radio."""
    world.channel.smeared = True
    world.cause("serial_garbage", 0.0, None, mattered=True)


def burst_loss(world: World, rng: np.random.Generator) -> None:
    """Something passes through the radio path again and again."""
    every, at, count, lost = log_uniform(rng, 18.0, 120.0), 10.0, 0, 0.0
    while at < world.seconds:
        at += float(rng.exponential(every)) + 4.0
        length = float(rng.uniform(3.0, 9.0))
        world.channel.lost_bursts.append((at, at + length))
        at += length
        count, lost = count + (at < world.seconds), lost + length
    share = round(lost / world.seconds, 3)
    world.cause("burst_loss", 0.0, None, bursts=count, lost_share=share)


def periodic_loss(world: World, rng: np.random.Generator) -> None:
    """Another transmitter takes its turn on the channel."""
    every, length = float(rng.choice([5.0, 7.0, 10.0, 12.0, 15.0, 20.0, 30.0])), float(rng.choice([1.0, 2.0]))
    world.channel.period = (every, length)
    world.cause("periodic_loss", 0.0, None, period_s=every, for_s=length, mattered=world.seconds / every >= 10)


def late_corrections(world: World, rng: np.random.Generator) -> None:
    """A repeater with a long queue, or a modem that buffers."""
    extra = log_uniform(rng, 1.0, 20.0)
    world.channel.extra_latency_s = extra
    world.cause("late_corrections", 0.0, None, extra_s=round(extra, 2), mattered=extra > 3.2)


def link_saturated(world: World, rng: np.random.Generator) -> None:
    """The base is set to send more than the radio carries over the air."""
    share = log_uniform(rng, 0.85, 1.8)
    world.base.legacy, world.base.level, world.base.bands = False, 7, max(2, world.base.bands)
    world.channel.load_share = share
    world.channel.buffer_s = float(rng.uniform(15.0, 60.0))
    world.cause("link_saturated", 0.0, None, load_share=round(share, 3))


def no_base_position(world: World, rng: np.random.Generator) -> None:
    """1005 and 1006 are switched off in the base, or sent very seldom."""
    if rng.random() < 0.7:
        world.base.sends_position = False
        world.cause("no_base_position", 0.0, None, mattered=True)
        return
    every = int(log_uniform(rng, 40.0, 300.0))
    world.base.position_every_s = every
    # Too seldom can be seen only where two of them could have come.
    world.cause("no_base_position", 0.0, None, every_s=every, mattered=every > 70 and world.seconds > 1.2 * every)


def base_moved(world: World, rng: np.random.Generator) -> None:
    """Somebody sets new coordinates in the base in the middle of the day."""
    start = round(world.seconds * 0.5)
    off = log_uniform(rng, 0.01, 20.0)
    world.base.typed_changes.append((start, off * direction(rng)))
    world.cause("base_moved", float(start), None, moved_m=round(off, 4), mattered=None)


def base_disturbed(world: World, rng: np.random.Generator) -> None:
    """The base's mast is knocked: the antenna moves, its broadcast position does not."""
    start = round(world.seconds * 0.5)
    off = log_uniform(rng, 0.004, 0.6)
    moved = off * direction(rng)
    world.base.moves.append((start, moved))
    # In height the tolerance of a base's place (site.base.tolerance_m): phases ten seconds apart, good to 3 mm at the
    # zenith (satellite clocks and air; common practice), give the height of one antenna to 8 mm and better in plan only.
    plan_m, up_m = float(np.hypot(moved[0], moved[1])), abs(float(moved[2]))
    world.cause("base_disturbed", float(start), None, moved_m=round(off, 4), up_m=round(up_m, 4),
                mattered=plan_m > 0.03 or up_m > 0.05)  # fmt: skip


def base_misplaced(world: World, rng: np.random.Generator) -> None:
    """The base's coordinates were typed in wrong."""
    off = log_uniform(rng, 0.01, 80.0)
    world.base.typed_offset_m = off * direction(rng)
    world.cause("base_misplaced", 0.0, None, off_m=round(off, 4), mattered=off > 0.05)  # site.base.tolerance_m


def wrong_base(world: World, rng: np.random.Generator) -> None:
    """The radio hears the base of another site: its own sheet names another station at another place."""
    away = log_uniform(rng, 150.0, 12_000.0)
    east, north = level_direction(rng)
    world.site_base_offset_m = world.place.point_m(away * east, away * north, 5.0) - world.place.point_m(0.0, 0.0, 0.0)
    world.site_station = world.base.station % 4000 + 5
    world.cause("wrong_base", 0.0, None, away_m=round(away), mattered=True)


def few_common_satellites(world: World, rng: np.random.Generator) -> None:
    """The base was set up where the sky is shut in all around."""
    world.base.mask_deg = float(rng.uniform(50.0, 72.0))
    world.cause("few_common_satellites", 0.0, None, base_mask_deg=round(world.base.mask_deg, 1))


def missing_system(world: World, rng: np.random.Generator) -> None:
    """The base sends GPS, and GLONASS at most; the machine works beside trees and needs more than that leaves."""
    world.base.systems = (GPS,) if rng.random() < 0.7 else (GPS, GLONASS)
    world.sky.mask_deg = float(rng.uniform(10.0, 28.0))
    sent = len(world.base.systems)
    world.cause("missing_system", 0.0, None, systems_sent=sent, machine_mask_deg=round(world.sky.mask_deg, 1))


def no_glonass_bias(world: World, rng: np.random.Generator) -> None:
    """GLONASS without 1230 and without a receiver's name; this rover needs one of them."""
    world.base.sends_biases = world.base.sends_descriptors = False
    # An older pair, both of two systems, leans on GLONASS the most.
    if rng.random() < 0.5 or GLONASS not in world.base.systems:
        world.base.systems = world.receiver.systems = (GPS, GLONASS)
    world.receiver.needs_glonass_biases = str(rng.choice(["refuses", "fails"]))
    world.cause("no_glonass_bias", 0.0, None, receiver=world.receiver.needs_glonass_biases)


def no_phase(world: World, rng: np.random.Generator) -> None:
    """The base is set to MSM1: code only."""
    world.base.legacy, world.base.level = False, 1
    world.cause("no_phase", 0.0, None, mattered=True)


def base_obstructed(world: World, rng: np.random.Generator) -> None:
    """A bad cable at the base's antenna, or a wall beside it."""
    if rng.random() < 0.6:
        loss = log_uniform(rng, 2.5, 16.0)
        world.base.cn0_loss_db = loss
        world.cause("base_obstructed", 0.0, None, loss_db=round(loss, 1), mattered=loss > 8)
        return
    az, width, height = float(rng.uniform(0, 360)), float(rng.uniform(80, 260)), float(rng.uniform(25, 70))
    world.base.blocked.append((0.0, 1e9, az, az + width, height))
    # Share of the upper hemisphere's solid angle that is gone.
    share = width / 360.0 * float(np.sin(np.radians(height)))
    world.cause("base_obstructed", 0.0, None, azimuth_deg=round(az), width_deg=round(width), height_deg=round(height),
                sky_share=round(share, 2), mattered=share > 0.4)  # fmt: skip


def base_clock(world: World, rng: np.random.Generator) -> None:
    """The base dates its observations wrongly: leap seconds, or a clock that was never set."""
    off = 18.0 if rng.random() < 0.4 else round(log_uniform(rng, 0.3, 60.0), 1)
    off *= float(rng.choice([-1.0, 1.0]))
    world.base.clock_off_s = off
    world.cause("base_clock", 0.0, None, off_s=off, mattered=abs(off) > 2.5)


def antenna_unknown(world: World, rng: np.random.Generator) -> None:
    """The base names the null antenna, or none at all."""
    if rng.random() < 0.5:
        world.base.antenna = "ADVNULLANTENNA"
    else:
        world.base.sends_descriptors = False
    world.cause("antenna_unknown", 0.0, None, mattered=world.seconds > 130)


def station_mismatch(world: World, rng: np.random.Generator) -> None:
    """The receiver listens to another radio than the one that is read."""
    east, north = level_direction(rng)
    away = log_uniform(rng, 300.0, 5000.0)
    station = world.base.station % 4000 + 9
    world.elsewhere = Base(station, world.place.point_m(away * east, away * north, 9.0))
    world.cause("station_mismatch", 0.0, None, station=station, mattered=True)


def long_baseline(world: World, rng: np.random.Generator) -> None:
    """The nearest base is far away."""
    away = log_uniform(rng, 6_000.0, 60_000.0)
    east, north = level_direction(rng)
    world.base.position_m = world.place.point_m(away * east, away * north, 40.0)
    offset_m = world.machine.offset_enu_m
    baseline_m = float(np.hypot(away * east - offset_m[0], away * north - offset_m[1]))
    world.cause("long_baseline", 0.0, None, away_m=round(baseline_m), mattered=baseline_m > 16_000.0)


LINK_FAULTS = (
    no_bytes, wrong_protocol, serial_garbage, corrupt_frames, link_stalled, burst_loss, periodic_loss, link_saturated,
    late_corrections, two_bases, no_base_position, wrong_base, base_moved, base_disturbed, base_misplaced,
    few_common_satellites, missing_system, no_glonass_bias, no_phase, base_obstructed, base_clock, station_mismatch,
    long_baseline, antenna_unknown,
)  # fmt: skip
