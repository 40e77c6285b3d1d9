"""Faults as causes. Each changes one thing in the world and notes the truth; the symptoms are the receiver's business.

``mattered`` says whether the cause was large enough to be worth a finding; it is worked out from the draw, not from
what any judge of the session thinks of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from hubtack.simulate.sky import GALILEO, GPS
from hubtack.simulate.world import Base, World, place_m

Apply = Callable[[World, np.random.Generator], None]


def _window(world: World, rng: np.random.Generator, least_s: float, most_s: float) -> tuple[float, float]:
    """A stretch that leaves the first third of the session clean, and a fifth at the end where it can."""
    length = float(np.exp(rng.uniform(np.log(least_s), np.log(most_s))))
    length = min(length, world.seconds * 0.45)
    start = world.seconds * float(rng.uniform(0.30, 0.36))
    return start, start + length


def link_stalled(world: World, rng: np.random.Generator) -> None:
    """The base or the radio falls silent for a while."""
    start, end = _window(world, rng, 75.0, 150.0)
    world.channel.silent.append((start, end))
    world.cause("link_stalled", start, end, length_s=end - start, mattered=end - start > 30)


def corrupt_frames(world: World, rng: np.random.Generator) -> None:
    """A weak or disturbed radio flips bits in many frames."""
    share = float(np.exp(rng.uniform(np.log(0.15), np.log(0.8))))
    start, end = world.seconds * 0.3, float(world.seconds)
    world.channel.damaged.append((start, end, share))
    world.cause("corrupt_frames", start, None, share=share, mattered=share > 0.1)


def two_bases(world: World, rng: np.random.Generator) -> None:
    """Another site's base comes up on the same channel."""
    start = world.seconds * 0.4
    station = world.base.station % 4000 + 17
    away = rng.uniform(800.0, 6000.0)
    other = Base(station, place_m(float(away), float(away / 3), 20.0), on=(start, 1e9), level=world.base.level)
    world.others.append(other)
    world.cause("two_bases", start, None, station=station, away_m=float(away), mattered=True)


def sky_blocked(world: World, rng: np.random.Generator) -> None:
    """The machine digs itself in beside a high bank: a wide sector of the sky is gone."""
    start, end = _window(world, rng, 80.0, 160.0)
    az = float(rng.uniform(0, 360))
    width, height = float(rng.uniform(200, 300)), float(rng.uniform(55, 75))
    world.sky.blocked.append((start, end, az, az + width, height))
    world.cause("sky_blocked", start, end, azimuth_deg=az, width_deg=width, height_deg=height, mattered=True)


def heading_lost(world: World, rng: np.random.Generator) -> None:
    """The second antenna's cable comes loose."""
    start, end = _window(world, rng, 40.0, 200.0)
    world.sky.second_blocked.append((start, end))
    world.cause("heading_lost", start, end, mattered=True)


def no_bytes(world: World, rng: np.random.Generator) -> None:
    """The radio is off from the beginning."""
    world.channel.silent.append((-1.0, 1e9))
    world.cause("no_bytes", 0.0, None, mattered=True)


def wrong_protocol(world: World, rng: np.random.Generator) -> None:
    """The port carries something else."""
    world.channel.replaced_by = str(rng.choice(["rtcm2", "html", "text"]))
    world.cause("wrong_protocol", 0.0, None, protocol=world.channel.replaced_by, mattered=True)


def serial_garbage(world: World, rng: np.random.Generator) -> None:
    """The port is read at twice the speed of the radio."""
    world.channel.smeared = True
    world.cause("serial_garbage", 0.0, None, mattered=True)


def burst_loss(world: World, rng: np.random.Generator) -> None:
    """Something passes through the radio path again and again."""
    at = 10.0
    count = 0
    while at < world.seconds:
        at += float(rng.exponential(28.0)) + 6.0
        length = float(rng.uniform(3.0, 8.0))
        world.channel.lost_bursts.append((at, at + length))
        at += length
        count += 1
    world.cause("burst_loss", 0.0, None, bursts=count, mattered=count >= 6)


def periodic_loss(world: World, rng: np.random.Generator) -> None:
    """Another transmitter takes its turn on the channel."""
    every = float(rng.choice([7.0, 10.0, 12.0, 15.0, 20.0]))
    world.channel.period = (every, float(rng.choice([1.0, 2.0])))
    world.cause("periodic_loss", 0.0, None, period_s=every, mattered=True)


def late_corrections(world: World, rng: np.random.Generator) -> None:
    """A repeater with a long queue, or a modem that buffers."""
    world.channel.extra_latency_s = float(np.exp(rng.uniform(np.log(4.5), np.log(9.0))))
    world.cause("late_corrections", 0.0, None, extra_s=world.channel.extra_latency_s, mattered=True)


