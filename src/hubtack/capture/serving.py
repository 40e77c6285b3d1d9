"""Servers for a replay: a TCP port, and a small caster of both NTRIP versions, on loopback unless told otherwise.

Everybody who is connected gets every byte from then on. Who does not keep up loses the connection, not the others
their data.
"""

from __future__ import annotations

import base64
import contextlib
import errno
import socket
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from hubtack.errors import SourceError
from hubtack.ntrip.gga import GgaFinder
from hubtack.secret import Secret

MAX_WAITING = 4 << 20
MAX_REQUEST = 16_384
REQUEST_S = 10.0


class Client:
    """One connection's queue of bytes to send."""

    def __init__(self, encode: Callable[[bytes], bytes] = bytes) -> None:
        self._encode = encode
        self._parts: deque[bytes] = deque()
        self._size = 0
        self._changed = threading.Condition()
        self.closed = False

    def put(self, data: bytes) -> None:
        """Queue bytes; a client that lets too much pile up is closed."""
        with self._changed:
            self._parts.append(self._encode(data))
            self._size += len(data)
            if self._size > MAX_WAITING:
                self.closed = True
            self._changed.notify()

    def close(self) -> None:
        """No more will come; what waits is still sent."""
        with self._changed:
            self.closed = True
            self._changed.notify()

    def pump(self, sock: socket.socket) -> None:
        """Send until closed or the other side is gone."""
        sock.settimeout(5.0)
        with contextlib.suppress(OSError):
            while True:
                with self._changed:
                    self._changed.wait_for(lambda: self._parts or self.closed, 0.5)
                    if not self._parts and self.closed:
                        return
                    batch = b"".join(self._parts)
                    self._parts.clear()
                    self._size = 0
                if batch:
                    sock.sendall(batch)
                elif _is_gone(sock):
                    return


def _is_gone(sock: socket.socket) -> bool:
    try:
        sock.setblocking(False)
        return sock.recv(4096) == b""
    except (BlockingIOError, InterruptedError):
        return False
    except OSError:
        return True
    finally:
        with contextlib.suppress(OSError):
            sock.settimeout(5.0)


class Server:
    """Accepts connections on a thread, and serves each on one of its own.

    Raises
    ------
    SourceError
        The port is in use or the address is not this computer's.
    """

    def __init__(self, host: str, port: int) -> None:
        try:
            family = socket.AF_INET6 if ":" in host else socket.AF_INET
            self._socket = socket.create_server((host, port), family=family)
        except OSError as err:
            in_use = err.errno == errno.EADDRINUSE
            why = f"port {port} is in use by another program" if in_use else err.strerror or str(err)
            raise SourceError(f"{host}:{port}: cannot listen; {why}", retry=False) from err
        self.host, self.port = host, self._socket.getsockname()[1]
        self._clients: set[Client] = set()
        self._lock = threading.Lock()
        self.connected = threading.Event()
        self._closing = False
        self._threads: list[threading.Thread] = []
        self._acceptor = threading.Thread(target=self._accept, name=f"server-{self.port}", daemon=True)
        self._acceptor.start()

    def _accept(self) -> None:
        while not self._closing:
            try:
                sock, _ = self._socket.accept()
            except OSError:
                return
            thread = threading.Thread(target=self._serve_safely, args=(sock,), daemon=True)
            self._threads = [t for t in self._threads if t.is_alive()]
            self._threads.append(thread)
            thread.start()

    def _serve_safely(self, sock: socket.socket) -> None:
        with contextlib.suppress(OSError), sock:
            self.serve(sock)

    def serve(self, sock: socket.socket) -> None:
        """What one connection gets."""
        self.stream(sock, Client())

    def stream(self, sock: socket.socket, client: Client) -> None:
        """Let ``client`` have the published bytes until it or the server goes."""
        with self._lock:
            if self._closing:
                return
            self._clients.add(client)
        self.connected.set()
        try:
            client.pump(sock)
        finally:
            with self._lock:
                self._clients.discard(client)

    def publish(self, data: bytes) -> None:
        """Send to all who are connected."""
        with self._lock:
            clients = list(self._clients)
        for client in clients:
            client.put(data)

    def close(self) -> None:
        """Send what waits, then end all connections."""
        with self._lock:
            self._closing = True
            clients = list(self._clients)
        for client in clients:
            client.close()
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        for thread in self._threads:
            thread.join(2.0)


