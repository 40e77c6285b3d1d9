"""The position line that a caster is given. Pure."""

from __future__ import annotations

import datetime


def gga_line(lat_deg: float, lon_deg: float, height_m: float, t_utc_ns: int) -> bytes:
    """A GGA sentence with quality 1 for a position to about 2 m, CR LF included.

    A caster wants a valid checksum, a quality that is not 0 and the current time; metres of error do not matter
    (common practice). Three decimals of a minute give away no more of the place than the caster needs.
    """
    when = datetime.datetime.fromtimestamp(t_utc_ns / 1e9, datetime.UTC)
    lon_deg = (lon_deg + 180.0) % 360.0 - 180.0
    body = (
        f"GPGGA,{when:%H%M%S}.00,{_dm(lat_deg, 2)},{'N' if lat_deg >= 0 else 'S'},"
        f"{_dm(lon_deg, 3)},{'E' if lon_deg >= 0 else 'W'},1,10,1.0,{height_m:.1f},M,0.0,M,,"
    )
    checksum = 0
    for byte in body.encode("ascii"):
        checksum ^= byte
    return f"${body}*{checksum:02X}\r\n".encode("ascii")


def _dm(angle_deg: float, digits: int) -> str:
    """Degrees and minutes, rounded as a whole so that minutes never read 60.000."""
    thousandths = round(abs(angle_deg) * 60_000)
    degrees, rest = divmod(thousandths, 60_000)
    return f"{degrees:0{digits}d}{rest // 1000:02d}.{rest % 1000:03d}"
