"""Signals, terminals and disks: a command ends as it should, says so in a line, and leaves whole files or none."""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.terminal import heed_signals, in_terminal

from hubtack.capture.reading import iter_capture
from hubtack.readers.chunk import Chunk

ROOT = Path(__file__).parents[2]
ROVER = (ROOT / "sample_logs/good_day/rover.nmea").read_bytes()

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and pseudo-terminals of Unix")


@contextlib.contextmanager
def rover_port(pause_s: float = 0.05) -> Iterator[int]:
    """A port on which a rover talks, three hundred bytes at a time, to whoever connects."""
    stop = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:

        def talk(peer: socket.socket) -> None:
            with contextlib.suppress(OSError), peer:
                for i in range(0, len(ROVER), 300):
                    if stop.wait(pause_s):
                        return
                    peer.sendall(ROVER[i : i + 300])

        def serve() -> None:
            with contextlib.suppress(OSError):
                while True:
                    threading.Thread(target=talk, args=(server.accept()[0],), daemon=True).start()

        threading.Thread(target=serve, daemon=True).start()
        yield server.getsockname()[1]
        stop.set()
        with contextlib.suppress(OSError):
            server.shutdown(socket.SHUT_RDWR)


@pytest.fixture
def short(tmp_path: Path) -> Path:
    """Half a minute of a session."""
    folder = tmp_path / "day"
    folder.mkdir()
    good = ROOT / "sample_logs/good_day"
    (folder / "rover.nmea").write_bytes(ROVER[:12_000])
    (folder / "corrections.rtcm3").write_bytes((good / "corrections.rtcm3").read_bytes()[:12_000])
    (folder / "site.toml").write_bytes((good / "site.toml").read_bytes())
    return folder


def start(*argv: str, **more: object) -> subprocess.Popen[bytes]:
    options: dict[str, object] = {
        "stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "stdin": subprocess.DEVNULL,
        "preexec_fn": heed_signals,
    }  # fmt: skip
    return subprocess.Popen([sys.executable, "-m", "hubtack", *argv], **{**options, **more})  # type: ignore[call-overload,no-any-return]


def wait_for(path: Path, size: int = 1, limit_s: float = 20.0) -> None:
    until = time.monotonic() + limit_s
    while time.monotonic() < until:
        if path.exists() and path.stat().st_size >= size:
            return
        time.sleep(0.02)
    raise AssertionError(f"{path} did not come")


def assert_whole(folder: Path) -> bytes:
    """A capture that reads back without loss; its bytes."""
    data = b"".join(e.data for e in iter_capture(folder) if isinstance(e, Chunk))
    assert ROVER.startswith(data)
    assert data == (folder / "rover-0001.log").read_bytes()
    return data


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=lambda n: n.name)
def test_a_recording_that_is_told_to_stop_is_whole(tmp_path: Path, number: signal.Signals) -> None:
    with rover_port() as port:
        process = start("record", f"tcp://127.0.0.1:{port}", "--out", str(tmp_path / "cap"))
        wait_for(tmp_path / "cap" / "rover-0001.log", 600)
        process.send_signal(number)
        _, err = process.communicate(timeout=20)
    assert process.returncode in (0, 130)
    assert b"Traceback" not in err
    assert assert_whole(tmp_path / "cap")


@pytest.mark.parametrize("words", [["watch", "--json"], ["watch"], ["ready", "--hold", "900"], ["link"]], ids="-".join)
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=lambda n: n.name)
def test_a_live_command_ends_at_once_and_without_a_trace(words: list[str], number: signal.Signals) -> None:
    if words != ["watch"] and number != signal.SIGINT:
        pytest.skip("one command stands for all here")
    with rover_port() as port:
        source = [f"tcp://127.0.0.1:{port}"] if words[0] == "link" else ["--rover", f"tcp://127.0.0.1:{port}"]
        process = start(*words, *source)
        time.sleep(2.0)
        assert process.poll() is None
        process.send_signal(number)
        _, err = process.communicate(timeout=10)
    assert process.returncode in (0, 1, 3, 130, -number)
    assert b"Traceback" not in err


def test_a_reader_of_our_output_that_leaves_is_no_error(short: Path) -> None:
    process = start("watch", str(short), "--speed", "0", "--json")
    assert process.stdout is not None and process.stderr is not None
    process.stdout.readline()
    process.stdout.close()
    assert process.wait(20) in (0, -signal.SIGPIPE)
    assert b"Traceback" not in process.stderr.read()
    process.stderr.close()


