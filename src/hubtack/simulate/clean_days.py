"""Ordinary days, some of which look odd: nothing in them deserves a finding at stop level."""

from __future__ import annotations

import dataclasses

import numpy as np

from hubtack.simulate.draws import log_uniform
from hubtack.simulate.sky import GALILEO, GPS
from hubtack.simulate.world import ALL_SYSTEMS, World


def tidy(world: World, rng: np.random.Generator) -> None:
    """Nothing is ever lost."""
    world.channel.lost_times.clear()


def untidy(world: World, rng: np.random.Generator) -> None:
    """An ordinary day: one or two lost frames an hour."""


def repeater(world: World, rng: np.random.Generator) -> None:
    """A repeater sends every frame a second time."""
    world.channel.doubled = True
    world.channel.extra_latency_s = float(rng.uniform(0.3, 1.0))


def reseated(world: World, rng: np.random.Generator) -> None:
    """A base that a network computes is seated anew half-way: another place, another ID."""
    at = round(world.seconds * 0.5)
    east, north = (float(v) for v in world.machine.offset_enu_m[:2])
    base = world.base
    base.computed, base.antenna = True, "ADVNULLANTENNA"
    base.position_m = world.place.point_m(0.93 * east, 0.93 * north, 3.1)
    base.on = (0.0, float(at))
    anew = dataclasses.replace(
        base,
        station=base.station % 4000 + 3,
        position_m=world.place.point_m(1.05 * east, 0.98 * north, 5.0),
        on=(float(at), 1e9),
    )
    world.others.append(anew)
    world.receiver.follows_any_base = True


def blank_age(world: World, rng: np.random.Generator) -> None:
    """The receiver leaves the age blank while it is fixed."""
    world.receiver.gives_age = False


def two_system(world: World, rng: np.random.Generator) -> None:
    """A base of two systems under a rover of four, which fixes all day."""
    world.base.systems, world.base.legacy = (GPS, GALILEO), False
    world.receiver.systems = ALL_SYSTEMS


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


def wrong_computer_clock(world: World, rng: np.random.Generator) -> None:
    """The clock of the computer that records is minutes off; it shows only where arrivals are written down."""
    world.computer_clock_off_s = log_uniform(rng, 2.0, 600.0) * float(rng.choice([-1.0, 1.0]))


def two_streams(world: World, rng: np.random.Generator) -> None:
    """The two antennas give two position streams, and no heading sentence."""
    world.receiver.second_stream, world.receiver.sends_heading = True, False


CLEAN_DAYS = (
    tidy, untidy, repeater, reseated, blank_age, two_system, undecoded, open_squelch, parked_indoors, two_streams,
    wrong_computer_clock,
)  # fmt: skip
