"""Bit layouts of the ephemeris messages 1019, 1020, 1042, 1044, 1045, 1046: name, kind, width, scale.

A table and nothing else; ``ephemeris`` reads it. Widths and most scales: RTCM 10403.3 by way of pyrtcm 1.2.1 (which
``tests/orbits`` compares field by field). The scales pyrtcm lacks (GLONASS clock terms, tb) are those of the GLONASS
ICD 5.1 (2008), table 4.5, from memory; they agree with a general GNSS library in ``tests/reference``.
Angles come in semicircles in every message: ``ephemeris`` turns them into radians.
"""

from __future__ import annotations

from typing import NamedTuple

PI = 3.1415926535898  # the value the interface documents prescribe (IS-GPS-200 20.3.3.4.3.3)


class Field(NamedTuple):
    """One field of a message: its name, ``u`` unsigned, ``i`` two's complement or ``s`` sign-magnitude, bits, scale."""

    name: str
    kind: str
    bits: int
    scale: float = 1.0


def _p(exponent: int) -> float:
    """Two to the power."""
    return float(2.0**exponent)


_SEMI = PI  # marks a scale in semicircles

_HEAD = Field("type", "u", 12)

GPS_1019 = (
    _HEAD,
    Field("satellite", "u", 6), Field("week", "u", 10), Field("accuracy", "u", 4), Field("code_on_l2", "u", 2),
    Field("idot_rad_s", "i", 14, _p(-43) * _SEMI), Field("iode", "u", 8), Field("toc_s", "u", 16, 16.0),
    Field("af2", "i", 8, _p(-55)), Field("af1", "i", 16, _p(-43)), Field("af0_s", "i", 22, _p(-31)),
    Field("iodc", "u", 10), Field("crs_m", "i", 16, _p(-5)), Field("delta_n_rad_s", "i", 16, _p(-43) * _SEMI),
    Field("m0_rad", "i", 32, _p(-31) * _SEMI), Field("cuc_rad", "i", 16, _p(-29)), Field("e", "u", 32, _p(-33)),
    Field("cus_rad", "i", 16, _p(-29)), Field("sqrt_a", "u", 32, _p(-19)), Field("toe_s", "u", 16, 16.0),
    Field("cic_rad", "i", 16, _p(-29)), Field("omega0_rad", "i", 32, _p(-31) * _SEMI),
    Field("cis_rad", "i", 16, _p(-29)), Field("i0_rad", "i", 32, _p(-31) * _SEMI), Field("crc_m", "i", 16, _p(-5)),
    Field("omega_rad", "i", 32, _p(-31) * _SEMI), Field("omega_dot_rad_s", "i", 24, _p(-43) * _SEMI),
    Field("tgd_s", "i", 8, _p(-31)), Field("health", "u", 6), Field("l2_p_flag", "u", 1), Field("fit", "u", 1),
)  # fmt: skip

QZSS_1044 = (
    _HEAD,
    Field("satellite", "u", 4), Field("toc_s", "u", 16, 16.0), Field("af2", "i", 8, _p(-55)),
    Field("af1", "i", 16, _p(-43)), Field("af0_s", "i", 22, _p(-31)), Field("iode", "u", 8),
    Field("crs_m", "i", 16, _p(-5)), Field("delta_n_rad_s", "i", 16, _p(-43) * _SEMI),
    Field("m0_rad", "i", 32, _p(-31) * _SEMI), Field("cuc_rad", "i", 16, _p(-29)), Field("e", "u", 32, _p(-33)),
    Field("cus_rad", "i", 16, _p(-29)), Field("sqrt_a", "u", 32, _p(-19)), Field("toe_s", "u", 16, 16.0),
    Field("cic_rad", "i", 16, _p(-29)), Field("omega0_rad", "i", 32, _p(-31) * _SEMI),
    Field("cis_rad", "i", 16, _p(-29)), Field("i0_rad", "i", 32, _p(-31) * _SEMI), Field("crc_m", "i", 16, _p(-5)),
    Field("omega_rad", "i", 32, _p(-31) * _SEMI), Field("omega_dot_rad_s", "i", 24, _p(-43) * _SEMI),
    Field("idot_rad_s", "i", 14, _p(-43) * _SEMI), Field("code_on_l2", "u", 2), Field("week", "u", 10),
    Field("accuracy", "u", 4), Field("health", "u", 6), Field("tgd_s", "i", 8, _p(-31)), Field("iodc", "u", 10),
    Field("fit", "u", 1),
)  # fmt: skip

