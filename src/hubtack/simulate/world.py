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
from hubtack.simulate.sky import BEIDOU, GALILEO, GLONASS, GPS

# The invented job: a flood bank rebuilt along a river that does not exist.
SITE_NAME, MACHINE_NAME, RIVER_REACH = "Aldermere Bank", "Digger 7", "Reach 3"
SITE_LAT_DEG, SITE_LON_DEG, SITE_H_ELLIPSOID_M, GEOID_SEPARATION_M = -45.0312, 170.0124, 12.6, 4.2
CRS = "EPSG:32759"  # UTM zone 59 south: 168 to 174 degrees east
ALL_SYSTEMS = (GPS, GLONASS, GALILEO, BEIDOU)

Window = tuple[float, float]


@dataclass(slots=True)
class Base:
    """A base station: where its antenna is, what it believes and sends."""

    station: int
    position_m: NDArray[Any]
    typed_offset_m: NDArray[Any] = field(default_factory=lambda: np.zeros(3))
    typed_changes: list[tuple[float, NDArray[Any]]] = field(default_factory=list)
    moves: list[tuple[float, NDArray[Any]]] = field(default_factory=list)
    systems: tuple[int, ...] = ALL_SYSTEMS
    level: int = 4
    interval_s: int = 1
    mask_deg: float = 10.0
    cn0_loss_db: float = 0.0
    antenna: str = "HUBTEST-G2      NONE"
    sends_position: bool = True
    sends_descriptors: bool = True
    sends_biases: bool = True
    computed: bool = False
    clock_off_s: float = 0.0
    on: Window = (0.0, 1e9)
    renames: list[tuple[float, int]] = field(default_factory=list)


@dataclass(slots=True)
class Channel:
    """What happens to frames between base and machine."""

    latency_s: float = 0.4
    rate_bps: float = 19_200.0
    silent: list[Window] = field(default_factory=list)
    damaged: list[tuple[float, float, float]] = field(default_factory=list)  # from, to, share of frames
    lost_times: list[float] = field(default_factory=list)
    lost_bursts: list[Window] = field(default_factory=list)
    period: tuple[float, float] | None = None  # every, for
    extra_latency_s: float = 0.0
    queue: bool = False  # frames wait their turn at ``rate_bps``
    doubled: bool = False
    replaced_by: str | None = None  # the bytes are another protocol's
    smeared: bool = False  # read at a wrong serial speed
    hiss: bool = False


@dataclass(slots=True)
class Sky:
    """What stands between the machine's antennas and the satellites."""

    mask_deg: float = 10.0
    blocked: list[tuple[float, float, float, float, float]] = field(default_factory=list)  # from, to, az, az, below el
    noise_db: list[tuple[float, float, float]] = field(default_factory=list)  # from, to, drop
    second_blocked: list[Window] = field(default_factory=list)


@dataclass(slots=True)
class Receiver:
    """The rover's habits: how long it keeps a fix without corrections, how long it takes to fix, what it says."""

    keeps_fix_s: float = 30.0
    keeps_float_s: float = 60.0
    fix_time_s: float = 12.0
    first_fix_s: float = 8.0
    systems: tuple[int, ...] = ALL_SYSTEMS
    uses_corrections: bool = True
    can_fix: bool = True
    names_station: bool = True
    station_override: int | None = None
    gives_age: bool = True
    height_decimals: int = 3
    minute_decimals: int = 8
    sends_gst: bool = True
    sends_heading: bool = True
    heading_kind: str = "HDT"
    heading_offset_deg: float = 0.0
    second_stream: bool = False
    separation_error_m: float = 0.0
    silent: list[Window] = field(default_factory=list)
    frozen: list[Window] = field(default_factory=list)
    wrong_fix: list[tuple[float, float, NDArray[Any]]] = field(default_factory=list)
    late: list[tuple[float, float, float]] = field(default_factory=list)
    clock_steps: list[tuple[float, float]] = field(default_factory=list)
    gst_late: bool = False
    zda_offset_s: float = 0.0
    sigma_h_m: float = 0.008
    sigma_v_m: float = 0.015


