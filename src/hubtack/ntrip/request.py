"""Requests of an NTRIP client, versions 1.0 and 2.0. Pure.

Source: RTCM 10410.1 and the protocol's public description of 2003, from memory; forms of common practice.
"""

from __future__ import annotations

from urllib.parse import quote

from hubtack import __version__

AGENT = f"NTRIP hubtack/{__version__}"  # must begin with NTRIP: casters turn others away


def target(mount: str) -> str:
    """Request target of a mount point; "" asks for the source table."""
    return "/" + quote(mount, safe="-_.~!$&'()*+,;=:@/")


def build_request(
    mount: str, *, version: int, host: str, port: int, authorization: str | None = None, gga: bytes | None = None
) -> bytes:
    """The request for ``mount`` ("" for the table) in NTRIP version 1 or 2."""
    lines = [f"GET {target(mount)} HTTP/1.{0 if version == 1 else 1}"]
    if version == 2:
        shown = f"[{host}]" if ":" in host else host
        lines += [f"Host: {shown}:{port}", "Ntrip-Version: Ntrip/2.0"]
    lines.append(f"User-Agent: {AGENT}")
    if authorization is not None:
        lines.append(f"Authorization: {authorization}")
    if version == 2:
        if gga is not None:
            lines.append(f"Ntrip-GGA: {gga.decode('ascii').strip()}")
        lines.append("Connection: close")
    return ("\r\n".join(lines) + "\r\n\r\n").encode("utf-8")