BEIDOU_1042 = (
    _HEAD,
    Field("satellite", "u", 6), Field("week", "u", 13), Field("accuracy", "u", 4),
    Field("idot_rad_s", "i", 14, _p(-43) * _SEMI), Field("iode", "u", 5), Field("toc_s", "u", 17, 8.0),
    Field("af2", "i", 11, _p(-66)), Field("af1", "i", 22, _p(-50)), Field("af0_s", "i", 24, _p(-33)),
    Field("iodc", "u", 5), Field("crs_m", "i", 18, _p(-6)), Field("delta_n_rad_s", "i", 16, _p(-43) * _SEMI),
    Field("m0_rad", "i", 32, _p(-31) * _SEMI), Field("cuc_rad", "i", 18, _p(-31)), Field("e", "u", 32, _p(-33)),
    Field("cus_rad", "i", 18, _p(-31)), Field("sqrt_a", "u", 32, _p(-19)), Field("toe_s", "u", 17, 8.0),
    Field("cic_rad", "i", 18, _p(-31)), Field("omega0_rad", "i", 32, _p(-31) * _SEMI),
    Field("cis_rad", "i", 18, _p(-31)), Field("i0_rad", "i", 32, _p(-31) * _SEMI), Field("crc_m", "i", 18, _p(-6)),
    Field("omega_rad", "i", 32, _p(-31) * _SEMI), Field("omega_dot_rad_s", "i", 24, _p(-43) * _SEMI),
    Field("tgd_s", "i", 10, 1e-10), Field("tgd2_s", "i", 10, 1e-10), Field("health", "u", 1),
)  # fmt: skip

_GALILEO_ORBIT = (
    Field("idot_rad_s", "i", 14, _p(-43) * _SEMI), Field("toc_s", "u", 14, 60.0), Field("af2", "i", 6, _p(-59)),
    Field("af1", "i", 21, _p(-46)), Field("af0_s", "i", 31, _p(-34)), Field("crs_m", "i", 16, _p(-5)),
    Field("delta_n_rad_s", "i", 16, _p(-43) * _SEMI), Field("m0_rad", "i", 32, _p(-31) * _SEMI),
    Field("cuc_rad", "i", 16, _p(-29)), Field("e", "u", 32, _p(-33)), Field("cus_rad", "i", 16, _p(-29)),
    Field("sqrt_a", "u", 32, _p(-19)), Field("toe_s", "u", 14, 60.0), Field("cic_rad", "i", 16, _p(-29)),
    Field("omega0_rad", "i", 32, _p(-31) * _SEMI), Field("cis_rad", "i", 16, _p(-29)),
    Field("i0_rad", "i", 32, _p(-31) * _SEMI), Field("crc_m", "i", 16, _p(-5)),
    Field("omega_rad", "i", 32, _p(-31) * _SEMI), Field("omega_dot_rad_s", "i", 24, _p(-43) * _SEMI),
    Field("bgd_e5a_s", "i", 10, _p(-32)),
)  # fmt: skip
_GALILEO_HEAD = (
    _HEAD, Field("satellite", "u", 6), Field("week", "u", 12), Field("iode", "u", 10), Field("accuracy", "u", 8),
)  # fmt: skip

GALILEO_FNAV_1045 = (
    *_GALILEO_HEAD, *_GALILEO_ORBIT, Field("health_e5a", "u", 2), Field("invalid_e5a", "u", 1),
    Field("reserved", "u", 7),
)  # fmt: skip
GALILEO_INAV_1046 = (
    *_GALILEO_HEAD, *_GALILEO_ORBIT, Field("bgd_e5b_s", "i", 10, _p(-32)), Field("health_e5b", "u", 2),
    Field("invalid_e5b", "u", 1), Field("health_e1", "u", 2), Field("invalid_e1", "u", 1), Field("reserved", "u", 2),
)  # fmt: skip

GLONASS_1020 = (
    _HEAD,
    Field("satellite", "u", 6), Field("channel_plus_7", "u", 5), Field("almanac_health", "u", 1),
    Field("almanac_health_known", "u", 1), Field("p1", "u", 2), Field("tk", "u", 12), Field("unhealthy", "u", 1),
    Field("p2", "u", 1), Field("tb_s", "u", 7, 900.0),
    Field("vx_m_s", "s", 24, _p(-20) * 1e3), Field("x_m", "s", 27, _p(-11) * 1e3),
    Field("ax_m_s2", "s", 5, _p(-30) * 1e3),
    Field("vy_m_s", "s", 24, _p(-20) * 1e3), Field("y_m", "s", 27, _p(-11) * 1e3),
    Field("ay_m_s2", "s", 5, _p(-30) * 1e3),
    Field("vz_m_s", "s", 24, _p(-20) * 1e3), Field("z_m", "s", 27, _p(-11) * 1e3),
    Field("az_m_s2", "s", 5, _p(-30) * 1e3),
    Field("p3", "u", 1), Field("gamma", "s", 11, _p(-40)), Field("p", "u", 2), Field("ln_third", "u", 1),
    Field("tau_s", "s", 22, _p(-30)), Field("delta_tau_s", "s", 5, _p(-30)), Field("age_days", "u", 5),
    Field("p4", "u", 1), Field("accuracy", "u", 4), Field("day_of_four_years", "u", 11), Field("m", "u", 2),
    Field("additional", "u", 1), Field("na", "u", 11), Field("tau_c_s", "s", 32, _p(-31)), Field("n4", "u", 5),
    Field("tau_gps_s", "s", 22, _p(-30)), Field("ln_fifth", "u", 1), Field("reserved", "u", 7),
)  # fmt: skip

LAYOUTS: dict[int, tuple[Field, ...]] = {
    1019: GPS_1019,
    1020: GLONASS_1020,
    1042: BEIDOU_1042,
    1044: QZSS_1044,
    1045: GALILEO_FNAV_1045,
    1046: GALILEO_INAV_1046,
}
EPHEMERIS_MESSAGES = frozenset(LAYOUTS)
