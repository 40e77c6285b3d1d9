"""The position line that a caster is given, and the one that is found in a rover's sentences. Pure."""

from __future__ import annotations

import datetime
import re


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


_GGA = re.compile(
    rb"\$[A-Z]{2}GGA,[\d.]*,(\d{2})(\d{2}\.?\d*),([NS]),(\d{3})(\d{2}\.?\d*),([EW]),([1-9]),"
    rb"[^*$\r\n]*\*([0-9A-F]{2})"
)


class GgaFinder:
    """The newest position in a stream of sentences, for a caster; fed any cut of the stream."""

    def __init__(self) -> None:
        self._tail = b""
        self.place: tuple[float, float, float] | None = None

    def feed(self, data: bytes) -> None:
        """Look at more bytes."""
        buffer = self._tail + data
        for match in _GGA.finditer(buffer):
            checksum = 0
            for byte in match[0][1:-3]:
                checksum ^= byte
            if checksum != int(match[8], 16):
                continue
            lat = int(match[1]) + float(match[2]) / 60.0
            lon = int(match[4]) + float(match[5]) / 60.0
            fields = match[0].split(b",")
            try:
                height_m = float(fields[9] or 0.0) + float(fields[11] or 0.0)
            except (ValueError, IndexError):
                height_m = 0.0
            self.place = (lat if match[3] == b"N" else -lat, lon if match[6] == b"E" else -lon, height_m)
        self._tail = buffer[-200:]
