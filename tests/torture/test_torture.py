"""Every I/O call of a run is made to fail once, in every way it can: no crash, no half file, no lost frame, no false GRADE."""

from __future__ import annotations

import gzip
import json
import random
import shutil
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from tests.hostile.strangers import run
from tests.scoreboard.board import run_seed
from tests.torture.failing import WAYS, Io
from tests.torture.sources import ROVER, SOURCES, Ticking, check_heard

from hubtack.capture.reading import iter_capture
from hubtack.capture.writer import CaptureWriter
from hubtack.errors import HubtackError
from hubtack.readers.chunk import Chunk, Notice, SourceState
from hubtack.readers.files import FileReader

ROOT = Path(__file__).parents[2]
GOOD = ROOT / "sample_logs/good_day"
STREAM = (GOOD / "corrections.rtcm3").read_bytes()[:9000]


@dataclass(frozen=True)
class Scene:
    """Something to do in a folder, and how to see afterwards that no harm was done."""

    prepare: Callable[[Path], None]
    act: Callable[[Path], object]
    check: Callable[[Path, object, object], None]  # folder, what came out, what comes out when nothing fails


def day(folder: Path) -> None:
    (folder / "day").mkdir()
    (folder / "day" / "rover.nmea").write_bytes(ROVER)
    (folder / "day" / "corrections.rtcm3").write_bytes(STREAM)
    shutil.copy(GOOD / "site.toml", folder / "day" / "site.toml")


def capture(folder: Path) -> None:
    with CaptureWriter(folder / "cap", {"rover": "rover", "corrections": "corrections"}) as writer:
        for i in range(0, 9000, 900):
            writer.write(Chunk("rover", ROVER[i : i + 900], 10**18 + i, i))
            writer.write(Chunk("corrections", STREAM[i : i + 900], 10**18 + i + 1, i + 1))


def ended_well(came: object) -> tuple[int, str, str]:
    code, out, err = came  # type: ignore[misc]
    assert code in (0, 1, 2, 3), err
    assert "internal error" not in err, err
    assert "Traceback" not in err + out
    if code in (2, 3):
        assert err.strip(), "it failed and did not say why"
    return code, out, err


def whole_or_none(folder: Path) -> None:
    """Files by their final names are whole."""
    for path in folder.rglob("*"):
        if path.suffix in (".html", ".geojson", ".json") and path.is_file():
            text = path.read_text()
            assert text.rstrip().endswith("</html>" if path.suffix == ".html" else "}"), path
        if path.suffix == ".csv" and path.is_file() and path.parent.name == "tables":
            assert path.read_bytes().endswith(b"\n"), path


def audit(folder: Path) -> object:
    return run(
        "audit", str(folder / "day"), "--json", "--quiet", "--jobs", "1", "--csv", str(folder / "tables"),
        "--geojson", str(folder / "map.geojson"),
    )  # fmt: skip


def check_audit(folder: Path, came: object, good: object) -> None:
    code, out, _ = ended_well(came)
    whole_or_none(folder)
    if out.strip():
        json.loads(out)
    if code in (0, 1) and json.loads(out)["sessions"]:
        found, meant = json.loads(out)["sessions"][0], json.loads(good[1])["sessions"][0]  # type: ignore[index]
        assert found["verdict_seconds"]["grade"] <= meant["verdict_seconds"]["grade"] + 1e-6


def ledger(folder: Path) -> object:
    return run(
        "audit", str(folder / "day"), "--json", "--quiet", "--jobs", "1", "--ledger", str(folder / "ledger"),
        "--report", str(folder / "r.html"),
    )  # fmt: skip


def check_ledger(folder: Path, came: object, good: object) -> None:
    """However it ended, the next run leaves a ledger that can be asked, with the session in it once.

    A log that could not be read stays named as such, and with it the exit code, until the file changes.
    """
    ended_well(came)
    whole_or_none(folder)
    code, _, _ = ended_well(ledger(folder))
    question = "select count(*) as n, count(distinct key) as m from sessions"
    asked, out, err = run("audit", "--ledger", str(folder / "ledger"), "--json", "--query", question)
    assert asked == 0, err
    assert json.loads(out)["rows"] == [[1, 1]] or (code == 3 and json.loads(out)["rows"] == [[0, 0]])


def watch(folder: Path) -> object:
    return run("watch", str(folder / "day"), "--speed", "0", "--json", "--log", str(folder / "v.jsonl"))


def graded(out: str) -> set[str]:
    lines = [json.loads(line) for line in out.splitlines()]
    return {line["utc"] for line in lines if line["verdict"] == "GRADE"}


def check_watch(folder: Path, came: object, good: object) -> None:
    _, out, _ = ended_well(came)
    assert graded(out) <= graded(good[1])  # type: ignore[index]


def replay(folder: Path) -> object:
    return run("replay", str(folder / "cap"), "--to", f"rover={folder / 'out.nmea'}", "--speed", "0")


def check_replay(folder: Path, came: object, good: object) -> None:
    code, _, _ = ended_well(came)
    out = folder / "out.nmea"
    if out.exists():
        assert ROVER.startswith(out.read_bytes())
    if code == 0:
        assert out.read_bytes() == ROVER, "it says that all went well, and it did not"


