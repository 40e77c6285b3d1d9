"""Reference frames and height systems that a residual at a control mark is tried against.

Codes are EPSG's; what lies between two frames at a place and date is computed by PROJ from EPSG's parameters, never from
figures in this table. Plate-fixed frames stand still with the ground; ITRF moves under it by 2 to 7 cm a year.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ReferenceFrame:
    """One frame or realisation: name, EPSG code of its geocentric system, and whether it is fixed to a plate.

    ``box_deg`` (west, south, east, north) narrows EPSG's area of use where that is wider than the plate.
    """

    name: str
    geocentric: int
    plate_fixed: bool
    box_deg: tuple[float, float, float, float] | None = None


PIVOT = ReferenceFrame("ITRF2014", 7789, False)
"""All positions are carried through this frame: EPSG has a step from it to nearly every other."""

_NORTH_AMERICA = (-172.0, 14.0, -47.0, 84.0)

FRAMES: tuple[ReferenceFrame, ...] = (
    PIVOT,
    ReferenceFrame("ITRF2020", 9988, False),
    ReferenceFrame("ITRF2008", 5332, False),
    ReferenceFrame("ITRF2000", 4919, False),
    ReferenceFrame("NAD83(2011)", 6317, True, _NORTH_AMERICA),
    ReferenceFrame("NAD83(PA11)", 6320, True, (150.0, -20.0, -150.0, 30.0)),
    ReferenceFrame("NAD83(MA11)", 6323, True, (129.0, 1.0, 150.0, 24.0)),
    ReferenceFrame("ETRF2000 (ETRS89)", 7930, True),
    ReferenceFrame("ETRF2014 (ETRS89)", 8401, True),
    ReferenceFrame("ETRF2020 (ETRS89)", 10569, True),
    ReferenceFrame("GDA94", 4938, True),
    ReferenceFrame("GDA2020", 7842, True),
    ReferenceFrame("NZGD2000", 4958, True),
    ReferenceFrame("JGD2011", 6666, True),
    ReferenceFrame("SIRGAS 2000", 4988, True),
)

COMMON_EPOCHS = (2000.0, 2005.0, 2010.0, 2015.0, 2020.0)
"""Epochs at which coordinates in ITRF are commonly published: common practice, no source."""


@dataclass(frozen=True, slots=True)
class HeightSystem:
    """A height system: EPSG's vertical code, and the geographic 3D system it is reached from."""

    name: str
    vertical: int
    geographic_2d: int


HEIGHT_SYSTEMS: tuple[HeightSystem, ...] = (
    HeightSystem("NAVD88", 5703, 6318),
    HeightSystem("CGVD2013", 6647, 4617),
    HeightSystem("AHD", 5711, 7844),
    HeightSystem("NZVD2016", 7839, 4167),
    HeightSystem("ODN", 5701, 4258),
    HeightSystem("EVRF2019", 9389, 4258),
    HeightSystem("EGM96", 5773, 4326),
    HeightSystem("EGM2008", 3855, 4326),
)

RECEIVER_GEOID_SIGMA_M = 0.5
"""1 sigma of the geoid separation that a receiver states (coarse global model): common practice, no source."""
SITE_GEOID_SIGMA_M = 0.03
"""The same for a separation from a site file or a national grid: common practice, no source."""
PLATE_SIGMA_M = 0.01
"""1 sigma of a step between frames at a place, beyond what EPSG states for its parameters: common practice, no source."""

PHASE_CENTRE_M = (0.05, 0.10)
"""Antenna phase centre above its reference point: common practice, no source."""
