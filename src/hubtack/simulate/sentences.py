"""What the rover says: NMEA sentences of one epoch, as text with checksums."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence

from hubtack.simulate.sky import BEIDOU, GALILEO, GLONASS, GPS

# NMEA 0183 4.10: talkers and system IDs; satellite numbers of GLONASS are slot + 64.
TALKERS: Mapping[int, str] = {GPS: "GP", GLONASS: "GL", GALILEO: "GA", BEIDOU: "GB"}
SYSTEM_IDS: Mapping[int, int] = {GPS: 1, GLONASS: 2, GALILEO: 3, BEIDOU: 4}
NUMBER_SHIFT: Mapping[int, int] = {GPS: 1, GLONASS: 65, GALILEO: 1, BEIDOU: 1}
_MODES = {0: "N", 1: "A", 5: "F", 4: "R"}


def sentence(body: str) -> bytes:
    """``body`` between $ and its checksum."""
    check = 0
    for ch in body.encode("ascii"):
        check ^= ch
    return f"${body}*{check:02X}\r\n".encode("ascii")


def clock(when: dt.datetime, decimals: int = 2) -> str:
    """hhmmss.ss."""
    return f"{when:%H%M%S}.{when.microsecond // 10 ** (6 - decimals):0{decimals}d}"


def angle(value_deg: float, degrees: int, letters: str, decimals: int) -> str:
    """ddmm.mmmm with its hemisphere."""
    letter = letters[0] if value_deg >= 0 else letters[1]
    minutes_all = round(abs(value_deg) * 60 * 10**decimals)
    whole, rest = divmod(minutes_all, 60 * 10**decimals)
    return f"{whole:0{degrees}d}{rest / 10**decimals:0{3 + decimals}.{decimals}f},{letter}"


def gga(
    when: dt.datetime,
    lat: float,
    lon: float,
    h_geoid_m: float,
    separation_m: float,
    quality: int,
    satellites: int,
    hdop: float,
    age: str,
    station: str,
    *,
    minute_decimals: int,
    height_decimals: int,
) -> bytes:
    """GGA; without a position the fields are empty."""
    if quality == 0:
        return sentence(f"GNGGA,{clock(when)},,,,,0,{satellites:02d},99.99,,,,,,")
    return sentence(
        f"GNGGA,{clock(when)},{angle(lat, 2, 'NS', minute_decimals)},{angle(lon, 3, 'EW', minute_decimals)},{quality},"
        f"{satellites:02d},{hdop:.2f},{h_geoid_m:.{height_decimals}f},M,{separation_m:.3f},M,{age},{station}"
    )


def gst(when: dt.datetime, sigma_h_m: float, sigma_v_m: float) -> bytes:
    """GST with a nearly round ellipse."""
    return sentence(
        f"GNGST,{clock(when)},0.8,{sigma_h_m:.3f},{0.8 * sigma_h_m:.3f},0.0,"
        f"{sigma_h_m:.3f},{0.8 * sigma_h_m:.3f},{sigma_v_m:.3f}"
    )


def rmc(
    when: dt.datetime, lat: float, lon: float, speed_m_s: float, course: float, quality: int, decimals: int
) -> bytes:
    """RMC."""
    if quality == 0:
        return sentence(f"GNRMC,{clock(when)},V,,,,,,,{when:%d%m%y},,,N,V")
    return sentence(
        f"GNRMC,{clock(when)},A,{angle(lat, 2, 'NS', decimals)},{angle(lon, 3, 'EW', decimals)},"
        f"{speed_m_s * 3600 / 1852:.3f},{course:.1f},{when:%d%m%y},,,{_MODES[quality]},V"
    )


def vtg(speed_m_s: float, course: float, quality: int) -> bytes:
    """VTG."""
    return sentence(
        f"GNVTG,{course:.2f},T,,M,{speed_m_s * 3600 / 1852:.3f},N,{speed_m_s * 3.6:.3f},K,{_MODES[quality]}"
    )


def zda(when: dt.datetime) -> bytes:
    """ZDA."""
    return sentence(f"GPZDA,{clock(when)},{when:%d,%m,%Y},00,00")


def heading(kind: str, heading_deg: float | None) -> bytes:
    """HDT or THS; an empty field is the only sign of no heading in HDT."""
    value = "" if heading_deg is None else f"{heading_deg % 360.0:.3f}"
    return sentence(f"GN{kind},{value},{'T' if kind == 'HDT' else 'A' if heading_deg is not None else 'V'}")


def gsa(used: Mapping[int, Sequence[int]], dops: tuple[float, float, float]) -> bytes:
    """One GSA a system, at most twelve satellites each."""
    out = b""
    for system, satellites in used.items():
        numbers = [f"{s + NUMBER_SHIFT[system]:02d}" for s in satellites[:12]]
        fields = ",".join(numbers + [""] * (12 - len(numbers)))
        out += sentence(
            f"GNGSA,A,{3 if used else 1},{fields},{dops[0]:.2f},{dops[1]:.2f},{dops[2]:.2f},{SYSTEM_IDS[system]}"
        )
    return out


def gsv(system: int, satellites: Sequence[tuple[int, float, float, float | None]]) -> bytes:
    """All GSV of one system: (index, elevation, azimuth, C/N0 or None where not tracked)."""
    total = max(1, (len(satellites) + 3) // 4)
    out = b""
    for i in range(total):
        part = satellites[4 * i : 4 * i + 4]
        cells = "".join(
            f",{s + NUMBER_SHIFT[system]:02d},{el:.0f},{az:.0f},{'' if cn0 is None else f'{cn0:.0f}'}"
            for s, el, az, cn0 in part
        )
        out += sentence(f"{TALKERS[system]}GSV,{total},{i + 1},{len(satellites):02d}{cells},1")
    return out
