"""``watch`` on real channels: a pseudo-terminal as serial port, a loopback TCP server, a source that is pulled out."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tests.rover_text import LAT_DEG, gga, gst, wobble

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a Unix thing")


def rows(rate_hz: int = 10) -> Iterator[bytes]:
    """Epochs of the present time of day, as a receiver would send them now."""
    i = 0
    while True:
        tod_ms = int(time.time() * rate_hz) * 1000 // rate_hz % 86_400_000
        yield gga(tod_ms, lat_deg=LAT_DEG + wobble(i)) + gst(tod_ms)
        i += 1
        time.sleep(1 / rate_hz)


def feed(write: Callable[[bytes], object], stop: threading.Event) -> threading.Thread:
    def run() -> None:
        for data in rows():
            if stop.is_set():
                return
            try:
                write(data)
            except OSError:
                return

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread


def watch(*args: str, site: Path) -> list[dict[str, object]]:
    site.write_text("[receiver]\nassumed_baseline_m = 1500.0\n[limits]\nsettle_fix_s = 1.0\n")
    result = subprocess.run(
        [sys.executable, "-m", "hubtack", "watch", "--json", "--site", str(site), *args],
        capture_output=True,
        text=True,
        timeout=40,
        check=False,
    )
    assert "Traceback" not in result.stderr, result.stderr
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_a_pseudo_terminal_feeds_watch_live(tmp_path: Path) -> None:
    master, slave = os.openpty()
    stop = threading.Event()
    feed(lambda data: os.write(master, data), stop)
    lines = watch("--rover", f"serial://{os.ttyname(slave)}?baud=115200", "--for", "4", site=tmp_path / "site.toml")
    stop.set()
    assert lines[-1]["verdict"] == "GRADE"
    assert lines[0]["verdict"] == "HOLD"
    assert len(lines) > 15  # one a row at 10 Hz


def test_a_loopback_server_feeds_watch_live_and_a_pulled_source_is_hold(tmp_path: Path) -> None:
    server = socket.create_server(("127.0.0.1", 0))
    stop = threading.Event()

    def serve() -> None:
        peer, _ = server.accept()
        feed(peer.sendall, stop)
        time.sleep(3)
        stop.set()  # the rover falls silent; the connection stays

    threading.Thread(target=serve, daemon=True).start()
    lines = watch("--rover", f"tcp://127.0.0.1:{server.getsockname()[1]}", "--for", "8", site=tmp_path / "site.toml")
    verdicts = [line["verdict"] for line in lines]
    assert "GRADE" in verdicts
    assert verdicts[-1] == "HOLD"
    assert lines[-1]["reasons"][0] == "no_rover"  # type: ignore[index]
    server.close()


def test_a_port_that_is_missing_is_one_clear_line_and_exit_3(tmp_path: Path) -> None:
    result = subprocess.run(
        [sys.executable, "-m", "hubtack", "watch", "--rover", f"serial://{tmp_path}/no-port", "--for", "3"],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert result.returncode == 3
    assert len(result.stderr.strip().splitlines()) == 1
