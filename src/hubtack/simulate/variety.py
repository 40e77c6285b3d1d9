"""Another site altogether: anywhere on the globe, on any date, with other equipment; drawn from the session's seed.

The usual session stands on one invented flood bank in one week. What is drawn here is what a judge of sessions must not
depend on: place, date with its awkward hours, constellations, form of the messages, the receiver's choice of sentences.
"""

from __future__ import annotations

import datetime as dt
import zlib
from dataclasses import dataclass

import numpy as np

from hubtack.simulate.draws import log_uniform
from hubtack.simulate.sky import BEIDOU, GALILEO, GLONASS, GPS
from hubtack.simulate.world import ALL_SYSTEMS, Place, World

# Moments that have broken programs: the ends of a year, of leap and common Februaries, of GPS weeks (one of them of the
# week number's 1024 weeks, 2019-04-07), of a four-year interval of GLONASS.
_AWKWARD = (
    dt.datetime(2019, 4, 7), dt.datetime(2020, 2, 29), dt.datetime(2020, 3, 1), dt.datetime(2024, 1, 1),
    dt.datetime(2024, 2, 29), dt.datetime(2024, 3, 1), dt.datetime(2025, 3, 1), dt.datetime(2026, 1, 1),
    dt.datetime(2026, 8, 9), dt.datetime(2027, 10, 31), dt.datetime(2028, 1, 1), dt.datetime(2028, 2, 29),
)  # fmt: skip
_PAIRS = ((GPS, GLONASS, GALILEO), (GPS, GALILEO, BEIDOU), (GPS, GALILEO), (GPS, GLONASS))


@dataclass(frozen=True, slots=True)
class Variety:
    """A place and a time (UTC, whole minutes)."""

    place: Place
    start: dt.datetime


def stream_of(seed: int) -> np.random.Generator:
    """The random numbers of this module, apart from all others of the session."""
    return np.random.Generator(np.random.PCG64([seed, zlib.crc32(b"variety")]))


def draw_variety(rng: np.random.Generator) -> Variety:
    """Any inhabited latitude, any longitude, up to 2500 m high, in any year of the present leap second."""
    place = Place(
        lat_deg=round(float(rng.uniform(-56.0, 71.0)), 4),
        lon_deg=round(float(rng.uniform(-180.0, 180.0)), 4),
        h_ellipsoid_m=round(float(rng.uniform(0.0, 50.0)) * float(rng.choice([1.0, 1.0, 8.0, 50.0])), 1),
        geoid_separation_m=round(float(rng.uniform(-60.0, 65.0)), 1),
    )
    if rng.random() < 0.25:
        return Variety(
            place, _AWKWARD[int(rng.integers(len(_AWKWARD)))] - dt.timedelta(minutes=int(rng.integers(1, 4)))
        )
    start = dt.datetime(2018, 1, 1) + dt.timedelta(minutes=int(rng.integers(0, 14 * 365 * 1440)))
    return Variety(place, start)


def equip(world: World, rng: np.random.Generator) -> None:
    """Other equipment at both ends, and another way of working."""
    base, receiver, machine = world.base, world.receiver, world.machine
    systems = ALL_SYSTEMS if rng.random() < 0.5 else _PAIRS[int(rng.integers(len(_PAIRS)))]
    base.level = int(rng.choice([4, 5, 7], p=[0.6, 0.15, 0.25]))
    if rng.random() < 0.15:  # an older base speaks of GPS and GLONASS only, and so does the receiver beside it
        base.legacy, systems = True, (GPS, GLONASS)
    base.systems = receiver.systems = systems
    base.bands = 2 if base.legacy else base.bands
    base.interval_s = int(rng.choice([1, 2], p=[0.85, 0.15]))
    # A radio is chosen for the load that is put on it.
    world.channel.rate_bps = 9_600.0 if base.level == 4 and base.bands == 2 and rng.random() < 0.5 else 19_200.0
    away_m, turn = log_uniform(rng, 60.0, 11_000.0), float(rng.uniform(0, 2 * np.pi))
    machine.offset_enu_m = np.array([away_m * np.sin(turn), away_m * np.cos(turn), float(rng.uniform(-15.0, 15.0))])
    machine.swing_radius_m = round(float(rng.uniform(0.7, 2.4)), 2)
    machine.separation_m = round(float(rng.uniform(1.1, 2.6)), 2)
    habit = float(rng.random())
    if habit < 0.15:
        machine.spells = [
            (at, "idle" if kind == "swing" and i % 3 else kind) for i, (at, kind) in enumerate(machine.spells)
        ]
    elif habit < 0.3:
        machine.spells = [
            (at, "track" if kind == "idle" and i else kind) for i, (at, kind) in enumerate(machine.spells)
        ]
    dropped = {kind for kind, share in (("GST", 0.1), ("RMC", 0.2), ("VTG", 0.3), ("ZDA", 0.3)) if rng.random() < share}
    dropped |= {str(rng.choice(["GSA", "GSV"]))} if rng.random() < 0.15 else set()
    receiver.order = tuple(kind for kind in receiver.order if kind not in dropped)