def link_saturated(world: World, rng: np.random.Generator) -> None:
    """MSM7 of four systems over a radio that is too slow for it."""
    world.base.level = 7
    world.channel.queue = True
    world.channel.rate_bps = float(rng.uniform(5200.0, 6500.0))
    world.cause("link_saturated", 0.0, None, rate_bps=world.channel.rate_bps, mattered=True)


def no_base_position(world: World, rng: np.random.Generator) -> None:
    """1005 and 1006 are switched off in the base."""
    world.base.sends_position = False
    world.cause("no_base_position", 0.0, None, mattered=True)


def base_moved(world: World, rng: np.random.Generator) -> None:
    """Somebody sets new coordinates in the base in the middle of the day."""
    start = world.seconds * 0.5
    off = float(np.exp(rng.uniform(np.log(0.12), np.log(5.0))))
    angle = rng.uniform(0, 2 * np.pi)
    world.base.typed_changes.append((start, np.array([off * np.cos(angle), off * np.sin(angle), 0.0])))
    world.cause("base_moved", start, None, moved_m=off, mattered=off > 0.1)


def base_misplaced(world: World, rng: np.random.Generator) -> None:
    """The base's coordinates were typed in wrong by a little."""
    off = float(np.exp(rng.uniform(np.log(0.15), np.log(60.0))))
    direction = rng.normal(0, 1, 3)
    world.base.typed_offset_m = off * direction / np.linalg.norm(direction)
    world.site_base_offset_m = np.zeros(3)
    world.cause("base_misplaced", 0.0, None, off_m=off, mattered=off > 0.1)


def wrong_base(world: World, rng: np.random.Generator) -> None:
    """The radio hears the base of another site."""
    away = float(rng.uniform(900.0, 6000.0))
    world.site_base_offset_m = place_m(away, away / 2, 5.0) - place_m(0.0, 0.0, 0.0)
    world.site_station = world.base.station % 4000 + 5
    world.cause("wrong_base", 0.0, None, away_m=away, mattered=True)


def few_common_satellites(world: World, rng: np.random.Generator) -> None:
    """The base's own sky is blocked so far that few satellites are left."""
    world.base.mask_deg = float(rng.uniform(62.0, 68.0))
    world.cause("few_common_satellites", 0.0, None, mask_deg=world.base.mask_deg, mattered=True)


def missing_system(world: World, rng: np.random.Generator) -> None:
    """The base sends GPS alone, the rover's own needs are more than that leaves."""
    world.base.systems = (GPS,)
    world.receiver.can_fix = False
    world.cause("missing_system", 0.0, None, mattered=True)


def no_glonass_bias(world: World, rng: np.random.Generator) -> None:
    """GLONASS without 1230 and without a receiver's name; this rover refuses to fix on it."""
    world.base.sends_biases = False
    world.base.sends_descriptors = False
    world.receiver.can_fix = False
    world.cause("no_glonass_bias", 0.0, None, mattered=True)


def no_phase(world: World, rng: np.random.Generator) -> None:
    """The base is set to MSM1: code only."""
    world.base.level = 1
    world.cause("no_phase", 0.0, None, mattered=True)


def base_obstructed(world: World, rng: np.random.Generator) -> None:
    """A bad cable at the base's antenna."""
    world.base.cn0_loss_db = float(rng.uniform(11.0, 15.0))
    world.cause("base_obstructed", 0.0, None, loss_db=world.base.cn0_loss_db, mattered=True)


def antenna_unknown(world: World, rng: np.random.Generator) -> None:
    """The base names the null antenna."""
    world.base.antenna = "ADVNULLANTENNA"
    world.cause("antenna_unknown", 0.0, None, mattered=True)


def station_mismatch(world: World, rng: np.random.Generator) -> None:
    """The receiver listens to another radio than the one that is read."""
    world.receiver.station_override = world.base.station % 4000 + 9
    world.cause("station_mismatch", 0.0, None, mattered=True)


def long_baseline(world: World, rng: np.random.Generator) -> None:
    """The nearest base of the network is far away."""
    away = float(rng.uniform(17_000.0, 30_000.0))
    world.base.position_m = place_m(away, 0.0, 40.0)
    world.cause("long_baseline", 0.0, None, away_m=away, mattered=True)


def no_rover(world: World, rng: np.random.Generator) -> None:
    """The cable from the receiver is pulled."""
    start, end = _window(world, rng, 15.0, 90.0)
    world.receiver.silent.append((start, end))
    world.cause("no_rover", start, end, mattered=True)


def rover_fields(world: World, rng: np.random.Generator) -> None:
    """The receiver's output is set to few decimals."""
    world.receiver.minute_decimals, world.receiver.height_decimals = 5, 1
    world.cause("rover_fields", 0.0, None, mattered=True)


def not_using_corrections(world: World, rng: np.random.Generator) -> None:
    """The receiver's correction input is set to another port."""
    world.receiver.uses_corrections = False
    world.cause("not_using_corrections", 0.0, None, mattered=True)


