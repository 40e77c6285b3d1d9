"""RTCM 3 messages: names, families, and what each carries. Numbers as in RTCM 10403.3 and pyrtcm's tables."""

from __future__ import annotations

from collections.abc import Mapping

GPS, GLONASS, GALILEO, BEIDOU, QZSS, NAVIC, SBAS = range(1, 8)
SYSTEMS: Mapping[int, str] = {
    GPS: "GPS",
    GLONASS: "GLONASS",
    GALILEO: "Galileo",
    BEIDOU: "BeiDou",
    QZSS: "QZSS",
    NAVIC: "NavIC",
    SBAS: "SBAS",
}

# First message number of each system's MSM family, less one: 1071 is GPS MSM1.
MSM_BASE: Mapping[int, int] = {
    1070: GPS,
    1080: GLONASS,
    1090: GALILEO,
    1100: SBAS,
    1110: QZSS,
    1120: BEIDOU,
    1130: NAVIC,
}
LEGACY_OBSERVATIONS: Mapping[int, int] = {
    1001: GPS,
    1002: GPS,
    1003: GPS,
    1004: GPS,
    1009: GLONASS,
    1010: GLONASS,
    1011: GLONASS,
    1012: GLONASS,
}

_NAMES: Mapping[int, str] = {
    1001: "GPS L1 observations", 1002: "GPS L1 observations, extended", 1003: "GPS L1 and L2 observations",
    1004: "GPS L1 and L2 observations, extended", 1005: "base position (ARP)", 1006: "base position (ARP) with antenna height",
    1007: "antenna descriptor", 1008: "antenna descriptor and serial number", 1009: "GLONASS L1 observations",
    1010: "GLONASS L1 observations, extended", 1011: "GLONASS L1 and L2 observations",
    1012: "GLONASS L1 and L2 observations, extended", 1013: "system parameters", 1014: "network auxiliary station",
    1015: "GPS ionospheric corrections of a network", 1016: "GPS geometric corrections of a network",
    1017: "GPS combined corrections of a network", 1019: "GPS ephemeris", 1020: "GLONASS ephemeris",
    1021: "datum transformation, Helmert", 1022: "datum transformation, Molodensky-Badekas",
    1023: "datum residuals, ellipsoidal", 1024: "datum residuals, plane grid", 1025: "projection", 1026: "projection, Lambert",
    1027: "projection, oblique Mercator", 1029: "text", 1030: "GPS network residuals", 1031: "GLONASS network residuals",
    1032: "position of the physical base", 1033: "receiver and antenna descriptors", 1034: "GPS network gradients",
    1035: "GLONASS network gradients", 1037: "GLONASS ionospheric corrections of a network",
    1038: "GLONASS geometric corrections of a network", 1039: "GLONASS combined corrections of a network",
    1041: "NavIC ephemeris", 1042: "BeiDou ephemeris", 1044: "QZSS ephemeris", 1045: "Galileo F/NAV ephemeris",
    1046: "Galileo I/NAV ephemeris", 1230: "GLONASS code-phase biases", 1300: "service CRS", 1301: "CRS transformation",
    1302: "CRS transformation, grid",
}  # fmt: skip


def system_of(number: int) -> int | None:
    """System whose observations the message carries; None for all other messages."""
    if number in LEGACY_OBSERVATIONS:
        return LEGACY_OBSERVATIONS[number]
    return MSM_BASE.get(number // 10 * 10) if 1 <= number % 10 <= 7 else None


def msm_level(number: int) -> int | None:
    """1 to 7 for an MSM, else None."""
    return number % 10 if number // 10 * 10 in MSM_BASE and 1 <= number % 10 <= 7 else None


def is_state_space(number: int) -> bool:
    """Whether the message is a state-space correction, which a rover cannot use for RTK."""
    return 1057 <= number <= 1068 or 1240 <= number <= 1270 or number == 4076


def is_known(number: int) -> bool:
    """Whether the number is one that a base is known to send, so that a failed CRC is a damaged frame."""
    return (
        number in _NAMES
        or system_of(number) is not None
        or is_state_space(number)
        or 4001 <= number <= 4095
        or 1001 <= number <= 1039
        or 1071 <= number <= 1137
    )


def message_name(number: int) -> str:
    """What the message carries, in words."""
    if number in _NAMES:
        return _NAMES[number]
    level, system = msm_level(number), system_of(number)
    if level is not None and system is not None:
        return f"{SYSTEMS[system]} observations, MSM{level}"
    if is_state_space(number):
        return "state-space corrections"
    if 4001 <= number <= 4095:
        return "proprietary"
    return "unknown"


def has_station_id(number: int) -> bool:
    """Whether bits 12 to 23 of the payload name the base: not so in ephemerides, state-space and network residuals."""
    return system_of(number) is not None or 1005 <= number <= 1008 or number in (1013, 1029, 1032, 1033, 1230)
