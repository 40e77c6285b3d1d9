"""A live watch at 20 Hz with four systems of MSM7: share of a core, and from the last byte of an epoch to its verdict.

Start-up is told apart: the share is taken from a second after the first byte to the end, out of the processor time
that the kernel counts for the process. Run with ``pytest -m benchmark -s``; nothing fails on a time.
"""

from __future__ import annotations

import argparse
import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from hubtack.cli.watch import add_arguments
from hubtack.live.keeping import Keeper
from hubtack.live.lines import Lines
from hubtack.live.opening import open_sources
from hubtack.live.run import LiveRun
from hubtack.live.shown import Shown
from hubtack.readers.chunk import Chunk, Event
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


def made_streams() -> dict[str, list[tuple[float, bytes]]]:
    """A rover at 20 Hz with its fix, and four systems of MSM7 at 1 Hz, as (arrival [s], bytes)."""
    made = simulate([], "tidy", 5, SECONDS + 90, 20.0)
    first_s = made.rover[0][0] + 60.0  # the receiver has its fix by then
    return {
        name: [(t - first_s, data) for t, data in chunks if first_s <= t < first_s + SECONDS]
        for name, chunks in (("rover", made.rover), ("corrections", [(h.t_s, h.data) for h in made.heard]))
    }


class Arriving:
    """The streams as a queue of events, by a clock that jumps from one arrival to the next."""

    def __init__(self, streams: dict[str, list[tuple[float, bytes]]]) -> None:
        self.waiting = sorted(((t, name, d) for name, chunks in streams.items() for t, d in chunks), reverse=True)
        self.now_s, self.done, self.came_s = 0.0, False, 0.0

    def mono(self) -> float:
        return self.now_s

    def events(self, timeout_s: float) -> Iterator[Event]:
        self.done = not self.waiting
        if self.done or self.waiting[-1][0] > self.now_s + timeout_s:
            self.now_s += timeout_s
            return
        at_s, name, data = self.waiting.pop()
        self.now_s = max(self.now_s, at_s)
        self.came_s = time.process_time()
        yield Chunk(name, data, int((1_790_000_000 + at_s) * 1e9), int(at_s * 1e9))


@pytest.mark.benchmark
def test_processor_time_of_a_live_row(tmp_path: Path) -> None:
    """The same without sockets and waiting: what a row costs, whatever else the machine is busy with."""
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    args = parser.parse_args(["--rover=tcp://192.0.2.1:1", "--corrections=tcp://192.0.2.1:2", "--json", "--no-log"])
    opened, queue = open_sources(args), Arriving(made_streams())
    spent, marks = dict[str, float](), list[tuple[float, float]]()

    def write(text: str) -> None:
        spent.setdefault(json.loads(text)["utc"], time.process_time() - queue.came_s)

    keeper = Keeper(opened.session, opened.site, tmp_path, None, remembers=False, mono=queue.mono)
    lines = Lines(Shown(opened.session), write, keeper)

    def look(elapsed_ns: int, partial: bool) -> bool:
        lines.look(elapsed_ns, partial, queue.mono())
        if queue.mono() >= START_UP_S:
            marks.append((queue.mono(), time.process_time()))
        return True

    run = LiveRun(opened.session, queue, lines.rows, look, draw_s=0.1, look_on_row=True, mono=queue.mono)
    run.loop()
    share = (marks[-1][1] - marks[0][1]) / (marks[-1][0] - marks[0][0])
    ms = 1e3 * np.array(list(spent.values()))
    print(
        f"\n{len(ms)} epochs: {np.median(ms):.1f} ms of processor time to a verdict at the median, "
        f"{np.quantile(ms, 0.99):.1f} ms at p99; {100 * share:.1f} % of one core"
    )
    assert len(ms) > 15 * SECONDS


@pytest.mark.benchmark
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="the share of a core is read from Linux's /proc")
def test_live_at_20_hz() -> None:
    streams = made_streams()
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
