"""Sockets on loopback and pseudo-terminals, as the site would use them."""

import contextlib
import os
import pty
import socket
import threading
import tty
from types import SimpleNamespace

import pytest

from hubtack.errors import SourceError
from hubtack.readers.chunk import Chunk, SourceState
from hubtack.readers.hub import Hub
from hubtack.readers.network import TcpReader, UdpReader, connect_tcp
from hubtack.readers.opening import open_reader
from hubtack.readers.retry import Backoff
from hubtack.readers.serial_port import SerialReader
from hubtack.readers.urls import parse_source

SENTENCE = b"$GNGGA,120000.00,,,,,0,,,,,,,,*7E\r\n"


def quick():
    return Backoff((0.01,), lambda a, b: a)


def take(hub, wanted, tries=50):
    """Events until ``wanted`` accepts one."""
    seen = []
    for _ in range(tries):
        for event in hub.events(0.2):
            seen.append(event)
            if wanted(event):
                return seen
    raise AssertionError(seen)


def data_of(events):
    return b"".join(e.data for e in events if isinstance(e, Chunk))


def test_a_tcp_source_that_closes_is_shown_as_failing_and_tried_again():
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]

        def serve():
            for part in (SENTENCE, b"second time"):
                with server.accept()[0] as peer:
                    peer.sendall(part)

        thread = threading.Thread(target=serve)
        thread.start()
        with Hub([TcpReader(parse_source(f"tcp://127.0.0.1:{port}"), "rover", backoff=quick())]) as hub:
            seen = take(hub, lambda e: isinstance(e, Chunk) and b"second" in e.data)
        thread.join()
    assert data_of(seen) == SENTENCE + b"second time"
    states = [e.state for e in seen if not isinstance(e, Chunk)]
    assert states[:3] == [SourceState.OPENED, SourceState.FAILED, SourceState.OPENED]
    assert all(e.t_mono_ns and e.t_utc_ns for e in seen)


def test_a_refused_connection_says_so_and_names_the_port():
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    with pytest.raises(SourceError, match=f"refused.*port {port}"):
        connect_tcp("127.0.0.1", port)


def test_a_name_that_does_not_resolve_says_so():
    with pytest.raises(SourceError, match="cannot be resolved"):
        connect_tcp("no-such-host.invalid", 2101)  # RFC 2606: .invalid never resolves


def test_udp_datagrams_come_through_and_a_port_in_use_is_told_at_once():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
        with pytest.raises(SourceError, match="in use"):
            UdpReader(parse_source(f"udp://127.0.0.1:{port}"), "rover").check()
    with Hub([UdpReader(parse_source(f"udp://127.0.0.1:{port}"), "rover")]) as hub:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.sendto(SENTENCE, ("127.0.0.1", port))
        assert data_of(take(hub, lambda e: isinstance(e, Chunk))) == SENTENCE


def test_udp_on_an_address_of_another_computer_is_explained():
    with pytest.raises(SourceError, match="not an address of this computer"):
        UdpReader(parse_source("udp://192.0.2.1:9000"), "rover").check()  # RFC 5737: documentation address


@contextlib.contextmanager
def pseudo_terminal():
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    try:
        yield ours, os.ttyname(theirs)
    finally:
        for fd in (ours, theirs):
            with contextlib.suppress(OSError):
                os.close(fd)


def test_a_serial_port_is_read_and_unplugging_and_replugging_it_needs_no_restart(tmp_path):
    link = tmp_path / "port"
    with pseudo_terminal() as (first, first_name):
        link.symlink_to(first_name)
        hub = Hub([SerialReader(parse_source(f"serial://{link}?baud=38400"), "rover", backoff=quick())])
        with hub:
            os.write(first, SENTENCE)
            take(hub, lambda e: isinstance(e, Chunk))
            link.unlink()
            os.close(first)
            gone = take(hub, lambda e: not isinstance(e, Chunk) and e.state is SourceState.FAILED)
            assert "gone" in gone[-1].message
            with pseudo_terminal() as (second, second_name):
                link.symlink_to(second_name)
                take(hub, lambda e: not isinstance(e, Chunk) and e.state is SourceState.OPENED)
                os.write(second, b"back again")
                take(hub, lambda e: isinstance(e, Chunk) and e.data.endswith(b"again"))


def test_an_adapter_that_comes_back_under_another_name_is_known_by_its_serial_number(monkeypatch, tmp_path):
    ports = []
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: list(ports))

    def plugged(device, number="A1"):
        return SimpleNamespace(device=str(device), vid=0x0403, pid=0x6001, serial_number=number)

    first_link, second_link = tmp_path / "ttyUSB0", tmp_path / "ttyUSB1"
    with pseudo_terminal() as (first, first_name), pseudo_terminal() as (second, second_name):
        first_link.symlink_to(first_name)
        ports[:] = [plugged(first_link)]
        hub = Hub([SerialReader(parse_source(f"serial://{first_link}"), "rover", backoff=quick())])
        with hub:
            os.write(first, SENTENCE)
            take(hub, lambda e: isinstance(e, Chunk))
            first_link.unlink()
            second_link.symlink_to(second_name)
            ports[:] = [plugged(tmp_path / "ttyUSB7", "B2"), plugged(second_link)]
            os.close(first)
            take(hub, lambda e: not isinstance(e, Chunk) and e.state is SourceState.OPENED)
            os.write(second, b"back again")
            take(hub, lambda e: isinstance(e, Chunk) and e.data.endswith(b"again"))


def test_a_serial_port_in_use_or_missing_is_told_before_the_start(tmp_path):
    with pseudo_terminal() as (_, name):
        holder = SerialReader(parse_source(f"serial://{name}"), "rover")
        holder.check()
        with pytest.raises(SourceError, match="in use by another program"):
            SerialReader(parse_source(f"serial://{name}"), "rover").check()
        holder._port.close()
    with pytest.raises(SourceError, match=r"no port .* plugged in"):
        SerialReader(parse_source(f"serial://{tmp_path}/ttyUSB9"), "rover").check()


def test_a_file_given_as_a_serial_port_is_not_taken_for_one(tmp_path):
    path = tmp_path / "log"
    path.write_bytes(SENTENCE)
    with pytest.raises(SourceError, match="not a serial port"):
        SerialReader(parse_source(f"serial://{path}"), "rover").check()


def test_no_permission_names_the_remedy(monkeypatch):
    import serial

    def refuse(self):
        raise serial.SerialException(13, "could not open port: [Errno 13] Permission denied")

    monkeypatch.setattr(serial.Serial, "open", refuse)
    with pytest.raises(SourceError, match="usermod -a -G"):
        SerialReader(parse_source("serial:///dev/ttyUSB0"), "rover").check()


def test_dtr_and_rts_stay_low_unless_asked_for(monkeypatch):
    import serial

    lines = []
    monkeypatch.setattr(serial.Serial, "open", lambda self: lines.append((self.dtr, self.rts)))
    for query in ("", "?dtr=on", "?dtr=on&rts=on"):
        SerialReader(parse_source(f"serial:///dev/ttyUSB0{query}"), "rover").check()
    assert lines == [(False, False), (True, False), (True, True)]


def test_pyserial_urls_work():
    reader = open_reader("loop://", "rover")
    reader.check()
    reader._port.write(SENTENCE)
    with Hub([reader]) as hub:
        assert data_of(take(hub, lambda e: isinstance(e, Chunk) and e.data.endswith(b"\n"))) == SENTENCE
