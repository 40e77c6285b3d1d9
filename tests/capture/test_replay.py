"""A replay to every kind of output, read back by the readers themselves; and faults on the way."""

import http.client
import json
import os
import socket
import threading
import time
from pathlib import Path

import pytest

from hubtack.capture.faults import FaultyLine, parse_fault
from hubtack.capture.forward import Forwarder
from hubtack.capture.outputs import FileOutput, PtyOutput, open_output
from hubtack.capture.playing import Player
from hubtack.capture.serving import Caster, MountPoint, Server, mount_record
from hubtack.capture.writer import CaptureWriter
from hubtack.cli.main import main
from hubtack.errors import SourceError, UsageError
from hubtack.readers.chunk import Chunk, SourceState
from hubtack.readers.hub import Hub
from hubtack.readers.network import TcpReader
from hubtack.readers.ntrip_source import NtripReader, fetch_table
from hubtack.readers.serial_port import SerialReader
from hubtack.readers.urls import parse_source
from hubtack.secret import Secret

FRAME = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")  # 1005 example of RTCM 10403.3, section 4
LINE = b"$GPGGA,120000.00,4500.0000,S,17000.0000,E,4,12,0.8,10.0,M,5.0,M,1.0,0412*4B\r\n"


def capture(folder: Path, n=5):
    with CaptureWriter(folder, {"rover": "a", "corrections": "b"}) as writer:
        for i in range(n):
            at = i * 100_000_000
            writer.write(Chunk("rover", LINE, 10**18 + at, 10**9 + at, 2 * i + 1))
            writer.write(Chunk("corrections", FRAME, 10**18 + at, 10**9 + at, 2 * i + 2))
    return folder


def read_until(reader, wanted, limit_s=8.0):
    got, states = b"", []
    until = time.monotonic() + limit_s
    with Hub([reader]) as hub:
        while time.monotonic() < until and not hub.done:
            for event in hub.events(0.1):
                if isinstance(event, Chunk):
                    got += event.data
                else:
                    states.append(event)
            if wanted(got, states):
                return got, states
    raise AssertionError((got, states))


