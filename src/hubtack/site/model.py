"""What a site file says, as frozen values with the defaults of an empty one. No I/O, no checks, no coordinates.

Attributes follow the TOML tables (``site.machine.reach_m`` is ``reach_m`` in ``[machine]``). None means not stated.
Lengths are metres whatever ``units`` says: that key is for screens and reports only.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from hubtack.knowledge.job_classes import DEFAULT_JOB_CLASS, JOB_CLASSES_BY_KEY, JobClass
from hubtack.knowledge.limits import LIMITS_BY_KEY
from hubtack.site.secrets import mask_password
from hubtack.units import UNITS, LengthUnit

MachineKind = Literal["excavator", "dozer", "grader", "roller", "other"]


@dataclass(frozen=True, slots=True)
class Machine:
    """The machine and its antennas. A separation that is None means that no antenna pair is configured.

    An excavator is the default kind, because course made good then never stands in for a heading. The linkage and
    tilt sigmas are 1 sigma; the antenna is given from the swing axis, right and forward of it.
    """

    name: str | None = None
    kind: MachineKind = "excavator"
    antenna_separation_m: float | None = None
    antenna_right_m: float | None = None
    antenna_forward_m: float | None = None
    heading_offset_deg: float = 0.0
    reach_m: float = 9.0
    linkage_sigma_m: float = 0.013
    tilt_sigma_deg: float = 0.05
    cost_per_h: float = 0.0


@dataclass(frozen=True, slots=True)
class Job:
    """The tolerance asked for. ``class_`` None means that nobody set one; the screen must then say so."""

    class_: str | None = None
    vertical_95_m: float | None = None
    horizontal_95_m: float | None = None
    slope: float = 0.0
    require_check: bool = False

    def job_class(self) -> JobClass:
        """The row of the job-class table that counts, which is the default one where none is set."""
        return JOB_CLASSES_BY_KEY[self.class_ or DEFAULT_JOB_CLASS]

    def tolerance_95_m(self) -> tuple[float, float]:
        """Tolerance at the cutting edge at 95 %, vertical and horizontal; either key overrides the class. [m]"""
        row = self.job_class()
        return (
            row.vertical_95_m if self.vertical_95_m is None else self.vertical_95_m,
            row.horizontal_95_m if self.horizontal_95_m is None else self.horizontal_95_m,
        )


@dataclass(frozen=True, slots=True)
class Receiver:
    """The receiver's stated accuracy, 1 sigma: constant [m] and parts per million of the baseline."""

    horizontal_m: float = 0.008
    horizontal_ppm: float = 1.0
    vertical_m: float = 0.015
    vertical_ppm: float = 1.0
    assumed_baseline_m: float | None = None


@dataclass(frozen=True, slots=True)
class Stream:
    """One position stream; ``source`` is a source as on the command line, a path already relative to the file."""

    source: str | None = None

    def __repr__(self) -> str:
        return f"Stream(source={_shown(self.source)})"


@dataclass(frozen=True, slots=True)
class Corrections:
    """Where corrections come from; ``password_env`` names the environment variable that holds the password."""

    source: str | None = None
    heard_at: Literal["machine", "elsewhere"] = "machine"
    password_env: str = "HUBTACK_PASSWORD"
    send_position: Literal["auto", "always", "never"] = "auto"

    def __repr__(self) -> str:
        return (
            f"Corrections(source={_shown(self.source)}, heard_at={self.heard_at!r}, "
            f"password_env={self.password_env!r}, send_position={self.send_position!r})"
        )


@dataclass(frozen=True, slots=True)
class BaseMark:
    """Where the site's base is. ``antenna_height_m`` counts only where ``point`` is the mark below the antenna."""

    latitude_deg: float
    longitude_deg: float
    height_m: float
    tolerance_m: float = 0.05
    station_id: int | None = None
    point: Literal["arp", "mark"] = "arp"
    antenna_height_m: float = 0.0
    datum: str | None = None
    epoch: float | None = None


@dataclass(frozen=True, slots=True)
class GridOrigin:
    """The point where a site's own grid touches the ellipsoid, in both."""

    easting_m: float
    northing_m: float
    latitude_deg: float
    longitude_deg: float


@dataclass(frozen=True, slots=True)
class HeightPlane:
    """What to add to an ellipsoidal height: an offset at the grid's origin and its slopes to north and east."""

    offset_m: float = 0.0
    north_m_per_m: float = 0.0
    east_m_per_m: float = 0.0


@dataclass(frozen=True, slots=True)
class LocalGrid:
    """A site's own grid, as the site transformation wrote it."""

    origin: GridOrigin
    rotation_deg: float = 0.0
    scale: float = 1.0
    height_plane: HeightPlane = HeightPlane()


@dataclass(frozen=True, slots=True)
class ControlMark:
    """A known mark in the site's grid; ``sigma_m`` is its own 1 sigma per axis."""

    name: str
    easting_m: float
    northing_m: float
    height_m: float
    sigma_m: float = 0.010
    height_datum: Literal["ellipsoid", "geoid"] = "ellipsoid"


@dataclass(frozen=True, slots=True)
class SiteFrame:
    """``[site]``: the grid, the geoid, the base and the control marks. ``local`` wins over ``crs``."""

    name: str | None = None
    crs: str | None = None
    geoid_separation_m: float | None = None
    geoid_model: str | None = None
    base: BaseMark | None = None
    local: LocalGrid | None = None
    control: tuple[ControlMark, ...] = ()

    def mark(self, name: str) -> ControlMark | None:
        """The control mark of that name, whatever its case; None where the file has none."""
        wanted = name.strip().casefold()
        return next((mark for mark in self.control if mark.name.casefold() == wanted), None)


@dataclass(frozen=True)
class Site:
    """A whole site file. ``sha256`` is that of its bytes; both it and ``path`` are None for the defaults.

    ``warnings`` are sentences that a command shows once on standard error; no secret is in them.
    """

    units: Literal["m", "ft", "ft_us"] = "m"
    time_zone: str = "UTC"
    machine: Machine = Machine()
    job: Job = Job()
    receiver: Receiver = Receiver()
    limits: Mapping[str, float] = field(default_factory=dict)
    rover: Stream = Stream()
    second_antenna: Stream = Stream()
    corrections: Corrections = Corrections()
    site: SiteFrame = SiteFrame()
    path: Path | None = None
    sha256: str | None = None
    warnings: tuple[str, ...] = ()

    @property
    def unit(self) -> LengthUnit:
        """The unit of lengths on screens and in reports."""
        return UNITS[self.units]

    @property
    def works_with_marks(self) -> bool:
        """Whether checks on control marks are to be expected here."""
        return self.job.require_check or bool(self.site.control)

    @property
    def tzinfo(self) -> dt.tzinfo:
        """The time zone of screens and reports."""
        if self.time_zone == "UTC":
            return dt.UTC
        from zoneinfo import ZoneInfo

        return ZoneInfo(self.time_zone)

    def limit(self, key: str) -> float:
        """The limit ``key``, from the file or else from the table; KeyError for a key that no table has."""
        return float(self.limits.get(key, LIMITS_BY_KEY[key].value))


def default_site() -> Site:
    """The site of an empty file."""
    return Site()


def _shown(source: str | None) -> str:
    return repr(None if source is None else mask_password(source))
