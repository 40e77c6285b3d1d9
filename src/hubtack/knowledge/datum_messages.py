"""Fields of the RTCM 3 messages that say which coordinate system a stream is in: name, width [bit], kind, size of a step.

Widths and steps: RTCM 10403.3 as pyrtcm 1.2.1 reproduces them (checked field by field in tests/control). Steps are in
the unit of the name. Kinds: u unsigned, i two's complement, s a text whose length in bytes stands in ``width`` bits before it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, NamedTuple


class Field(NamedTuple):
    """One field of a payload, in order."""

    name: str
    width: int
    kind: Literal["u", "i", "s"]
    step: float = 1.0


_NAMES = (Field("source", 5, "s"), Field("target", 5, "s"), Field("system_id", 8, "u"), Field("messages_used", 10, "u"))
_AREA = (
    Field("plate", 5, "u"), Field("computation", 4, "u"), Field("height_kind", 2, "u"),
    Field("area_latitude_arcsec", 19, "i", 2.0), Field("area_longitude_arcsec", 20, "i", 2.0),
    Field("area_height_arcsec", 14, "u", 2.0), Field("area_width_arcsec", 14, "u", 2.0),
)  # fmt: skip
_SEVEN = (
    Field("dx_m", 23, "i", 0.001), Field("dy_m", 23, "i", 0.001), Field("dz_m", 23, "i", 0.001),
    Field("rx_arcsec", 32, "i", 2e-5), Field("ry_arcsec", 32, "i", 2e-5), Field("rz_arcsec", 32, "i", 2e-5),
)  # fmt: skip
_ELLIPSOIDS = (
    Field("source_a_add_m", 24, "u", 0.001), Field("source_b_add_m", 25, "u", 0.001),
    Field("target_a_add_m", 24, "u", 0.001), Field("target_b_add_m", 25, "u", 0.001),
    Field("plan_quality", 3, "u"), Field("height_quality", 3, "u"),
)  # fmt: skip
_ANGLE = 1.1e-8  # degrees
_PROJECTION = (Field("system_id", 8, "u"), Field("projection", 6, "u"))

DATUM_MESSAGES: Mapping[int, tuple[Field, ...]] = {
    1021: (*_NAMES, *_AREA, *_SEVEN, Field("scale_ppm", 25, "i", 2e-5), *_ELLIPSOIDS),
    1022: (
        *_NAMES, *_AREA, *_SEVEN, Field("scale_ppm", 25, "i", 2e-5),
        Field("pivot_x_m", 35, "i", 0.001), Field("pivot_y_m", 35, "i", 0.001), Field("pivot_z_m", 35, "i", 0.001),
        *_ELLIPSOIDS,
    ),
    # Of the two residual grids the head is read: what is shifted, and by how much in the mean.
    1023: (
        Field("system_id", 8, "u"), Field("shifts_plan", 1, "u"), Field("shifts_height", 1, "u"),
        Field("grid_latitude_arcsec", 21, "i", 0.5), Field("grid_longitude_arcsec", 22, "i", 0.5),
        Field("cell_latitude_arcsec", 12, "u", 0.5), Field("cell_longitude_arcsec", 12, "u", 0.5),
        Field("mean_latitude_arcsec", 8, "i", 0.001), Field("mean_longitude_arcsec", 8, "i", 0.001),
        Field("mean_height_m", 15, "i", 0.01),
    ),
    1024: (
        Field("system_id", 8, "u"), Field("shifts_plan", 1, "u"), Field("shifts_height", 1, "u"),
        Field("grid_northing_m", 25, "i", 10.0), Field("grid_easting_m", 26, "u", 10.0),
        Field("cell_northing_m", 12, "u", 10.0), Field("cell_easting_m", 12, "u", 10.0),
        Field("mean_northing_m", 10, "i", 0.01), Field("mean_easting_m", 10, "i", 0.01),
        Field("mean_height_m", 15, "i", 0.01),
    ),
    1025: (
        *_PROJECTION, Field("origin_latitude_deg", 34, "i", _ANGLE), Field("origin_longitude_deg", 35, "i", _ANGLE),
        Field("scale_add_ppm", 30, "u", 1e-5), Field("false_easting_m", 36, "u", 0.001),
        Field("false_northing_m", 35, "i", 0.001),
    ),
    1026: (
        *_PROJECTION, Field("origin_latitude_deg", 34, "i", _ANGLE), Field("origin_longitude_deg", 35, "i", _ANGLE),
        Field("parallel_1_deg", 34, "i", _ANGLE), Field("parallel_2_deg", 34, "i", _ANGLE),
        Field("false_easting_m", 36, "u", 0.001), Field("false_northing_m", 35, "i", 0.001),
    ),
    1027: (
        *_PROJECTION, Field("rectified", 1, "u"), Field("centre_latitude_deg", 34, "i", _ANGLE),
        Field("centre_longitude_deg", 35, "i", _ANGLE), Field("azimuth_deg", 35, "u", _ANGLE),
        Field("skew_difference_deg", 26, "i", _ANGLE), Field("scale_add_ppm", 30, "u", 1e-5),
        Field("centre_easting_m", 36, "u", 0.001), Field("centre_northing_m", 35, "i", 0.001),
    ),
    # The origin that the coordinate epoch of 1300 counts from is in no source at hand: the number is shown as it is.
    1300: (Field("name", 5, "s"), Field("epoch_years", 16, "u", 0.01)),
    1301: (
        *_NAMES, Field("reference_mjd", 16, "u"), *_SEVEN, Field("scale_ppm", 25, "i", 1e-5),
        Field("dx_m_per_year", 17, "i", 2e-5), Field("dy_m_per_year", 17, "i", 2e-5),
        Field("dz_m_per_year", 17, "i", 2e-5), Field("rx_arcsec_per_year", 17, "i", 4e-7),
        Field("ry_arcsec_per_year", 17, "i", 4e-7), Field("rz_arcsec_per_year", 17, "i", 4e-7),
        Field("scale_ppm_per_year", 14, "i", 2e-7),
    ),
    1302: (Field("name", 5, "s"), Field("plate_fixed", 1, "u"), Field("plate", 5, "u")),
}  # fmt: skip
