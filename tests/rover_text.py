"""Rover sentences for tests, written from figures: a place on an invented flood bank, a time, a quality."""

from __future__ import annotations

import itertools
from collections.abc import Iterable

LAT_DEG, LON_DEG, H_GEOID_M, SEPARATION_M = -45.031, 170.012, 8.412, 4.2


def sentence(body: str) -> bytes:
    """``body`` with its checksum (NMEA 0183: XOR of all between $ and *) and line end."""
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}\r\n".encode()


def clock(tod_ms: int) -> str:
    """hhmmss.sss of milliseconds of the day."""
    s, ms = divmod(tod_ms % 86_400_000, 1000)
    return f"{s // 3600:02d}{s % 3600 // 60:02d}{s % 60:02d}.{ms:03d}"


def angle(value_deg: float, width: int, letters: str, decimals: int = 8) -> str:
    """Degrees and minutes with the hemisphere."""
    letter = letters[0] if value_deg >= 0 else letters[1]
    value_deg = abs(value_deg)
    whole = int(value_deg)
    return f"{whole:0{width}d}{(value_deg - whole) * 60:0{3 + decimals}.{decimals}f},{letter}"


def gga(
    tod_ms: int,
    *,
    quality: int | str = 4,
    age_s: float | None = 1.0,
    satellites: int = 14,
    lat_deg: float = LAT_DEG,
    lon_deg: float = LON_DEG,
    h_m: float = H_GEOID_M,
    hdop: float = 0.7,
    station: str = "0412",
    talker: str = "GN",
) -> bytes:
    """A GGA sentence."""
    age = "" if age_s is None else f"{age_s:.1f}"
    place = f"{angle(lat_deg, 2, 'NS')},{angle(lon_deg, 3, 'EW')}"
    return sentence(
        f"{talker}GGA,{clock(tod_ms)},{place},{quality},{satellites:02d},{hdop:.1f},{h_m:.3f},M,{SEPARATION_M:.3f},M,{age},{station}"
    )


def gst(tod_ms: int, *, major_m: float = 0.010, minor_m: float = 0.008, up_m: float = 0.016) -> bytes:
    """A GST sentence with the error ellipse along north."""
    return sentence(f"GNGST,{clock(tod_ms)},0.5,{major_m:.3f},{minor_m:.3f},0.0,{major_m:.3f},{minor_m:.3f},{up_m:.3f}")


def hdt(heading_deg: float) -> bytes:
    """An HDT sentence."""
    return sentence(f"GNHDT,{heading_deg:.2f},T")


def vtg(speed_m_s: float) -> bytes:
    """A VTG sentence: speed over ground by Doppler, without a course."""
    return sentence(f"GNVTG,,T,,M,{speed_m_s / 0.514444:.3f},N,{speed_m_s * 3.6:.3f},K,D")


def wobble(i: int) -> float:
    """A fraction of a millimetre in degrees that differs from row to row, as a living receiver's digits do."""
    return ((i * 7919) % 13 - 6) * 1e-9


def good_rows(start_ms: int, seconds: int, rate_hz: int = 1, **kwargs: object) -> bytes:
    """``seconds`` of a fixed rover that stands still, with GST."""
    parts: list[bytes] = []
    for i in range(seconds * rate_hz):
        tod_ms = start_ms + i * 1000 // rate_hz
        parts.append(gga(tod_ms, lat_deg=LAT_DEG + wobble(i), **kwargs))  # type: ignore[arg-type]
        parts.append(gst(tod_ms))
    return b"".join(parts)


def cuts(data: bytes, places: Iterable[int]) -> list[bytes]:
    """``data`` cut at the given offsets."""
    bounds = [0, *sorted(p for p in places if 0 < p < len(data)), len(data)]
    return [data[a:b] for a, b in itertools.pairwise(bounds)]
