"""Live sources of which one call fails: each is read until the whole log has come in one go, or it has been tried often."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

from hubtack.errors import SourceError
from hubtack.readers.chunk import Chunk, Event, Notice, Reader, SourceState
from hubtack.readers.network import TcpReader, UdpReader
from hubtack.readers.ntrip_source import NtripReader
from hubtack.readers.retry import Backoff
from hubtack.readers.serial_port import SerialReader
from hubtack.readers.urls import parse_source

ROVER = (Path(__file__).parents[2] / "sample_logs/good_day/rover.nmea").read_bytes()[:9000]
MOST_EVENTS = 60


class Ticking:
    """Two thirds of a second at each look, so that pauses pass and syncs come due."""

    def __init__(self) -> None:
        self._ns = 0

    def mono_ns(self) -> int:
        self._ns += 660_000_000
        return self._ns

    def utc_ns(self) -> int:
        return 1_700_000_000_000_000_000

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        return stop.is_set()


def quick() -> Backoff:
    """Pauses without chance."""
    return Backoff(uniform=lambda a, b: a)


def heard(reader: Reader) -> list[Event]:
    """What a reader says until the log's length has come in one connection, or there are many events."""
    stop, events = threading.Event(), list[Event]()
    got = 0

    def emit(event: Event) -> None:
        nonlocal got
        events.append(event)
        got = got + len(event.data) if isinstance(event, Chunk) else 0
        if got >= len(ROVER) or len(events) > MOST_EVENTS:
            stop.set()

    reader.run(emit, stop)
    return events


def check_heard(folder: Path, came: object, good: object) -> None:
    """It was tried again until data came, each try gave a piece of the log without a hole, and each failure has its words."""
    pieces = [b""]
    for event in came:  # type: ignore[attr-defined]
        if isinstance(event, Chunk):
            pieces[-1] += event.data
        elif event.state is SourceState.OPENED:
            pieces.append(b"")
    assert any(pieces), "it was never tried again"
    assert all(piece in ROVER * 4 for piece in pieces), "bytes are missing within one connection"
    notices = [e for e in came if isinstance(e, Notice)]  # type: ignore[attr-defined]
    assert all(n.message for n in notices if n.state is SourceState.FAILED)
    assert not any(n.state is SourceState.REFUSED for n in notices), "one failure is no reason to give up"


@contextlib.contextmanager
def serving(greeting: bytes) -> Iterator[int]:
    """A port that says ``greeting`` and the log to each that connects."""
    server = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with contextlib.suppress(OSError):
            while True:
                peer, _ = server.accept()
                with contextlib.suppress(OSError), peer:  # a client that hangs up is no reason to stop serving
                    peer.sendall(greeting + ROVER)
                    peer.shutdown(socket.SHUT_WR)
                    peer.settimeout(2.0)
                    while peer.recv_into(
                        bytearray(4096)
                    ):  # what is unread when a socket closes would cut the rest short
                        pass

    threading.Thread(target=serve, daemon=True).start()
    try:
        yield server.getsockname()[1]
    finally:
        server.shutdown(socket.SHUT_RDWR)  # wakes the thread that waits in accept
        server.close()


def tcp(folder: Path) -> object:
    """A server on the network."""
    with serving(b"") as port:
        return heard(TcpReader(parse_source(f"tcp://127.0.0.1:{port}"), "rover", Ticking(), quick()))


def ntrip(folder: Path) -> object:
    """A caster."""
    with serving(b"ICY 200 OK\r\n\r\n") as port:
        spec = parse_source(f"ntrip://127.0.0.1:{port}/BANK1")
        return heard(NtripReader(spec, "rover", near=(-45.0, 170.0), clock=Ticking(), backoff=quick()))


def udp(folder: Path) -> object:
    """Datagrams; what is sent while nobody listens is gone, as it is in life."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        socket.socket.__base__.bind(asked, ("127.0.0.1", 0))  # type: ignore[attr-defined, union-attr]  # not counted
        port = asked.getsockname()[1]
    reader = UdpReader(parse_source(f"udp://127.0.0.1:{port}"), "rover", Ticking(), quick())
    with contextlib.suppress(SourceError):  # as a port in use is told; then it is tried again
        reader.check()
    over = threading.Event()

    def talk() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            while not over.is_set():
                for i in range(0, len(ROVER), 900):
                    with contextlib.suppress(OSError):
                        out.sendto(ROVER[i : i + 900], ("127.0.0.1", port))
                    over.wait(0.01)  # slow, so that a busy computer drops none

    sender = threading.Thread(target=talk, daemon=True)
    sender.start()
    try:
        return heard(reader)
    finally:
        over.set()
        sender.join(5)


def serial(folder: Path) -> object:
    """A serial port, opened by a link in the folder so that its calls count."""
    import tty

    ours, theirs = os.openpty()
    tty.setraw(theirs)
    (folder / "port").symlink_to(os.ttyname(theirs))
    os.set_blocking(ours, False)
    over = threading.Event()

    def talk() -> None:
        at = 0
        while not over.is_set():
            with contextlib.suppress(BlockingIOError, OSError):
                at = (at + os.write(ours, ROVER[at : at + 900])) % len(ROVER)
            over.wait(0.001)

    sender = threading.Thread(target=talk, daemon=True)
    sender.start()
    try:
        return heard(SerialReader(parse_source(f"serial://{folder}/port?baud=115200"), "rover", Ticking(), quick()))
    finally:
        over.set()
        sender.join(5)
        os.close(ours)
        os.close(theirs)


SOURCES: dict[str, Callable[[Path], object]] = {"tcp": tcp, "ntrip": ntrip, "udp": udp, "serial": serial}