def record(folder: Path) -> object:
    """As the command does it: events of a hub into a writer, until the writer gives up."""
    kept = 0
    try:
        with CaptureWriter(folder / "cap", {"rover": "rover"}, clock=Ticking()) as writer:
            for i in range(0, len(ROVER), 900):
                writer.write(Chunk("rover", ROVER[i : i + 900], 10**18 + i, i))
                kept = writer.bytes_by_source["rover"]
                writer.sync_if_due()
    except HubtackError as err:
        return kept, str(err)
    return kept, ""


def check_record(folder: Path, came: object, good: object) -> None:
    kept, said = came  # type: ignore[misc]
    if not kept:
        return
    data = b"".join(e.data for e in iter_capture(folder / "cap") if isinstance(e, Chunk))
    assert ROVER.startswith(data)
    assert len(data) >= kept, "bytes that were said to be kept are gone"
    assert said or data == ROVER


def read_file(folder: Path) -> object:
    events: list[object] = []
    out = FileReader(str(folder / "log.gz"), "rover")
    try:
        out.check()
        out.run(events.append, threading.Event())
    except HubtackError as err:
        events.append(Notice("rover", SourceState.REFUSED, str(err)))
    return events


def packed(folder: Path) -> None:
    (folder / "log.gz").write_bytes(gzip.compress(ROVER))


def check_read(folder: Path, came: object, good: object) -> None:
    data = b"".join(e.data for e in came if isinstance(e, Chunk))  # type: ignore[attr-defined]
    last = came[-1]  # type: ignore[index]
    assert ROVER.startswith(data)
    assert isinstance(last, Notice)
    assert last.state is not SourceState.ENDED or data == ROVER, "the end of the log must be the end, and no other"
    assert last.message


def simulated(folder: Path) -> object:
    return run("simulate", "--minutes", "0.5", "--out", str(folder / "sim"))


def check_simulated(folder: Path, came: object, good: object) -> None:
    code, _, _ = ended_well(came)
    out = folder / "sim"
    if (out / "truth.json").exists():
        json.loads((out / "truth.json").read_text())
    for path in out.glob("*.nmea"):
        assert path.read_bytes().endswith(b"\r\n")
    assert code != 0 or (out / "README.md").exists()


def control(folder: Path) -> object:
    return run(
        "control", str(folder / "day"), "--at", "422172.486,5013131.118,12.6", "--crs", "EPSG:32759",
        "--record", str(folder / "control.jsonl"), "--json",
    )  # fmt: skip


def check_control(folder: Path, came: object, good: object) -> None:
    ended_well(came)
    kept = folder / "control.jsonl"
    if kept.exists() and kept.stat().st_size:
        for line in kept.read_text().splitlines():
            json.loads(line)


def nothing(folder: Path) -> None:
    """No preparation."""


SCENES = {
    "audit": Scene(day, audit, check_audit),
    "ledger": Scene(day, ledger, check_ledger),
    "watch": Scene(day, watch, check_watch),
    "replay": Scene(capture, replay, check_replay),
    "record": Scene(nothing, record, check_record),
    "a packed log": Scene(packed, read_file, check_read),
    **{name: Scene(nothing, act, check_heard) for name, act in SOURCES.items()},
    "simulate": Scene(nothing, simulated, check_simulated),
    "control": Scene(day, control, check_control),
}


def once(scene: Scene, folder: Path, fail_at: int | None = None, way: str = "") -> tuple[object, Io]:
    folder.mkdir()
    scene.prepare(folder)
    io = Io(folder, fail_at, way)
    with io.watching():
        came = scene.act(folder)
    return came, io


def torture(name: str, folder: Path, pick: Callable[[list[tuple[int, str]]], list[tuple[int, str]]]) -> int:
    """Fail the calls that ``pick`` chooses; returns how many there were to choose from."""
    scene = SCENES[name]
    good, counted = once(scene, folder / "good")
    scene.check(folder / "good", good, good)
    cases = [(i, way) for i, (kind, _) in enumerate(counted.calls) for way in WAYS[kind]]
    assert cases, "nothing to fail: this scene shows nothing"
    for i, way in pick(cases):
        place = folder / f"{i}-{way}"
        came, io = once(scene, place, i, way)
        try:
            scene.check(place, came, good)
        except Exception as err:
            what = io.calls[i] if i < len(io.calls) else "?"
            raise AssertionError(
                f"{name}: call {i} {what} fails with {way}: {err!r}; it gave {str(came)[-600:]}"
            ) from err
        shutil.rmtree(place, ignore_errors=True)
    return len(cases)


@pytest.mark.parametrize("name", SCENES)
def test_a_sample_of_failing_calls_does_no_harm(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    seed = run_seed()
    with capsys.disabled():
        print(f" HUBTACK_SEED={seed}", end="")
    rng = random.Random(seed)
    torture(name, tmp_path, lambda cases: rng.sample(cases, min(4, len(cases))))


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENES)
def test_every_failing_call_does_no_harm(name: str, tmp_path: Path) -> None:
    n = torture(name, tmp_path, lambda cases: cases)
    print(f"{name}: {n} failures")
