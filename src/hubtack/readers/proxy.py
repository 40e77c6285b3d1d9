"""Proxies by the usual environment variables: a tunnel by CONNECT (RFC 9110, 9.3.6)."""

from __future__ import annotations

import base64
import ipaddress
import socket
import time
from urllib.parse import unquote, urlsplit

from hubtack.errors import SourceError
from hubtack.readers.network import CONNECT_TIMEOUT_S, connect_tcp

MAX_HEAD = 16_384


def proxy_for(host: str, *, tls: bool) -> str | None:
    """The proxy's URL for ``host``, or None: none is set, or ``no_proxy`` or loopback makes an exception."""
    from urllib.request import getproxies, proxy_bypass

    if host == "localhost" or _is_loopback(host) or proxy_bypass(host):
        return None
    proxies = getproxies()
    return proxies.get("https" if tls else "http") or proxies.get("all")


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def connect_through(proxy: str, host: str, port: int) -> socket.socket:
    """A socket to ``host`` through the proxy.

    Raises
    ------
    SourceError
        The proxy is not reachable, of an unknown kind, or refuses; code ``caster_unreachable``.
    """
    parts = urlsplit(proxy if "://" in proxy else f"http://{proxy}")
    shown = f"proxy {parts.hostname}:{parts.port or 80}"
    code = "caster_unreachable"
    if parts.scheme != "http" or not parts.hostname:
        raise SourceError(
            f"{shown}: only http:// proxies are understood, not {parts.scheme}://; set no_proxy={host} to go around it",
            code=code,
            retry=False,
        )
    try:
        sock = connect_tcp(parts.hostname, parts.port or 80, code)
    except SourceError as err:
        raise SourceError(f"{shown} (from http_proxy or https_proxy) is not reachable: {err}", code=code) from err
    place = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    request = f"CONNECT {place} HTTP/1.1\r\nHost: {place}\r\n"
    if parts.username:
        login = f"{unquote(parts.username)}:{unquote(parts.password or '')}".encode()
        request += f"Proxy-Authorization: Basic {base64.b64encode(login).decode('ascii')}\r\n"
    try:
        sock.settimeout(CONNECT_TIMEOUT_S)
        sock.sendall((request + "\r\n").encode("ascii"))
        head = _read_head(sock)
    except OSError as err:
        sock.close()
        raise SourceError(f"{shown}: no answer to CONNECT ({err.strerror or err})", code=code) from err
    status = head.split(b" ", 2)[1:2]
    if not head.startswith(b"HTTP/1") or not status or not status[0].startswith(b"2"):
        sock.close()
        first = head.partition(b"\r\n")[0].decode("latin-1")
        raise SourceError(
            f"{shown} refuses the way to {place}: {first!r}; ask its administrator to allow CONNECT to port {port}, or "
            f"set no_proxy={host}",
            code=code,
        )
    return sock


def _read_head(sock: socket.socket) -> bytes:
    # Byte by byte: what follows the blank line belongs to the tunnel.
    head = bytearray()
    deadline = time.monotonic() + CONNECT_TIMEOUT_S
    while not head.endswith(b"\r\n\r\n") and len(head) < MAX_HEAD and time.monotonic() < deadline:
        byte = sock.recv(1)
        if not byte:
            break
        head += byte
    return bytes(head)
