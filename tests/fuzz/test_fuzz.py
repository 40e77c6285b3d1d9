"""Anything at all goes into every parser: nothing crashes, nothing hangs. Longer runs: ``python -m tests.fuzz.run``."""

from __future__ import annotations

import random
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.fuzz.mutate import mended, mutated
from tests.fuzz.seeds import SEEDS, SHARE
from tests.fuzz.targets import TARGETS

from hubtack.framing.splitter import Kind, Splitter

# Inputs that once broke something, made small: (target, bytes).
FINDS: tuple[tuple[str, bytes], ...] = (
    ("ntrip_head", b"ICY 200 OK\r\n\r\n" + b"\xd3" * 20_000),  # a burst behind a short head was taken for a long one
    (
        "session",
        bytes.fromhex("d3000047ea4b"),
    ),  # a frame without a payload, as a transmitter may send to fill a quiet link
    ("verdict_log", b"[" * 20_000 + b"\n"),  # nested too deep for the JSON parser
    ("verdict_log", b'{"shown_utc":"2026-01-01T00:00:00Z","prev":"0","verdict":[]}\n'),  # a verdict that has no hash
    ("verdict_log", b'{"shown_utc":"9999-12-31T23:59:59Z","prev":"0","verdict":"HOLD"}\n' * 2),  # no day after it
    ("control_file", b'{"point":"A","utc":"2026-01-01T00:00:00Z","result":"pass","east_m":1' + b"0" * 400 + b"}\n"),
    ("memory", b'{"version": 1, "base": NaN, "machines": {"Digger 7": {"ecef_m": [1, 2, 3], "n": 6, "utc": ""}}}'),  # kept on
    ("memory", b'{"version": 1, "base": {"arp_ecef_m": [1' + b"0" * 400 + b', 1, 1], "utc": ""}}'),
    ("saved_link", b'{"kind": "link", "stations": [{"id": 1, "arp_ecef_m": "far"}]}'),  # JSON, and nothing else
    ("saved_link", b'{"kind": "link", "systems": 7, "findings": {"code": []}}'),
    ("capture_index", b"0,rover,1,1,bytes,0,99999999999999999999,,\n"),  # a length that no read takes
    ("capture_index", b"0,rover,1,1,bytes,0,4611686018427387903,,\n"),  # a length that no memory holds
    ("capture_index", b"0,rover,1,1,bytes,4611686018427387903,5,,\n"),  # an offset that some file systems refuse
)


@pytest.mark.parametrize("name", TARGETS)
def test_a_good_input_is_taken(name: str) -> None:
    for data in (*SEEDS[name], b""):
        TARGETS[name](data)


def test_every_target_has_good_inputs_and_a_share() -> None:
    assert set(TARGETS) == set(SEEDS) == set(SHARE)
    assert sum(SHARE.values()) == pytest.approx(1.0)


@settings(deadline=None)
@given(st.integers(0, 2**32))
def test_a_mended_input_gets_past_the_checks(seed: int) -> None:
    rng = random.Random(seed)
    damaged = bytearray(rng.choice([data for data in SEEDS["framing"] if len(data) > 50]))
    frame = damaged[0] == 0xD3
    fields = [i for i in range(8, len(damaged) - 6) if frame or chr(damaged[i]).isdigit()]  # no address, length or end
    damaged[rng.choice(fields)] ^= 1
    pieces = Splitter().feed(mended(bytes(damaged)) + b"\r\n")
    assert not any(p.kind is Kind.BAD_CRC for p in pieces)
    assert any(p.kind in (Kind.SENTENCE, Kind.FRAME) for p in pieces)


@pytest.mark.parametrize(("name", "data"), FINDS)
def test_what_broke_it_once_does_not_again(name: str, data: bytes) -> None:
    TARGETS[name](data)


@pytest.mark.parametrize("name", TARGETS)
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**32), st.binary(max_size=300), st.booleans())
def test_anything_at_all_is_taken(name: str, seed: int, raw: bytes, plain: bool) -> None:
    rng = random.Random(seed)
    TARGETS[name](raw if plain else mutated(rng.choice(SEEDS[name]), rng))


@pytest.mark.slow
@pytest.mark.parametrize("name", TARGETS)
def test_a_minute_of_mutated_inputs_is_taken(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.fuzz.run import plain

    monkeypatch.chdir(tmp_path)
    found = plain(name, 60.0)
    print(f"{name}: {found}")
    assert found["growth_mb"] < 30.0, "it keeps something of every input"


@pytest.mark.slow
@pytest.mark.parametrize("name", TARGETS)
def test_a_run_guided_by_coverage_finds_nothing(name: str, tmp_path: Path) -> None:
    pytest.importorskip("atheris", reason="pip install atheris")
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz.run", name, "--coverage", "--inputs", "20000"], cwd=tmp_path, timeout=900, check=False,
        env={"PYTHONPATH": str(root), "PATH": "/usr/bin:/bin"}, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
