"""TCP and UDP sources: thin shells around sockets; what went wrong is told in the user's words."""

from __future__ import annotations

import errno
import ipaddress
import socket
import threading
from collections.abc import Callable, Iterator

from hubtack.errors import SourceError
from hubtack.readers.base import POLL_S, READ_SIZE, RetryingReader
from hubtack.readers.clock import Clock
from hubtack.readers.retry import Backoff
from hubtack.readers.urls import SourceSpec

CONNECT_TIMEOUT_S = 10.0  # reference/ntrip: common practice


def connect_tcp(host: str, port: int, code: str | None = None, timeout_s: float = CONNECT_TIMEOUT_S) -> socket.socket:
    """A connected socket to ``host``, over IPv6 or IPv4, with keep-alive.

    Raises
    ------
    SourceError
        With the cause told apart (name, refusal, time-out, route) and ``code`` as its finding code.
    """
    where = f"{host}:{port}"
    try:
        sock = socket.create_connection((host, port), timeout=timeout_s)
    except socket.gaierror as err:
        raise SourceError(
            f"{where}: the name {host!r} cannot be resolved ({err.strerror}); check the spelling, and whether this "
            "computer has a network and a data contract", code=code,
        ) from err
    except UnicodeError as err:
        raise SourceError(f"{where}: {host!r} is not a host name", code=code, retry=False) from err
    except ConnectionRefusedError as err:
        raise SourceError(
            f"{where}: connection refused; the computer is there and nothing listens on port {port}: check the port "
            "and whether the service runs", code=code,
        ) from err
    except TimeoutError as err:
        raise SourceError(
            f"{where}: no answer within {timeout_s:g} s; a firewall or the mobile network may block port {port}: try "
            "another port (443 or 80) or another network", code=code,
        ) from err
    except OSError as err:
        route = err.errno in (errno.ENETUNREACH, errno.EHOSTUNREACH)
        hint = "no route to it: check cable, Wi-Fi or modem" if route else str(err.strerror or err)
        raise SourceError(f"{where}: cannot connect; {hint}", code=code) from err
    keep_alive(sock)
    sock.settimeout(POLL_S)
    return sock


def keep_alive(sock: socket.socket) -> None:
    """Keep-alive at 30 s: mobile address translation forgets an idle flow after one to five minutes (practice)."""
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (("TCP_KEEPIDLE", 30), ("TCP_KEEPINTVL", 10), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, option):
            sock.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)


class TcpReader(RetryingReader):
    """A TCP client."""

    def __init__(self, spec: SourceSpec, name: str, clock: Clock | None = None, backoff: Backoff | None = None) -> None:
        super().__init__(name, spec.label, backoff or Backoff(), clock)
        self._spec = spec

    def _session(self, opened: Callable[[], None], stop: threading.Event) -> Iterator[bytes]:
        with connect_tcp(self._spec.host, self._spec.port) as sock:
            opened()
            while True:
                try:
                    data = sock.recv(READ_SIZE)
                except TimeoutError:
                    yield b""
                    continue
                except OSError as err:
                    raise SourceError(f"{self.label}: connection lost ({err.strerror or err})") from err
                if not data:
                    return
                yield data


class UdpReader(RetryingReader):
    """A UDP listener on a port of this computer, or a member of a multicast group."""

    def __init__(self, spec: SourceSpec, name: str, clock: Clock | None = None, backoff: Backoff | None = None) -> None:
        super().__init__(name, spec.label, backoff or Backoff(), clock)
        self._spec = spec
        self._sock: socket.socket | None = None

    def check(self) -> None:
        """Bind already, so that a port in use is told before anything starts."""
        if self._sock is None:
            self._sock = self._bind()

    def _bind(self) -> socket.socket:
        host, port = self._spec.host, self._spec.port
        group = None
        try:
            address = ipaddress.ip_address(host) if host else None
            group = address if address is not None and address.is_multicast else None
        except ValueError:
            pass
        try:
            bind_host = "" if group is not None else host
            family = socket.AF_INET
            if bind_host:
                family = socket.getaddrinfo(bind_host, port, type=socket.SOCK_DGRAM)[0][0]
            elif group is not None and group.version == 6:
                family = socket.AF_INET6
            sock = socket.socket(family, socket.SOCK_DGRAM)
        except OSError as err:
            raise SourceError(f"{self.label}: {err.strerror or err}; udp://:{port} listens on all addresses") from err
        try:
            if group is not None:
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            sock.bind((bind_host, port))
            if group is not None and group.version == 4:
                sock.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, group.packed + bytes(4))
            elif group is not None:
                sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_JOIN_GROUP, group.packed + bytes(4))
        except OSError as err:
            sock.close()
            if err.errno == errno.EADDRINUSE:
                hint = f"port {port} is in use by another program: end it, or let it send to another port"
            elif err.errno == errno.EADDRNOTAVAIL:
                hint = f"{host} is not an address of this computer; udp://:{port} listens on all of them"
            elif err.errno == errno.EACCES:
                hint = f"port {port} needs administrator rights; use one above 1023"
            else:
                hint = str(err.strerror or err)
            raise SourceError(f"{self.label}: cannot listen; {hint}") from err
        sock.settimeout(POLL_S)
        return sock

    def _session(self, opened: Callable[[], None], stop: threading.Event) -> Iterator[bytes]:
        sock, self._sock = self._sock or self._bind(), None
        with sock:
            opened()
            while True:
                try:
                    yield sock.recv(READ_SIZE)
                except TimeoutError:
                    yield b""
                except OSError as err:
                    raise SourceError(f"{self.label}: {err.strerror or err}") from err
