"""The causes of a session: a base, a channel, a sky, a receiver and a machine, drawn from a seed before faults act.

Nothing in here is a symptom. A fault changes one of these values; what the rover then says is worked out by the
receiver model. Ranges are wide and are not the engine's limits.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import enu_to_ecef_offset, geodetic_to_ecef
from hubtack.simulate.sky import BEIDOU, GALILEO, GLONASS, GPS, LEAP_S, WEEK_S, Orbits, make_orbits

# The invented job: a flood bank rebuilt along a river that does not exist.
SITE_NAME, MACHINE_NAME, RIVER_REACH = "Aldermere Bank", "Digger 7", "Reach 3"
ALL_SYSTEMS = (GPS, GLONASS, GALILEO, BEIDOU)
GPS_EPOCH = dt.datetime(1980, 1, 6)


@dataclass(frozen=True, slots=True)
class Place:
    """Where the site lies: its origin on the ellipsoid, the geoid below or above that, and its map grid."""

    lat_deg: float
    lon_deg: float
    h_ellipsoid_m: float
    geoid_separation_m: float

    @property
    def crs(self) -> str:
        """The UTM zone of the place, zones of six degrees throughout."""
        zone = min(60, int((self.lon_deg + 180.0) // 6.0) + 1)
        return f"EPSG:{(32600 if self.lat_deg >= 0 else 32700) + zone}"

    def point_m(self, east_m: float, north_m: float, up_m: float) -> NDArray[Any]:
        """Earth-centred position of a point given from the origin. [m]"""
        lat, lon = np.array([self.lat_deg]), np.array([self.lon_deg])
        origin = geodetic_to_ecef(lat, lon, np.array([self.h_ellipsoid_m]))
        return np.asarray((origin + enu_to_ecef_offset(np.array([[east_m, north_m, up_m]]), lat, lon))[0])


USUAL_PLACE = Place(-45.0312, 170.0124, 12.6, 4.2)  # the invented site, in UTM zone 59 south

Window = tuple[float, float]
Sector = tuple[float, float, float, float, float]  # from [s], to [s], azimuth from, azimuth to, below elevation [deg]


@dataclass(slots=True)
class Base:
    """A base station: where its antenna is, what it believes and sends.

    ``typed_offset_m`` is what its broadcast position is off from where it stands (Earth-centred), ``typed_changes``
    later values of it; ``moves`` are movements of the antenna itself (east, north, up).
    """

    station: int
    position_m: NDArray[Any]
    typed_offset_m: NDArray[Any] = field(default_factory=lambda: np.zeros(3))
    typed_changes: list[tuple[float, NDArray[Any]]] = field(default_factory=list)
    moves: list[tuple[float, NDArray[Any]]] = field(default_factory=list)
    systems: tuple[int, ...] = ALL_SYSTEMS
    level: int = 4
    bands: int = 2
    legacy: bool = False  # 1004 and 1012 instead of MSM
    interval_s: int = 1
    mask_deg: float = 10.0
    blocked: list[Sector] = field(default_factory=list)
    cn0_loss_db: float = 0.0
    iono_zenith_m: float = 3.0
    antenna: str = "HUBTEST-G2      NONE"
    receiver: str = "HUBTEST RX"
    antenna_height_m: float = 0.0
    sends_position: bool = True
    position_every_s: int = 10
    sends_descriptors: bool = True
    sends_biases: bool = True
    sends_ephemerides: bool = True
    computed: bool = False
    clock_off_s: float = 0.0
    processing_s: float = 0.12
    on: Window = (0.0, 1e9)
    renames: list[tuple[float, int]] = field(default_factory=list)


@dataclass(slots=True)
class Channel:
    """What happens to frames between base and machine. Frames wait their turn at ``rate_bps``."""

    latency_s: float = 0.4
    rate_bps: float = 19_200.0
    buffer_s: float = 30.0
    load_share: float | None = None  # sets the rate: what the base sends over what the channel carries
    silent: list[Window] = field(default_factory=list)
    damaged: list[tuple[float, float, float]] = field(default_factory=list)  # from, to, bit error rate
    lost_times: list[float] = field(default_factory=list)
    lost_bursts: list[Window] = field(default_factory=list)
    period: tuple[float, float] | None = None  # every, for
    extra_latency_s: float = 0.0
    doubled: bool = False
    replaced_by: str | None = None  # the bytes are another protocol's
    smeared: bool = False  # read at a wrong serial speed
    hiss: bool = False


@dataclass(slots=True)
class Sky:
    """What stands between the machine's antennas and the satellites, and what disturbs them."""

    mask_deg: float = 4.0  # the horizon all around
    blocked: list[Sector] = field(default_factory=list)
    noise_db: list[tuple[float, float, float]] = field(default_factory=list)  # from, to, drop
    reflections: list[Window] = field(default_factory=list)  # so strong that no integers can be settled
    second_blocked: list[Window] = field(default_factory=list)


