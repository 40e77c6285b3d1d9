"""A recording judged again gives what was shown live; the correction stream is passed on unchanged."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
STREAM = (ROOT / "sample_logs/good_day/corrections.rtcm3").read_bytes()

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a Unix thing")


def serve(data: bytes, seconds: float) -> int:
    """A loopback server that sends ``data`` in pieces; returns its port."""
    server = socket.create_server(("127.0.0.1", 0))

    def run() -> None:
        peer, _ = server.accept()
        for i in range(0, len(data), 2000):
            try:
                peer.sendall(data[i : i + 2000])
            except OSError:
                return
            time.sleep(0.05)
        time.sleep(seconds)
        peer.close()

    threading.Thread(target=run, daemon=True).start()
    return int(server.getsockname()[1])


def hubtack(*args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "hubtack", *args], capture_output=True, text=True, timeout=60, check=False
    )


def test_corrections_are_forwarded_byte_for_byte_while_they_are_judged() -> None:
    data = STREAM[:30_000]
    target = socket.create_server(("127.0.0.1", 0))
    got = bytearray()

    def collect() -> None:
        peer, _ = target.accept()
        while part := peer.recv(65536):
            got.extend(part)

    thread = threading.Thread(target=collect, daemon=True)
    thread.start()
    port = serve(data, 10)
    result = hubtack(
        "link",
        f"tcp://127.0.0.1:{port}",
        "--for",
        "4",
        "--json",
        "--forward",
        f"tcp://127.0.0.1:{target.getsockname()[1]}",
    )
    thread.join(5)
    assert bytes(got) == data
    assert json.loads(result.stdout)["frames"] > 100


def test_a_capture_is_watched_and_judged_as_the_live_sources_were(tmp_path: Path) -> None:
    rover = (ROOT / "sample_logs/good_day/rover.nmea").read_bytes()[:60_000]
    a, b = serve(rover, 10), serve(STREAM[:60_000], 10)
    folder = tmp_path / "capture"
    site = ROOT / "sample_logs/good_day/site.toml"
    recorded = hubtack(
        "record", "--rover", f"tcp://127.0.0.1:{a}", "--corrections", f"tcp://127.0.0.1:{b}", "--for", "4", "--out", str(folder),
        "--site", str(site),
    )  # fmt: skip
    assert recorded.returncode == 0, recorded.stderr
    lines = hubtack("watch", str(folder), "--speed", "0", "--json").stdout.splitlines()
    documents = [json.loads(line) for line in lines]
    assert len(documents) > 50
    # The log was poured out in seconds: rows that say they are minutes old by their own clock cannot be graded.
    assert documents[-1]["link"]["frames"] > 200
    assert documents[-1]["base"]["id"] is not None


def test_a_terminal_gets_the_screen_and_a_dumb_one_plain_lines(tmp_path: Path) -> None:
    sample = str(ROOT / "sample_logs/link_stalled")
    env = {**os.environ, "TERM": "dumb"}
    plain = subprocess.run(
        [sys.executable, "-m", "hubtack", "watch", sample, "--speed", "0"],
        capture_output=True,
        text=True,
        env=env,
        check=False,
    )
    words = [line.split()[1] for line in plain.stdout.splitlines()]
    assert words[:2] == ["HOLD", "GRADE"]
    assert "\x1b" not in plain.stdout
