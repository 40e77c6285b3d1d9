"""A live watch at 20 Hz with four systems of MSM7: share of a core, and from the last byte of an epoch to its verdict.

Run with ``pytest -m benchmark -s``; nothing fails on a time.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
import time

import numpy as np
import pytest

from hubtack.simulate.session import simulate

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


@pytest.mark.benchmark
def test_live_at_20_hz() -> None:
    made = simulate([], "tidy", 5, SECONDS + 90, 20.0)
    first_s = made.rover[0][0] + 60.0  # the receiver has its fix by then
    streams = {
        name: [(t - first_s, data) for t, data in chunks if first_s <= t < first_s + SECONDS]
        for name, chunks in (("rover", made.rover), ("corrections", [(h.t_s, h.data) for h in made.heard]))
    }
    ports = {name: socket.create_server(("127.0.0.1", 0)) for name in streams}
    begin, sent = threading.Barrier(2), {"": 0.0}
    for name, chunks in streams.items():
        threading.Thread(target=serve, args=(chunks, ports[name], begin, sent), daemon=True).start()
    urls = [f"--{name}=tcp://127.0.0.1:{port.getsockname()[1]}" for name, port in ports.items()]
    before = os.times()
    child = subprocess.Popen(
        [sys.executable, "-m", "hubtack", "watch", *urls, "--json", "--no-log", "--for", str(SECONDS)],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
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
    ms = 1e3 * np.array(sorted(latencies.values()))
    print(
        f"\n{len(ms)} epochs: last byte to verdict {np.median(ms):.1f} ms median, {np.quantile(ms, 0.99):.1f} ms at p99; "
        f"{100 * spent / SECONDS:.0f} % of one core with start-up"
    )
    assert len(ms) > 5 * SECONDS