@dataclass(slots=True)
class Machine:
    """What the machine does: spells of (start, kind), the swing circle of its antenna, and where it stands."""

    spells: list[tuple[float, str]] = field(default_factory=list)
    swing_radius_m: float = 1.6
    separation_m: float = 1.80
    offset_enu_m: NDArray[Any] = field(default_factory=lambda: np.zeros(3))
    heading_deg: float = 0.0


@dataclass(slots=True)
class World:
    """Everything that causes a session."""

    seed: int
    seconds: int
    rate_hz: float
    start: dt.datetime
    base: Base
    channel: Channel
    sky: Sky
    receiver: Receiver
    machine: Machine
    others: list[Base] = field(default_factory=list)
    truth: list[dict[str, Any]] = field(default_factory=list)
    site_base_offset_m: NDArray[Any] = field(default_factory=lambda: np.zeros(3))
    site_station: int | None = None

    @property
    def base_m(self) -> NDArray[Any]:
        """Where the base's ARP really is."""
        return self.base.position_m

    def cause(self, code: str, start_s: float, end_s: float | None, **figures: Any) -> None:
        """Note what was done, for the truth beside the session."""
        self.truth.append({"code": code, "start_s": start_s, "end_s": end_s, **figures})


def place_m(east_m: float, north_m: float, up_m: float) -> NDArray[Any]:
    """Earth-centred position of a point of the site. [m]"""
    lat, lon = np.array([SITE_LAT_DEG]), np.array([SITE_LON_DEG])
    origin = geodetic_to_ecef(lat, lon, np.array([SITE_H_ELLIPSOID_M]))
    return np.asarray((origin + enu_to_ecef_offset(np.array([[east_m, north_m, up_m]]), lat, lon))[0])


def draw_world(seed: int, seconds: int, rate_hz: float, rng: np.random.Generator) -> World:
    """A clean world: everything works, within the variety of ordinary sites."""
    start = dt.datetime(2026, 11, 2, 20, 0, 0) + dt.timedelta(
        days=int(rng.integers(0, 5)), minutes=int(rng.integers(0, 300))
    )
    base = Base(
        station=int(rng.integers(1, 4095)), position_m=place_m(0.0, 0.0, 3.1), level=4 if rng.random() < 0.7 else 7
    )
    distance_m, bearing = float(rng.uniform(150.0, 2500.0)), float(rng.uniform(0.0, 2 * np.pi))
    machine = Machine(
        offset_enu_m=np.array(
            [distance_m * np.sin(bearing), distance_m * np.cos(bearing), float(rng.uniform(-2.0, 1.0))]
        ),
        heading_deg=float(rng.uniform(0.0, 360.0)),
    )
    at, kind = 0.0, "idle"
    while at < seconds:
        machine.spells.append((at, kind))
        at += float(rng.uniform(20.0, 90.0))
        kind = str(rng.choice(["idle", "swing", "swing", "track"]))
    receiver = Receiver(
        keeps_fix_s=float(rng.uniform(20.0, 60.0)),
        keeps_float_s=float(rng.uniform(30.0, 90.0)),
        fix_time_s=float(rng.uniform(6.0, 22.0)),
        first_fix_s=float(rng.uniform(4.0, 15.0)),
        heading_kind="HDT" if rng.random() < 0.8 else "THS",
        gst_late=bool(rng.random() < 0.2),
        zda_offset_s=float(rng.choice([0.0, 0.0, 0.1])),
    )
    channel = Channel(latency_s=float(rng.uniform(0.2, 0.8)), rate_bps=float(rng.choice([9600.0, 19200.0])))
    # Ordinary untidiness: one or two lost frames an hour.
    channel.lost_times = [float(t) for t in rng.uniform(0, seconds, rng.poisson(1.5 * seconds / 3600))]
    return World(
        seed,
        seconds,
        rate_hz,
        start,
        base,
        channel,
        Sky(),
        receiver,
        machine,
        site_station=base.station,
    )