def stuck_float(world: World, rng: np.random.Generator) -> None:
    """The receiver's solution never settles, with everything it needs."""
    world.receiver.can_fix = False
    world.cause("stuck_float", 0.0, None, mattered=world.seconds > 180)


def few_satellites(world: World, rng: np.random.Generator) -> None:
    """All but one constellation are switched off in the receiver, and its mask is high."""
    world.receiver.systems = (GPS,)
    world.sky.mask_deg = 25.0
    world.cause("few_satellites", 0.0, None, mattered=True)


def signal_drop(world: World, rng: np.random.Generator) -> None:
    """A transmitter beside the machine is switched on."""
    start, end = _window(world, rng, 40.0, 120.0)
    drop = float(rng.uniform(9.0, 14.0))
    world.sky.noise_db.append((start, end, drop))
    world.cause("signal_drop", start, end, drop_db=drop, mattered=True)


def suspect_fix(world: World, rng: np.random.Generator) -> None:
    """The receiver fixes its integers wrongly for a while."""
    start, end = _window(world, rng, 30.0, 120.0)
    off = float(rng.uniform(0.6, 1.5))
    world.receiver.wrong_fix.append((start, end, np.array([off, -off / 2, off])))
    world.machine.spells = [(0.0, "idle")]
    world.cause("suspect_fix", start, end, off_m=off, mattered=True)


def frozen_position(world: World, rng: np.random.Generator) -> None:
    """The receiver's output keeps repeating its last position."""
    start, end = _window(world, rng, 30.0, 120.0)
    world.receiver.frozen.append((start, end))
    world.cause("frozen_position", start, end, mattered=True)


def heading_flipped(world: World, rng: np.random.Generator) -> None:
    """The two antennas' cables are swapped."""
    world.receiver.heading_offset_deg = 180.0
    world.cause("heading_flipped", 0.0, None, offset_deg=180.0, mattered=True)


def clock_mismatch(world: World, rng: np.random.Generator) -> None:
    """The receiver's clock steps by leap seconds a while after the start."""
    at = world.seconds * 0.4
    world.receiver.clock_steps.append((at, -18.0))
    world.cause("clock_mismatch", at, None, step_s=-18.0, mattered=True)


FAULTS: Mapping[str, Apply] = {
    f.__name__: f for f in (
        link_stalled, corrupt_frames, two_bases, sky_blocked, heading_lost, no_bytes, wrong_protocol, serial_garbage,
        burst_loss, periodic_loss, late_corrections, link_saturated, no_base_position, base_moved, base_misplaced,
        wrong_base, few_common_satellites, missing_system, no_glonass_bias, no_phase, base_obstructed,
        antenna_unknown, station_mismatch, long_baseline, no_rover, rover_fields, not_using_corrections, stuck_float,
        few_satellites, signal_drop, suspect_fix, frozen_position, heading_flipped, clock_mismatch,
    )
}  # fmt: skip


# Clean days that look odd ------------------------------------------------------------------------------------------


def tidy(world: World, rng: np.random.Generator) -> None:
    """Nothing is ever lost."""
    world.channel.lost_times.clear()


def untidy(world: World, rng: np.random.Generator) -> None:
    """An ordinary day: one or two lost frames an hour."""


def repeater(world: World, rng: np.random.Generator) -> None:
    """A repeater sends every frame a second time."""
    world.channel.doubled = True
    world.channel.extra_latency_s = 0.8


def reseated(world: World, rng: np.random.Generator) -> None:
    """A base that a network computes is seated anew half-way: another place, another ID."""
    world.base.computed = True
    world.base.antenna = "ADVNULLANTENNA"
    at = world.seconds * 0.5
    world.base.typed_changes.append((at, np.array([300.0, -200.0, 100.0])))
    world.base.renames.append((at, world.base.station % 4000 + 3))
    world.receiver.names_station = False


def blank_age(world: World, rng: np.random.Generator) -> None:
    """The receiver leaves the age blank while it is fixed."""
    world.receiver.gives_age = False


def two_system(world: World, rng: np.random.Generator) -> None:
    """A base of two systems under a rover of four, which fixes all day."""
    world.base.systems = (GPS, GALILEO)


def undecoded(world: World, rng: np.random.Generator) -> None:
    """Corrections in a format of the maker's own; the receiver is content with them."""
    world.channel.replaced_by = "maker"


def open_squelch(world: World, rng: np.random.Generator) -> None:
    """The channel hisses between the frames."""
    world.channel.hiss = True


def parked_indoors(world: World, rng: np.random.Generator) -> None:
    """The machine stands in a shed all day."""
    world.machine.spells = [(0.0, "idle")]
    world.sky.mask_deg = 75.0


CLEAN: Mapping[str, Apply] = {
    f.__name__: f
    for f in (tidy, untidy, repeater, reseated, blank_age, two_system, undecoded, open_squelch, parked_indoors)
}
