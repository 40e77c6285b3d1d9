"""A live watch at 20 Hz with four systems of MSM7: share of a core, and from the last byte of an epoch to its verdict.

Start-up is told apart: the share is taken from a second after the first byte to the end, out of the processor time
that the kernel counts for the process. Run with ``pytest -m benchmark -s``; nothing fails on a time.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from hubtack.simulate.session import simulate

START_UP_S = 1.0
SECONDS = int(os.environ.get("HUBTACK_BENCHMARK_LIVE_S", "30"))


def serve(
    chunks: list[tuple[float, bytes]], port: socket.socket, begin: threading.Barrier, sent: dict[str, float]
) -> None:
    """Send the chunks at their own pace; note when the last byte of each rover epoch left, by its time of day."""
    link, _ = port.accept()
    begin.wait()
    start = time.monotonic()
    with link:
        for at_s, data in chunks:
            time.sleep(max(0.0, at_s - (time.monotonic() - start)))
            link.sendall(data)
            place = data.find(b"GGA,")
            if place >= 0:
                sent[data[place + 4 : place + 13].decode()] = time.monotonic()
        time.sleep(2.0)


def spent_s(pid: int) -> float:
    """Processor time of a process and its threads so far, by the kernel (proc(5), fields 14 and 15). [s]"""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def follow(pid: int, begin: threading.Barrier, steady: list[float]) -> None:
    """Note the time and what the process has spent, a second after the first byte and shortly before the last."""
    begin.wait()
    for wait_s in (START_UP_S, SECONDS - START_UP_S - 2.0):
        time.sleep(wait_s)
        steady.extend((time.monotonic(), spent_s(pid)))


@pytest.mark.benchmark
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="the share of a core is read from Linux's /proc")
def test_live_at_20_hz() -> None:
    made = simulate([], "tidy", 5, SECONDS + 90, 20.0)
    first_s = made.rover[0][0] + 60.0  # the receiver has its fix by then
    streams = {
        name: [(t - first_s, data) for t, data in chunks if first_s <= t < first_s + SECONDS]
        for name, chunks in (("rover", made.rover), ("corrections", [(h.t_s, h.data) for h in made.heard]))
    }
    ports = {name: socket.create_server(("127.0.0.1", 0)) for name in streams}
    begin, sent, steady = threading.Barrier(3), {"": 0.0}, list[float]()
    for name, chunks in streams.items():
        threading.Thread(target=serve, args=(chunks, ports[name], begin, sent), daemon=True).start()
    urls = [f"--{name}=tcp://127.0.0.1:{port.getsockname()[1]}" for name, port in ports.items()]
    before = os.times()
    child = subprocess.Popen(
        [sys.executable, "-m", "hubtack", "watch", *urls, "--json", "--no-log", "--for", str(SECONDS)],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    threading.Thread(target=follow, args=(child.pid, begin, steady), daemon=True).start()
    latencies: dict[str, float] = {}
    assert child.stdout is not None
    for line in child.stdout:
        now = time.monotonic()
        utc = json.loads(line)["utc"]
        if utc is not None:
            clock = utc[11:].replace(":", "").rstrip("Z")
            key = f"{float(clock):09.2f}"
            if key in sent:
                latencies.setdefault(key, now - sent[key])
    child.wait()
    after = os.times()
    spent = (after.children_user - before.children_user) + (after.children_system - before.children_system)
    share = (steady[3] - steady[1]) / (steady[2] - steady[0])
    ms = 1e3 * np.array(sorted(latencies.values()))
    print(
        f"\n{len(ms)} epochs: last byte to verdict {np.median(ms):.1f} ms median, {np.quantile(ms, 0.99):.1f} ms at p99; "
        f"{100 * share:.1f} % of one core, {100 * spent / SECONDS:.0f} % with start-up"
    )
    assert len(ms) > 5 * SECONDS