def test_a_capture_becomes_files_again(tmp_path, capsys):
    source = capture(tmp_path / "cap")
    out = tmp_path / "rover.nmea"
    assert main(["replay", str(source), "--to", f"rover={out}", "--speed", "0", "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["sources"]
    assert told == {"name": "rover", "to": [str(out)], "bytes": len(LINE) * 5, "lost_bytes": 0}
    assert out.read_bytes() == LINE * 5
    assert main(["replay", str(source), "--to", f"rover={out}", "--speed", "0"]) == 2  # nothing is overwritten


def test_a_replay_over_tcp_reaches_two_clients():
    server = Server("127.0.0.1", 0)
    spec = parse_source(f"tcp://127.0.0.1:{server.port}")
    results = []

    def client():
        results.append(read_until(TcpReader(spec, "rover"), lambda got, _: len(got) >= 2 * len(LINE))[0])

    threads = [threading.Thread(target=client) for _ in range(2)]
    for thread in threads:
        thread.start()
    while len(server._clients) < 2:
        time.sleep(0.01)
    server.publish(LINE)
    server.publish(LINE)
    for thread in threads:
        thread.join()
    server.close()
    assert results == [LINE * 2] * 2


def test_a_replay_on_a_pseudo_terminal_is_read_as_a_serial_port(tmp_path):
    link = tmp_path / "port"
    output = PtyOutput(link)
    reader = SerialReader(parse_source(f"serial://{link}"), "rover")
    reader.check()
    output.write(LINE + FRAME)
    assert read_until(reader, lambda got, _: len(got) >= len(LINE + FRAME))[0] == LINE + FRAME
    output.close()
    assert not link.is_symlink()


def test_a_pseudo_terminal_that_nobody_reads_never_blocks(tmp_path):
    output = PtyOutput(None)
    for _ in range(3000):
        output.write(LINE)
    assert output.lost > 0
    output.close()


@pytest.mark.parametrize("needs", [False, True])
@pytest.mark.parametrize("version", [1, 2])
def test_the_caster_serves_our_own_client_in_both_versions(needs, version):
    mount = MountPoint("BANK1", mount_record("BANK1", needs_position=needs, login=True), needs)
    caster = Caster("127.0.0.1", 0, mount, user="user", password=Secret("pw"))
    reader = NtripReader(
        parse_source(f"ntrip://user@127.0.0.1:{caster.port}/BANK1"),
        "corrections",
        near=(-45.0, 170.0),
        password=Secret("pw"),
        send_position="always" if needs else "auto",
    )
    reader._memory.version = version
    feeder = threading.Thread(target=lambda: caster.connected.wait(5) and caster.publish(FRAME * 3))
    feeder.start()
    got, states = read_until(reader, lambda got, _: len(got) >= 3 * len(FRAME))
    feeder.join()
    caster.close()
    assert got == FRAME * 3
    assert f"NTRIP {version}.0" in states[0].message
    assert (caster.positions.place is not None) is needs


def test_the_caster_refuses_a_wrong_login_and_an_unknown_mount_point():
    mount = MountPoint("BANK1", mount_record("BANK1", login=True))
    caster = Caster("127.0.0.1", 0, mount, user="user", password=Secret("pw"))
    for name, word, code in (("BANK1", "wrong", "caster_auth"), ("BANK", "pw", "caster_mount")):
        reader = NtripReader(parse_source(f"ntrip://user@127.0.0.1:{caster.port}/{name}"), "c", password=Secret(word))
        _, states = read_until(reader, lambda _, states: states)
        assert states[0].state is SourceState.REFUSED
        assert states[0].code == code
    assert "closest: BANK1" in states[0].message
    table = fetch_table(parse_source(f"ntrip://127.0.0.1:{caster.port}/"))
    caster.close()
    assert [m.mount for m in table.mounts] == ["BANK1"]
    assert table.complete


def test_another_http_client_reads_the_casters_version_2_stream():
    caster = Caster("127.0.0.1", 0, MountPoint("BANK1", mount_record("BANK1")))
    connection = http.client.HTTPConnection("127.0.0.1", caster.port, timeout=5)  # Python's own, as a reference
    connection.request("GET", "/BANK1", headers={"Ntrip-Version": "Ntrip/2.0", "User-Agent": "NTRIP other/1.0"})
    answer = connection.getresponse()
    assert (answer.status, answer.getheader("Content-Type")) == (200, "gnss/data")
    caster.connected.wait(5)
    caster.publish(FRAME)
    caster.publish(FRAME)
    assert answer.read(2 * len(FRAME)) == FRAME * 2
    connection.close()
    connection.request("GET", "/", headers={"Ntrip-Version": "Ntrip/2.0", "User-Agent": "NTRIP other/1.0"})
    table = connection.getresponse()
    assert table.getheader("Content-Type") == "gnss/sourcetable"
    assert b"STR;BANK1;" in table.read()
    connection.close()
    caster.close()


class HandClock:
    now_ns = 10**9

    def mono_ns(self):
        return self.now_ns

    def utc_ns(self):
        return self.now_ns

    def wait(self, stop, seconds):
        self.now_ns += round(seconds * 1e9)
        return stop.is_set()


class Memory:
    where = "memory"

    def __init__(self, clock):
        self.clock, self.got = clock, []

    def write(self, data):
        self.got.append((round((self.clock.now_ns - 10**9) / 1e9, 3), data))

    def close(self):
        pass


def test_a_capture_is_played_at_its_own_times(tmp_path):
    clock = HandClock()
    out = Memory(clock)
    Player(capture(tmp_path / "cap"), {"rover": [out]}, clock=clock).run(threading.Event())
    assert b"".join(d for _, d in out.got) == LINE * 5


def test_a_delay_makes_everything_late_by_so_much(tmp_path):
    clock = HandClock()
    out = Memory(clock)
    faults = [parse_fault("corrections:delay=2.5")]
    Player(capture(tmp_path / "cap"), {"corrections": [out]}, faults, clock=clock).run(threading.Event())
    assert b"".join(d for _, d in out.got) == FRAME * 5
    assert min(t for t, _ in out.got) >= 2.5


def test_loss_takes_whole_frames_and_the_same_ones_with_the_same_seed():
    def play(seed):
        line = FaultyLine([parse_fault("loss=0.3")], seed)
        data = FRAME * 1000
        out = b"".join(line.feed(0.0, data[i : i + 7]) for i in range(0, len(data), 7)) + line.feed(0.0, b"", end=True)
        return out, line.lost

    out, lost = play(7)
    assert out == FRAME * (len(out) // len(FRAME))
    assert len(out) + lost == 1000 * len(FRAME)
    assert 0.25 < lost / (1000 * len(FRAME)) < 0.35  # 30 %, +-3.4 sigma of a binomial with n = 1000
    assert play(7) == (out, lost)
    assert play(8) != (out, lost)


def test_bit_errors_come_at_their_rate():
    line = FaultyLine([parse_fault("bits=0.001")], 3)
    data = bytes(200_000)
    out = line.feed(0.0, data)
    turned = sum(bin(b).count("1") for b in out)
    assert 1600 * 0.85 < turned < 1600 * 1.15  # expected 1600, sigma 40


def test_a_cut_takes_its_seconds_and_no_others():
    line = FaultyLine([parse_fault("cut=30:10")], 1)
    assert [len(line.feed(float(t), b"x")) for t in (29, 30, 39, 40)] == [1, 0, 0, 1]


@pytest.mark.parametrize("text", ["loss", "loss=2", "loss=x", "cut=5", "delay=-1", "rain=1", "bits=nan"])
def test_a_wrong_fault_is_explained(text):
    with pytest.raises(UsageError, match="KIND=VALUE"):
        parse_fault(text)


@pytest.mark.parametrize(
    ("text", "error", "says"),
    [
        ("ntrip://127.0.0.1:2101/", UsageError, "name the mount point"),
        ("ntrip+tls://127.0.0.1:2101/M", UsageError, "no TLS"),
        ("ntrip://user@127.0.0.1:2101/M", UsageError, "HUBTACK_PASSWORD"),
        ("udp://127.0.0.1:5", UsageError, "a replay goes to"),
        ("tcp://192.0.2.1:5017", SourceError, "cannot listen"),  # RFC 5737: documentation address
    ],
)
def test_a_wrong_output_is_explained(text, error, says):
    with pytest.raises(error, match=says):
        open_output(text)


def test_a_port_in_use_is_told(tmp_path, capsys):
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        assert main(["replay", str(capture(tmp_path / "cap")), "--to", f"rover=tcp://127.0.0.1:{port}"]) == 3
    assert "in use" in capsys.readouterr().err


def test_replay_asks_which_source_where_there_are_several(tmp_path, capsys):
    source = str(capture(tmp_path / "cap"))
    assert main(["replay", source, "--to", "tcp://127.0.0.1:5017"]) == 2
    assert "which source" in capsys.readouterr().err
    assert main(["replay", source, "--to", "second_antenna=x"]) == 2
    assert main(["replay", str(tmp_path / "nothing"), "--to", "x"]) == 2


def test_a_file_output_is_never_an_old_file(tmp_path):
    (tmp_path / "a").write_text("x")
    with pytest.raises(UsageError, match="there already"):
        FileOutput(tmp_path / "a")


# Forwarding ----------------------------------------------------------------------------------------------------------


def test_forwarding_to_tcp_is_unchanged():
    with socket.create_server(("127.0.0.1", 0)) as server:
        with Forwarder(f"tcp://127.0.0.1:{server.getsockname()[1]}") as forwarder:
            for _ in range(20):
                forwarder.send(FRAME)
            peer, _ = server.accept()
        with peer:
            got = b""
            while data := peer.recv(4096):
                got += data
    assert got == FRAME * 20
    assert (forwarder.sent, forwarder.dropped) == (len(got), 0)


def test_forwarding_to_a_serial_port_is_unchanged():
    import pty
    import tty

    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    with Forwarder(f"serial://{os.ttyname(theirs)}?baud=38400") as forwarder:
        assert "licence" in forwarder.caution
        for _ in range(20):
            forwarder.send(FRAME)
        got = b""
        while len(got) < 20 * len(FRAME):
            got += os.read(ours, 4096)
    assert got == FRAME * 20
    os.close(ours)
    os.close(theirs)


@pytest.mark.parametrize("kind", ["tcp", "serial"])
def test_a_receiver_that_does_not_read_never_holds_up_the_sender_and_gets_no_old_data(kind):
    import pty
    import tty

    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"tcp://127.0.0.1:{server.getsockname()[1]}" if kind == "tcp" else f"serial://{os.ttyname(theirs)}"
        forwarder = Forwarder(url, max_age_s=0.2)
        peer = server.accept()[0] if kind == "tcp" else None
        before_s = time.perf_counter()
        for _ in range(300):
            forwarder.send(bytes(20_000))
        assert time.perf_counter() - before_s < 5.0  # a send that waited for the receiver would take 0.2 s, 300 times
        assert forwarder._queued <= 65_536
        forwarder.close()
        assert forwarder.dropped > 0
        if peer is not None:
            peer.close()
    os.close(ours)
    os.close(theirs)


def test_a_receiver_that_dies_and_comes_back_gets_the_new_data(monkeypatch):
    monkeypatch.setattr("hubtack.capture.forward.RETRY_S", 0.02)
    with socket.create_server(("127.0.0.1", 0)) as server:
        forwarder = Forwarder(f"tcp://127.0.0.1:{server.getsockname()[1]}")
        server.accept()[0].close()
        stop = threading.Event()

        def talk():
            while not stop.wait(0.02):
                forwarder.send(b"new")

        thread = threading.Thread(target=talk)
        thread.start()
        server.settimeout(5)
        with server.accept()[0] as peer:
            assert peer.recv(3) == b"new"
        stop.set()
        thread.join()
        forwarder.close()


def test_a_forward_target_that_is_not_there_is_told_at_the_start(tmp_path):
    with pytest.raises(SourceError, match="no port"):
        Forwarder(f"serial://{tmp_path}/ttyUSB9")
    with pytest.raises(UsageError, match="give serial"):
        Forwarder("udp://127.0.0.1:5")