@dataclass(slots=True)
class Receiver:
    """The rover's habits: how long it keeps a fix without corrections, how long it takes to fix, what it says."""

    keeps_fix_s: float = 30.0
    keeps_float_s: float = 60.0
    fix_time_s: float = 12.0
    first_fix_s: float = 8.0
    systems: tuple[int, ...] = ALL_SYSTEMS
    mask_deg: float = 10.0  # tracked below this, and not used
    uses_corrections: bool = True
    needs_glonass_biases: str = "no"  # "no", "refuses" GLONASS without them, or "fails" to fix at all
    follows_any_base: bool = True  # takes whatever station speaks, else the first it heard
    names_station: bool = True
    gives_age: bool = True
    height_decimals: int = 3
    minute_decimals: int = 8
    sends_gst: bool = True
    sends_heading: bool = True
    heading_kind: str = "HDT"
    heading_offset_deg: float = 0.0
    position_kind: str = "GGA"  # "GGA", "GNS" or "both"
    order: tuple[str, ...] = ("position", "GST", "heading", "RMC", "VTG", "GSA", "GSV", "ZDA")
    gsv_every_s: int = 5
    second_stream: bool = False
    silent: list[Window] = field(default_factory=list)
    frozen: list[Window] = field(default_factory=list)
    wrong_fix: list[tuple[float, float, NDArray[Any]]] = field(default_factory=list)  # from, to, offset east, north, up
    clock_steps: list[tuple[float, float]] = field(default_factory=list)
    lateness_s: float = 0.05
    gst_late: bool = False
    zda_offset_s: float = 0.0
    sigma_h_m: float = 0.008
    sigma_v_m: float = 0.015
    candour: float = 1.0  # stated sigma over the true one


@dataclass(slots=True)
class Machine:
    """What the machine does: spells of (start, kind), the swing circle of its antenna, and where it stands."""

    spells: list[tuple[float, str]] = field(default_factory=list)
    swing_radius_m: float = 1.6
    separation_m: float = 1.80
    separation_changes: list[tuple[float, float]] = field(default_factory=list)
    offset_enu_m: NDArray[Any] = field(default_factory=lambda: np.zeros(3))
    heading_deg: float = 0.0


@dataclass(slots=True)
class Night:
    """What happens to the base between two days: set up on other coordinates, or its antenna moved."""

    length_s: float
    typed_offset_m: NDArray[Any] = field(default_factory=lambda: np.zeros(3))
    moved_enu_m: NDArray[Any] = field(default_factory=lambda: np.zeros(3))


@dataclass(slots=True)
class World:
    """Everything that causes a session."""

    seed: int
    seconds: int
    rate_hz: float
    start: dt.datetime
    orbits: Orbits
    base: Base
    channel: Channel
    sky: Sky
    receiver: Receiver
    machine: Machine
    place: Place = USUAL_PLACE
    others: list[Base] = field(default_factory=list)
    elsewhere: Base | None = None  # the base that the receiver really listens to, where that is not the one logged
    night: Night | None = None
    computer_clock_off_s: float = 0.0  # of the computer that writes arrivals down
    truth: list[dict[str, Any]] = field(default_factory=list)
    site_base_offset_m: NDArray[Any] = field(default_factory=lambda: np.zeros(3))
    site_station: int | None = None

    @property
    def base_m(self) -> NDArray[Any]:
        """Where the base's ARP was set up."""
        return self.base.position_m

    def cause(self, code: str, start_s: float, end_s: float | None, **figures: Any) -> None:
        """Note what was done, for the truth beside the session."""
        self.truth.append({"code": code, "start_s": start_s, "end_s": end_s, **figures})