@dataclass(frozen=True, slots=True)
class MountPoint:
    """A mount point of the replay's caster."""

    name: str
    record: str
    needs_position: bool = False


def mount_record(name: str, *, needs_position: bool = False, login: bool = False) -> str:
    """Its line in the source table; what the stream holds is not known before it is played."""
    flags = "1;1" if needs_position else "0;0"
    return f"STR;{name};replay;RTCM 3.2;;2;;;;;;{flags};hubtack replay;none;{'B' if login else 'N'};N;;"


class Caster(Server):
    """A caster with one mount point: versions 1.0 and 2.0, table, Basic login; waits for a position if told to."""

    def __init__(
        self, host: str, port: int, mount: MountPoint, *, user: str = "", password: Secret | None = None
    ) -> None:
        self.mount = mount
        self.user = user
        self._password = password
        self.positions = GgaFinder()
        super().__init__(host, port)

    def serve(self, sock: socket.socket) -> None:
        """Answer one request."""
        sock.settimeout(REQUEST_S)
        request = b""
        while b"\r\n\r\n" not in request and b"\n\n" not in request:
            data = sock.recv(4096)
            if not data or len(request) > MAX_REQUEST:
                return
            request += data
        lines = request.decode("latin-1").splitlines()
        words = lines[0].split()
        headers = {k.strip().lower(): v.strip() for k, _, v in (line.partition(":") for line in lines[1:])}
        version = 2 if headers.get("ntrip-version", "").lower().startswith("ntrip/2") else 1
        if len(words) < 2 or words[0] != "GET":
            sock.sendall(b"HTTP/1.1 501 Not Implemented\r\nConnection: close\r\n\r\n")
            return
        name = words[1].split("?")[0].lstrip("/")
        if not name or (name != self.mount.name and version == 1):
            self._send_table(sock, version)
        elif name != self.mount.name:
            sock.sendall(b"HTTP/1.1 404 Not Found\r\nNtrip-Version: Ntrip/2.0\r\nConnection: close\r\n\r\n")
        elif not self._may_enter(headers.get("authorization", "")):
            head = b'HTTP/1.1 401 Unauthorized\r\nWWW-Authenticate: Basic realm="/' + name.encode() + b'"\r\n'
            sock.sendall(head + b"Connection: close\r\n\r\n")
        else:
            self._send_stream(sock, version, headers)

    def _may_enter(self, authorization: str) -> bool:
        if self._password is None:
            return True
        login = base64.b64encode(f"{self.user}:{self._password.reveal()}".encode()).decode("ascii")
        return authorization == f"Basic {login}"

    def _send_table(self, sock: socket.socket, version: int) -> None:
        body = f"{self.mount.record}\r\nENDSOURCETABLE\r\n".encode()
        if version == 2:
            head = "HTTP/1.1 200 OK\r\nNtrip-Version: Ntrip/2.0\r\nContent-Type: gnss/sourcetable\r\n"
        else:
            head = "SOURCETABLE 200 OK\r\nServer: NTRIP hubtack replay\r\nContent-Type: text/plain\r\n"
        sock.sendall(f"{head}Content-Length: {len(body)}\r\nConnection: close\r\n\r\n".encode() + body)

    def _send_stream(self, sock: socket.socket, version: int, headers: dict[str, str]) -> None:
        if version == 2:
            sock.sendall(
                b"HTTP/1.1 200 OK\r\nNtrip-Version: Ntrip/2.0\r\nContent-Type: gnss/data\r\n"
                b"Transfer-Encoding: chunked\r\nConnection: close\r\n\r\n"
            )
            client = Client(lambda data: b"%x\r\n" % len(data) + data + b"\r\n")
        else:
            sock.sendall(b"ICY 200 OK\r\n\r\n")
            client = Client()
        if self.mount.needs_position:
            finder = GgaFinder()
            finder.feed(headers.get("ntrip-gga", "").encode("latin-1") + b"\r\n")
            sock.settimeout(60.0)
            while finder.place is None:
                data = sock.recv(1024)
                if not data:
                    return
                finder.feed(data)
            self.positions = finder
        self.stream(sock, client)