@pytest.mark.parametrize(("rows", "columns"), [(1, 1), (60, 300)])
def test_a_terminal_of_any_size_is_drawn_on(short: Path, rows: int, columns: int) -> None:
    code, data = in_terminal(["watch", str(short), "--speed", "0", "--no-log"], columns, rows)
    assert code in (0, 1)
    assert b"Traceback" not in data
    assert b"internal" not in data


@pytest.mark.parametrize("words", [["watch", "--once"], ["audit"], ["link"]], ids="-".join)
@pytest.mark.parametrize(
    "env",
    [
        {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": ""},
        {"PYTHONIOENCODING": "latin-1", "TERM": "dumb"},
    ],
    ids=["C locale", "latin-1"],
)
def test_a_terminal_that_is_not_utf_8_gets_an_answer(short: Path, words: list[str], env: dict[str, str]) -> None:
    if env.get("PYTHONIOENCODING") == "latin-1" and words[0] != "watch":
        pytest.skip("one command stands for all here")
    done = subprocess.run(
        [sys.executable, "-m", "hubtack", *words, str(short)], env={**os.environ, **env}, capture_output=True, timeout=60,
        check=False,
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stderr
    assert b"internal error" not in done.stderr
    assert done.stdout


def test_a_terminal_that_is_closed_ends_the_recording_whole(tmp_path: Path) -> None:
    with rover_port() as port:
        code, _ = in_terminal(
            ["record", f"tcp://127.0.0.1:{port}", "--out", str(tmp_path / "cap")], 80, 24, hang_up_after_s=2.0
        )
    assert code in (0, 130)
    assert assert_whole(tmp_path / "cap")


@pytest.mark.parametrize("words", [["watch", "--no-log"], ["ready", "--hold", "900"], ["link"]], ids="-".join)
def test_a_terminal_that_is_closed_leaves_no_live_command_behind(words: list[str]) -> None:
    with rover_port() as port:
        source = [f"tcp://127.0.0.1:{port}"] if words[0] == "link" else ["--rover", f"tcp://127.0.0.1:{port}"]
        code, data = in_terminal([*words, *source], hang_up_after_s=1.5)
    assert code in (0, 1, 3, 130, -signal.SIGHUP)
    assert b"Traceback" not in data


def test_a_terminal_that_is_made_tiny_and_large_again_while_a_screen_is_live_is_drawn_on() -> None:
    with rover_port() as port:
        code, data = in_terminal(
            ["watch", "--no-log", "--rover", f"tcp://127.0.0.1:{port}", "--for", "5"],
            resize=[(1.0, 1, 1), (2.0, 300, 100), (3.0, 8, 3), (3.5, 80, 24)],
        )
    assert code in (0, 1)
    assert b"Traceback" not in data
    assert b"internal" not in data
    assert b"satellites" in data[-4000:]  # it is drawn again, whole


def test_a_folder_that_is_removed_under_a_recording_is_told(tmp_path: Path) -> None:
    with rover_port() as port:
        process = start("record", f"tcp://127.0.0.1:{port}", "--out", str(tmp_path / "cap"), "--for", "8")
        wait_for(tmp_path / "cap" / "rover-0001.log", 600)
        shutil.rmtree(tmp_path / "cap")
        _, err = process.communicate(timeout=30)
    assert process.returncode == 3
    assert b"Traceback" not in err
    assert b"removed" in err, err


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_folder_that_may_not_be_written_is_told(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    done = subprocess.run(
        [sys.executable, "-m", "hubtack", "record", "tcp://127.0.0.1:9", "--out", str(tmp_path / "cap"), "--for", "1"],
        capture_output=True, timeout=30, check=False,
    )  # fmt: skip
    tmp_path.chmod(0o700)
    assert done.returncode == 2
    assert b"cannot make the folder" in done.stderr


def test_two_recordings_never_share_a_folder(tmp_path: Path) -> None:
    with rover_port() as port:
        first = start("record", f"tcp://127.0.0.1:{port}", "--out", str(tmp_path / "cap"), "--for", "4")
        wait_for(tmp_path / "cap" / "rover-0001.log", 300)
        second = start("record", f"tcp://127.0.0.1:{port}", "--out", str(tmp_path / "cap"), "--for", "4")
        _, err = second.communicate(timeout=20)
        first.communicate(timeout=20)
    assert second.returncode == 2
    assert b"not empty" in err
    assert assert_whole(tmp_path / "cap")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a folder that nobody may write to")
def test_a_place_where_nobody_may_write_is_told() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "hubtack", "record", "tcp://127.0.0.1:9", "--out", "/proc/self/cap", "--for", "1"],
        capture_output=True, timeout=30, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert b"cannot make the folder" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_two_readers_of_one_serial_port_the_second_is_told_and_the_first_goes_on(tmp_path: Path) -> None:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    url = f"serial://{os.ttyname(theirs)}?baud=115200"
    raw = tmp_path / "one" / "rover-0001.log"
    sent = bytearray()

    def talk_until_kept(size: int) -> None:
        until_s = time.monotonic() + 20
        while not raw.exists() or raw.stat().st_size < size:
            assert time.monotonic() < until_s, "nothing is read"
            part = ROVER[len(sent) : len(sent) + 200]
            os.write(ours, part)
            sent.extend(part)
            time.sleep(0.05)

    try:
        first = start("record", url, "--out", str(tmp_path / "one"))
        talk_until_kept(400)
        done = subprocess.run(
            [sys.executable, "-m", "hubtack", "record", url, "--out", str(tmp_path / "two"), "--for", "1"],
            capture_output=True, timeout=30, check=False,
        )  # fmt: skip
        talk_until_kept(raw.stat().st_size + 1000)
        first.send_signal(signal.SIGINT)
        first.communicate(timeout=20)
    finally:
        os.close(ours)
        os.close(theirs)
    assert done.returncode == 3
    assert b"in use by another program" in done.stderr, done.stderr
    assert b"Traceback" not in done.stderr
    kept = b"".join(e.data for e in iter_capture(tmp_path / "one") if isinstance(e, Chunk))
    assert bytes(sent).endswith(kept), "what came after the second had tried is not what was sent"


def test_two_listeners_on_one_udp_port_the_second_is_told(tmp_path: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        url = f"udp://127.0.0.1:{taken.getsockname()[1]}"
        done = subprocess.run(
            [sys.executable, "-m", "hubtack", "record", url, "--out", str(tmp_path / "cap"), "--for", "1"],
            capture_output=True, timeout=30, check=False,
        )  # fmt: skip
    assert done.returncode in (2, 3)
    assert len(done.stderr.strip().splitlines()) == 1
    assert b"in use" in done.stderr, done.stderr


def test_two_replays_on_one_port_the_second_is_told(short: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        done = subprocess.run(
            [sys.executable, "-m", "hubtack", "replay", str(short / "rover.nmea"), "--to", f"tcp://127.0.0.1:{port}"],
            capture_output=True, timeout=30, check=False,
        )  # fmt: skip
    assert done.returncode in (2, 3)
    assert len(done.stderr.strip().splitlines()) == 1


def killed(argv: list[str], after_s: float) -> None:
    process = start(*argv, start_new_session=True)
    time.sleep(after_s)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)  # with its workers, as a loss of power would
    process.communicate()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_kill_9_of_an_audit_leaves_a_ledger_that_the_next_one_completes(tmp_path: Path, seed: int) -> None:
    argv = [
        "audit",
        str(ROOT / "sample_logs"),
        "--ledger",
        str(tmp_path / "ledger"),
        "--report",
        str(tmp_path / "r.html"),
        "--quiet",
    ]
    killed(argv, random.Random(seed).uniform(0.5, 6.0))
    report = tmp_path / "r.html"
    assert not report.exists() or report.read_text().rstrip().endswith("</html>")
    done = subprocess.run([sys.executable, "-m", "hubtack", *argv], capture_output=True, timeout=120, check=False)
    assert done.returncode == 1, done.stderr
    rows = subprocess.run(
        [sys.executable, "-m", "hubtack", "audit", "--ledger", str(tmp_path / "ledger"), "--json", "--query",
         "select count(*) as n, count(distinct name) as m from sessions"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert rows.returncode == 0, rows.stderr
    assert rows.stdout.count("6") >= 2, rows.stdout


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_kill_9_of_a_simulation_leaves_whole_files_or_none(tmp_path: Path, seed: int) -> None:
    argv = ["simulate", "--minutes", "20", "--seed", "3", "--out", str(tmp_path / "day")]
    killed(argv, random.Random(seed).uniform(0.3, 4.0))
    if (tmp_path / "day" / "truth.json").exists():
        assert json.loads((tmp_path / "day" / "truth.json").read_text())["seed"] == 3
    for path in (tmp_path / "day").glob("*.nmea"):
        assert path.read_bytes().endswith(b"\r\n")