def gps_time(start: dt.datetime) -> tuple[int, float]:
    """GPS week and second of it at a UTC moment."""
    gps_s = (start - GPS_EPOCH).total_seconds() + LEAP_S
    return int(gps_s // WEEK_S), float(gps_s % WEEK_S)


def draw_world(
    seed: int, seconds: int, rate_hz: float, rng: np.random.Generator, *,
    place: Place = USUAL_PLACE, start: dt.datetime | None = None,
) -> World:  # fmt: skip
    """A clean world: everything works, within the variety of ordinary sites.

    ``start`` None is an afternoon of the job's first days (UTC).
    """
    usual = dt.datetime(2026, 11, 2, 20, 0, 0)
    usual += dt.timedelta(days=int(rng.integers(0, 4)), minutes=int(rng.integers(0, 300)))
    start = start or usual
    orbits = make_orbits(*gps_time(start), seconds, rng)
    base = Base(
        station=int(rng.integers(1, 4000)),
        position_m=place.point_m(0.0, 0.0, 3.1),
        level=4 if rng.random() < 0.7 else 7,
        bands=2 if rng.random() < 0.8 else 3,
        iono_zenith_m=float(rng.uniform(1.5, 7.0)),
        position_every_s=int(rng.choice([5, 10, 10, 15])),
    )
    distance_m, bearing = float(rng.uniform(150.0, 2500.0)), float(rng.uniform(0.0, 2 * np.pi))
    east, north = distance_m * np.sin(bearing), distance_m * np.cos(bearing)
    machine = Machine(
        offset_enu_m=np.array([east, north, float(rng.uniform(-2.0, 1.0))]), heading_deg=float(rng.uniform(0.0, 360.0))
    )
    machine.spells = draw_spells(seconds, rng)
    channel = Channel(latency_s=float(rng.uniform(0.05, 0.5)), buffer_s=float(rng.uniform(8.0, 40.0)))
    # A radio is chosen for the load that is put on it.
    channel.rate_bps = 19_200.0 if base.level == 7 or base.bands > 2 or rng.random() < 0.5 else 9_600.0
    # Ordinary untidiness: one or two lost frames an hour.
    channel.lost_times = [float(t) for t in rng.uniform(0, seconds, rng.poisson(1.5 * seconds / 3600))]
    receiver = _draw_receiver(rng)
    return World(
        seed,
        seconds,
        rate_hz,
        start,
        orbits,
        base,
        channel,
        Sky(),
        receiver,
        machine,
        place=place,
        site_station=base.station,
    )


def draw_spells(seconds: float, rng: np.random.Generator) -> list[tuple[float, str]]:
    """A working day in spells of half a minute to a minute and a half; digging is most of it."""
    spells, at, kind = [], 0.0, "idle"
    while at < seconds:
        spells.append((at, kind))
        at += float(rng.uniform(20.0, 90.0))
        kind = "swing" if kind == "idle" else str(rng.choice(["idle", "swing", "swing", "track"]))
    return spells


def _draw_receiver(rng: np.random.Generator) -> Receiver:
    keeps = float(rng.uniform(12.0, 60.0))
    order = ["position", "GST", "heading", "RMC", "VTG", "GSA", "GSV", "ZDA"]
    if rng.random() < 0.5:  # the position leads with most receivers, and the rest in any order
        rest = order[1:]
        rng.shuffle(rest)
        order = ["position", *rest]
    return Receiver(
        keeps_fix_s=keeps,
        keeps_float_s=float(rng.uniform(15.0, 90.0)),
        fix_time_s=float(rng.uniform(5.0, 30.0)),
        first_fix_s=float(rng.uniform(3.0, 12.0)),
        mask_deg=float(rng.choice([8.0, 10.0, 10.0, 12.0])),
        needs_glonass_biases=str(rng.choice(["no", "refuses", "fails"])),
        follows_any_base=bool(rng.random() < 0.5),
        heading_kind="HDT" if rng.random() < 0.8 else "THS",
        position_kind=str(rng.choice(["GGA", "both", "GNS"], p=[0.88, 0.08, 0.04])),
        order=tuple(order),
        gsv_every_s=int(rng.choice([1, 2, 5, 5])),
        lateness_s=float(rng.uniform(0.02, 0.15)),
        gst_late=bool(rng.random() < 0.2),
        zda_offset_s=float(rng.choice([0.0, 0.0, 0.1, -0.3])),
        sigma_h_m=float(rng.uniform(0.006, 0.010)),
        sigma_v_m=float(rng.uniform(0.011, 0.017)),
        candour=float(rng.uniform(0.85, 1.15)),
    )
