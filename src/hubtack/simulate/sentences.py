"""What the rover says: NMEA sentences of one epoch, as bytes with checksums."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence

from hubtack.simulate.sky import BEIDOU, GALILEO, GLONASS, GPS

# NMEA 0183 4.10: talkers and system IDs; satellite numbers of GLONASS are slot + 64, of BeiDou's medium orbits 19 up.
TALKERS: Mapping[int, str] = {GPS: "GP", GLONASS: "GL", GALILEO: "GA", BEIDOU: "GB"}
SYSTEM_IDS: Mapping[int, int] = {GPS: 1, GLONASS: 2, GALILEO: 3, BEIDOU: 4}
SIGNAL_IDS: Mapping[int, str] = {GPS: "1", GLONASS: "1", GALILEO: "7", BEIDOU: "1"}
NUMBER_SHIFT: Mapping[int, int] = {GPS: 1, GLONASS: 65, GALILEO: 1, BEIDOU: 19}
_MODES = {0: "N", 1: "A", 2: "D", 5: "F", 4: "R"}


def sentence(body: str) -> bytes:
    """``body`` between $ and its checksum."""
    raw = body.encode("ascii")
    check = 0
    for ch in raw:
        check ^= ch
    return b"$%b*%02X\r\n" % (raw, check)


def clock(when: dt.datetime) -> str:
    """hhmmss.ss, cut and not rounded, as receivers do."""
    return f"{when:%H%M%S}.{when.microsecond // 10000:02d}"


def angle(value_deg: float, degrees: int, letters: str, decimals: int) -> str:
    """ddmm.mmmm with its hemisphere."""
    letter = letters[0] if value_deg >= 0 else letters[1]
    scale = 10**decimals
    whole, rest = divmod(round(abs(value_deg) * 60 * scale), 60 * scale)
    return f"{whole:0{degrees}d}{rest // scale:02d}.{rest % scale:0{decimals}d},{letter}"


def place(lat_deg: float, lon_deg: float, decimals: int) -> str:
    """Latitude and longitude fields."""
    return f"{angle(lat_deg, 2, 'NS', decimals)},{angle(lon_deg, 3, 'EW', decimals)}"


def gga(
    when: str, where: str, h_geoid_m: str, separation_m: float, quality: int, satellites: int, hdop: float, age: str,
    station: str, talker: str = "GN",
) -> bytes:  # fmt: skip
    """GGA; without a position the fields are empty."""
    if quality == 0:
        return sentence(f"{talker}GGA,{when},,,,,0,{satellites:02d},99.99,,,,,,")
    tail = f"{h_geoid_m},M,{separation_m:.3f},M,{age},{station}"
    return sentence(f"{talker}GGA,{when},{where},{quality},{satellites:02d},{hdop:.2f},{tail}")


def gns(
    when: str, where: str, h_geoid_m: str, separation_m: float, modes: str, satellites: int, hdop: float, age: str,
    station: str,
) -> bytes:  # fmt: skip
    """GNS with one mode letter a system (GPS, GLONASS, Galileo, BeiDou)."""
    if not modes.strip("N"):
        return sentence(f"GNGNS,{when},,,,,{modes},{satellites:02d},99.99,,,,,V")
    return sentence(
        f"GNGNS,{when},{where},{modes},{satellites:02d},{hdop:.2f},{h_geoid_m},{separation_m:.3f},{age},{station},V"
    )


def modes(quality: int, systems: Sequence[int]) -> str:
    """Mode letters of GNS: one a system, N where it is not used."""
    return "".join(_MODES[quality] if s in systems else "N" for s in (GPS, GLONASS, GALILEO, BEIDOU))


def gst(when: str, sigma_h_m: float, sigma_v_m: float) -> bytes:
    """GST of an error ellipse that points north, 0.8 as wide as long."""
    plan = f"{sigma_h_m:.3f},{0.8 * sigma_h_m:.3f}"
    return sentence(f"GNGST,{when},0.8,{plan},0.0,{plan},{sigma_v_m:.3f}")


def rmc(when: str, date: str, where: str, speed_m_s: float, course: float, quality: int) -> bytes:
    """RMC."""
    if quality == 0:
        return sentence(f"GNRMC,{when},V,,,,,,,{date},,,N,V")
    speed = f"{speed_m_s * 3600 / 1852:.3f},{course:.1f}"
    return sentence(f"GNRMC,{when},A,{where},{speed},{date},,,{_MODES[quality]},V")


def vtg(speed_m_s: float, course: float, quality: int) -> bytes:
    """VTG."""
    if quality == 0:
        return sentence("GNVTG,,T,,M,,N,,K,N")
    speed = f"{speed_m_s * 3600 / 1852:.3f},N,{speed_m_s * 3.6:.3f},K"
    return sentence(f"GNVTG,{course:.2f},T,,M,{speed},{_MODES[quality]}")


def zda(when: dt.datetime) -> bytes:
    """ZDA."""
    return sentence(f"GPZDA,{clock(when)},{when:%d,%m,%Y},00,00")


def heading(kind: str, heading_deg: float | None) -> bytes:
    """HDT or THS; an empty field is the only sign of no heading in HDT."""
    value = "" if heading_deg is None else f"{heading_deg % 360.0:.3f}"
    return sentence(f"GN{kind},{value},{'T' if kind == 'HDT' else 'A' if heading_deg is not None else 'V'}")


def gsa(used: Mapping[int, Sequence[int]], dops: Sequence[float]) -> bytes:
    """One GSA a system, at most twelve satellites each."""
    out = b""
    dimension = 3 if sum(map(len, used.values())) >= 4 else 1
    for system, slots in used.items():
        numbers = [f"{s + NUMBER_SHIFT[system]:02d}" for s in slots[:12]]
        fields = ",".join(numbers + [""] * (12 - len(numbers)))
        figures = f"{dops[0]:.2f},{dops[1]:.2f},{dops[2]:.2f}"
        out += sentence(f"GNGSA,A,{dimension},{fields},{figures},{SYSTEM_IDS[system]}")
    return out


def gsv(system: int, satellites: Sequence[tuple[int, float, float, float | None]]) -> bytes:
    """All GSV of one system: (slot, elevation, azimuth, C/N0 or None where not tracked)."""
    total = max(1, (len(satellites) + 3) // 4)
    out = b""
    for i in range(total):
        cells = "".join(
            f",{s + NUMBER_SHIFT[system]:02d},{el:02.0f},{az % 360.0:03.0f},{'' if cn0 is None else f'{cn0:02.0f}'}"
            for s, el, az, cn0 in satellites[4 * i : 4 * i + 4]
        )
        head = f"{TALKERS[system]}GSV,{total},{i + 1},{len(satellites):02d}"
        out += sentence(f"{head}{cells},{SIGNAL_IDS[system]}")
    return out
