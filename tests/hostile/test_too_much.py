"""Too large, too deep, endless or not a number at all: it costs little, is said, and never becomes GRADE."""

from __future__ import annotations

import bz2
import functools
import gzip
import json
import lzma
import operator
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.hostile.strangers import run
from tests.rover_text import good_rows

from hubtack.engine.judge import VERDICTS
from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.json_out import document, to_json
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session, join_rows

BOMB_BYTES = 300_000_000
MOST_MEMORY = 300_000_000  # resident, libraries included: what the design allows for any length


def peak_of(*argv: str, cwd: Path, limit_s: float = 60.0) -> tuple[int, int, float, str]:
    """Exit code, largest resident size [byte], time [s] and standard error of a command in a process of its own."""
    program = (
        # VmHWM begins anew with the program; ru_maxrss would count the test runner it was forked from.
        "import sys\nfrom hubtack.cli.main import main\ncode = main(sys.argv[1:])\n"
        "peak = next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM'))\n"
        "print('PEAK', int(peak) * 1024, file=sys.stderr)\nsys.exit(code)"
    )
    began_s = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", program, *argv], cwd=cwd, capture_output=True, text=True, timeout=limit_s, check=False
    )
    peak = int(done.stderr.rpartition("PEAK ")[2].split()[0])
    return done.returncode, peak, time.monotonic() - began_s, done.stderr


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress, lzma.compress], ids=["gz", "bz2", "xz"])
@pytest.mark.parametrize("what", [b"\0", b"$GPGGA,", b"\xd3"], ids=["zeros", "sentences", "preambles"])
def test_a_bomb_is_read_in_small_memory(tmp_path: Path, pack: Callable[[bytes], bytes], what: bytes) -> None:
    size = BOMB_BYTES // (6 if pack is bz2.compress else 1)
    (tmp_path / "rover.nmea").write_bytes(pack(good_rows(36_000_000, 20) + what * (size // len(what))))
    _, peak, _, said = peak_of("audit", str(tmp_path), "--json", cwd=tmp_path, limit_s=240)
    assert peak < MOST_MEMORY, said


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_a_small_bomb_is_read_in_small_memory(tmp_path: Path) -> None:
    (tmp_path / "rover.nmea").write_bytes(gzip.compress(good_rows(36_000_000, 20) + b"\0" * 20_000_000, 1))
    code, peak, _, said = peak_of("audit", str(tmp_path / "rover.nmea"), "--json", cwd=tmp_path)
    assert code in (0, 1), said
    assert peak < MOST_MEMORY


@pytest.mark.parametrize(
    "flood",
    [b"$GPGGA," + b"9" * 3_000_000, b"$" * 100_000, b"\xd3\x03\xff" * 30_000, b"\xd3" * 100_000, b"," * 500_000],
    ids=["endless field", "dollars", "false lengths", "preambles", "commas"],
)
def test_a_flood_of_nonsense_hides_no_good_epoch_and_takes_no_time(tmp_path: Path, flood: bytes) -> None:
    log = tmp_path / "rover.nmea"
    log.write_bytes(good_rows(36_000_000, 30) + flood + b"\r\n" + b"\0" * 1100 + good_rows(36_030_000, 30))
    began_s = time.process_time()
    code, out, err = run("audit", str(log), "--json")
    assert code in (0, 1), err
    assert json.loads(out)["sessions"][0]["epochs"] == 60
    assert time.process_time() - began_s < 10


NOT_NUMBERS = ("nan", "inf", "-inf", "1e999", "9" * 400, "0x10", "1_0", "--1", "1.2.3", "", " ", "٣")
GGA_FIELDS = {
    "time": 1,
    "latitude": 2,
    "longitude": 4,
    "quality": 6,
    "satellites": 7,
    "hdop": 8,
    "height": 9,
    "age": 13,
}


def verdicts(log: bytes) -> list[str]:
    """Verdict of each row of a rover log, with a stated baseline and a short settling."""
    setup = Setup(assumed_baseline_m=1500.0, overrides={"settle_fix_s": 1.0})
    session = Session(setup, LinkSetup(), link_role="rover")
    rows = join_rows([session.feed(Chunk("rover", log)), session.close()])
    assert json.loads(to_json(document("watch", {"edge_error_95_m": rows.judged.edge_vertical_95_m})))
    session.findings()
    return [VERDICTS[v] for v in rows.judged.verdict]


def with_field(row: bytes, place: int, text: str) -> bytes:
    fields = row.decode().partition("*")[0][1:].split(",")
    if not fields[0].endswith("GGA"):
        return row
    fields[place] = text
    body = ",".join(fields).encode()
    return b"$" + body + b"*%02X\r\n" % functools.reduce(operator.xor, body)


@pytest.mark.parametrize("field", GGA_FIELDS)
@pytest.mark.parametrize("text", NOT_NUMBERS, ids=ascii)
def test_what_is_no_number_never_becomes_one(field: str, text: str) -> None:
    rows = good_rows(36_000_000, 30).splitlines(keepends=True)
    found = verdicts(b"".join(with_field(row, GGA_FIELDS[field], text) for row in rows))
    if field in ("latitude", "longitude", "quality", "height", "time"):
        assert set(found) <= {"HOLD"}


def test_a_log_without_any_oddity_is_graded_so_that_the_test_above_can_fail() -> None:
    assert verdicts(good_rows(36_000_000, 30))[-1] == "GRADE"


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "1e999", "-1", '"3"', "[]", "9" * 5000])
@pytest.mark.parametrize("key", ["[limits]\nsettle_fix_s", "[receiver]\nassumed_baseline_m", "[machine]\nreach_m"])
def test_a_site_file_with_a_number_that_is_none_is_refused(tmp_path: Path, key: str, value: str) -> None:
    (tmp_path / "site.toml").write_text(f"{key} = {value}\n")
    (tmp_path / "rover.nmea").write_bytes(good_rows(36_000_000, 5))
    code, out, err = run("watch", "--once", "--site", str(tmp_path / "site.toml"), str(tmp_path / "rover.nmea"))
    assert code == 2, (out, err)
    assert "internal error" not in err


DEEP = "[" * 200_000
FILES_READ = {
    "site.toml": lambda folder: ["watch", "--once", "--site", str(folder / "site.toml"), str(folder / "rover.nmea")],
    "expect.json": lambda folder: ["link", str(folder / "c.rtcm3"), "--expect", str(folder / "expect.json")],
    "capture.json": lambda folder: ["replay", str(folder), "--to", str(folder / "out.nmea")],
    "control.jsonl": lambda folder: ["control", "--history", str(folder / "control.jsonl"), "--point", "A"],
    "verdicts.jsonl": lambda folder: ["audit", str(folder), "--json"],
    "table.txt": lambda folder: ["mounts", str(folder / "table.txt")],
    "marks.csv": lambda folder: ["control", "--fit", str(folder / "marks.csv"), "--crs", "EPSG:32759"],
}  # fmt: skip
CONTENTS = {
    "deep": DEEP.encode(), "deep value": b"a = " + DEEP.encode(), "zeros": bytes(300_000), "one line": b"a" * 3_000_000,
    "binary": bytes(range(256)) * 400, "nan": b'{"format": NaN}', "null": b"null", "list": b"[1, 2]", "surrogate": b'"\\ud800"',
    "empty": b"",
}  # fmt: skip


@pytest.mark.parametrize("content", CONTENTS)
@pytest.mark.parametrize("name", FILES_READ)
def test_a_file_of_ours_that_a_stranger_wrote_gets_one_sentence(tmp_path: Path, name: str, content: str) -> None:
    (tmp_path / "rover.nmea").write_bytes(good_rows(36_000_000, 5))
    (tmp_path / "c.rtcm3").write_bytes(
        (Path(__file__).parents[2] / "sample_logs/good_day/corrections.rtcm3").read_bytes()[:4000]
    )
    (tmp_path / name).write_bytes(CONTENTS[content])
    code, _, err = run(*FILES_READ[name](tmp_path))
    assert code in (0, 1, 2, 3)
    assert "internal error" not in err, err
    assert len(err) < 3000


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_folder_with_a_pipe_a_loop_and_a_device_is_audited_without_waiting(tmp_path: Path) -> None:
    (tmp_path / "rover.nmea").write_bytes(good_rows(36_000_000, 20))
    os.mkfifo(tmp_path / "pipe.nmea")
    (tmp_path / "loop").symlink_to(tmp_path)
    (tmp_path / "self").symlink_to(tmp_path / "self")
    (tmp_path / "endless.nmea").symlink_to("/dev/zero")
    done = subprocess.run(
        [sys.executable, "-m", "hubtack", "audit", str(tmp_path), "--json"], capture_output=True, text=True, timeout=30,
        check=False,
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stderr
    assert [s["epochs"] for s in json.loads(done.stdout)["sessions"]] == [20]


@pytest.mark.parametrize(
    "name", ["../../escaped", "/escaped", "..", "a/../../escaped", "C:\\escaped", "\0escaped", "~/escaped"]
)
def test_a_name_never_leads_out_of_a_folder(tmp_path: Path, name: str) -> None:
    day = tmp_path / "top" / "day"
    day.mkdir(parents=True)
    (day / "rover.nmea").write_bytes(good_rows(36_000_000, 20))
    (day / "site.toml").write_text(f"[machine]\nname = {json.dumps(name)}\n[site]\nname = {json.dumps(name)}\n")
    before = set(tmp_path.rglob("*"))
    run("watch", str(day), "--speed", "0", "--json", "--log", str(day / "v.jsonl"))
    run("audit", str(day), "--json")
    run("control", str(day), "--measure", name, "--crs", "EPSG:32759", "--record", str(day / "control.jsonl"))
    new = set(tmp_path.rglob("*")) - before
    assert all(day in p.parents for p in new), new
    assert not any("escaped" in p.name for p in new)
