"""Audit beside plain library loops, with the same answers. Run with ``pytest -m benchmark -s``; no time fails it."""

from __future__ import annotations

import os
import platform
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from tests.benchmarks.logs import (
    Day,
    audited,
    cpu_s,
    link_answers_by_library,
    link_answers_of,
    make_day,
    rover_answers_by_library,
    rover_answers_of,
    wall_s,
)

from hubtack.decode.decoder import Decoder
from hubtack.logs.drive import BLOCK

MINUTES = int(os.environ.get("HUBTACK_BENCHMARK_MINUTES", "180"))
pytestmark = pytest.mark.benchmark
ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Day:
    return make_day(tmp_path_factory.mktemp("day"), MINUTES)


def decode(data: bytes) -> None:
    decoder = Decoder()
    block = BLOCK["rover"]
    for at in range(0, len(data), block):
        decoder.feed(data[at : at + block])
    decoder.flush()


def say(what: str, n_bytes: int, ours_s: float, plain_mb_s: float | None = None) -> None:
    mb_s = n_bytes / 1e6 / ours_s
    beside = "" if plain_mb_s is None else f", library loop {plain_mb_s:5.2f} MB/s, {mb_s / plain_mb_s:5.0f} times"
    print(f"\n{what:24s} {n_bytes / 1e6:6.1f} MB  {mb_s:7.1f} MB/s{beside}")


def test_a_rover_log(day: Day) -> None:
    data = day.rover.read_bytes()
    middle = data[: data.find(b"\n", 1_000_000) + 1]
    part = day.rover.with_name("part.nmea")
    part.write_bytes(middle)
    assert rover_answers_of(audited(part, None)) == rover_answers_by_library(middle)
    plain_mb_s = len(middle) / 1e6 / cpu_s(lambda: rover_answers_by_library(middle), 2)
    say("rover log, audit", len(data), cpu_s(lambda: audited(day.rover, None)), plain_mb_s)
    say("rover log, decode", len(data), cpu_s(lambda: decode(data)), plain_mb_s)
    plain_mb_s = len(middle) / 1e6 / cpu_s(lambda: rover_answers_by_library(middle), 2)
    waited_s = wall_s(lambda: audited(day.rover, None))
    print(f"rover log, audit, waited for it: {len(data) / 1e6 / waited_s:5.1f} MB/s at load {os.getloadavg()[0]:.1f}")
    print(f"library loop again {plain_mb_s:5.2f} MB/s; Python {platform.python_version()}, numpy {np.__version__}")


def test_a_correction_log(day: Day) -> None:
    data = day.corrections.read_bytes()
    at = 0
    while at < 200_000:
        at += 6 + ((data[at + 1] & 3) << 8 | data[at + 2])
    part = day.corrections.with_name("part.rtcm3")
    part.write_bytes(data[:at])
    assert link_answers_of(audited(None, part)) == link_answers_by_library(data[:at])
    plain_mb_s = at / 1e6 / cpu_s(lambda: link_answers_by_library(data[:at]), 2)
    say("correction log, audit", len(data), cpu_s(lambda: audited(None, day.corrections)), plain_mb_s)
    say("correction log, decode", len(data), cpu_s(lambda: decode(data)), plain_mb_s)


def test_the_floor(day: Day) -> None:
    begin = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
    subprocess.run(["wc", "-l", str(day.rover)], check=True, stdout=subprocess.DEVNULL)
    spent = max(1e-3, resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - begin)
    say("wc -l (the floor)", day.rover.stat().st_size, spent)


ALONE = """
import resource, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from tests.benchmarks.logs import audited
audited(Path(sys.argv[1]), None)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""


def alone(log: Path) -> list[str]:
    return [sys.executable, "-c", ALONE, str(log), str(ROOT)]


@pytest.mark.parametrize("megabytes", [100, pytest.param(1000, marks=pytest.mark.slow)])
def test_memory_does_not_grow_with_length(day: Day, megabytes: int) -> None:
    """The day again and again: each time the clock starts anew, which makes a new segment and nothing more."""
    data = day.rover.read_bytes()
    log = day.rover.with_name(f"{megabytes}.nmea")
    with log.open("wb") as file:
        while file.tell() < megabytes * 1_000_000:
            file.write(data)
    done = subprocess.run(alone(log), check=True, capture_output=True, text=True)
    print(f"\naudit of {megabytes} MB: {done.stdout.strip()} MB of memory at most")
    log.unlink()


def test_two_processes_beside_one(day: Day) -> None:
    def seconds(n: int) -> float:
        begin = time.perf_counter()
        running = [subprocess.Popen(alone(day.rover), stdout=subprocess.DEVNULL) for _ in range(n)]
        assert [p.wait() for p in running] == [0] * n
        return time.perf_counter() - begin

    one, two = min(seconds(1) for _ in range(3)), min(seconds(2) for _ in range(3))
    print(
        f"\none process {one:.2f} s, two with a log each {two:.2f} s: {2 * one / two:.2f} times, {os.cpu_count()} cores"
    )


def test_start() -> None:
    def seconds(*command: str) -> float:
        best = float("inf")
        for _ in range(7):
            begin = time.perf_counter()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            best = min(best, time.perf_counter() - begin)
        return best

    bare = seconds(sys.executable, "-c", "pass")
    print(f"\npython -c pass {1e3 * bare:.0f} ms")
    for words in (["--help"], ["link", "--help"]):
        ours = seconds(sys.executable, "-m", "hubtack", *words)
        print(f"hubtack {' '.join(words):12s} {1e3 * ours:.0f} ms, {ours / bare:.1f} times")
