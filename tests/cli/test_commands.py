"""The commands as a user meets them: answers, exit codes, one clear line for each kind of bad input."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from tests.command_line import run
from tests.documents.contract import follows_contract

from hubtack.cli.main import COMMANDS

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_logs"


def test_the_audit_of_the_samples_follows_the_contract(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "audit", SAMPLES, "--json")
    document = json.loads(out)
    assert document["kind"] == "audit"
    assert code == 1
    assert len(document["sessions"]) == 6
    for session in document["sessions"]:
        assert sum(session["verdict_seconds"].values()) == pytest.approx(session["duration_s"])
        assert sum(session["fix_seconds"].values()) <= session["duration_s"] + 1e-6
        follows_contract({"schema": "hubtack/1", "kind": "link", **session["link"]})


@pytest.mark.parametrize("name", ["link_stalled", "corrupt_frames", "two_bases", "heading_lost", "sky_blocked"])
def test_each_sample_names_its_own_fault_first(capsys: pytest.CaptureFixture[str], name: str) -> None:
    _, out, _ = run(capsys, "audit", SAMPLES / name, "--json")
    assert json.loads(out)["sessions"][0]["findings"][0]["code"] == name


def test_a_good_day_has_no_finding_that_stops_work(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "audit", SAMPLES / "good_day", "--json")
    assert code == 0
    assert not [f for f in json.loads(out)["sessions"][0]["findings"] if f["severity"] == "stop"]


def test_watch_shows_grade_then_hold_within_the_stale_limit_then_recovery(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "watch", SAMPLES / "link_stalled", "--speed", "0", "--json")
    lines = [json.loads(line) for line in out.splitlines()]
    verdicts = [line["verdict"] for line in lines]
    first_grade = verdicts.index("GRADE")
    hold = verdicts.index("HOLD", first_grade)
    assert "GRADE" in verdicts[hold:]
    stale = [line for line in lines if (line["correction_age_s"] or 0) >= 30.0]
    assert stale
    assert {line["verdict"] for line in stale} == {"HOLD"}


def test_watch_and_audit_agree_on_the_same_logs(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "watch", SAMPLES / "link_stalled", "--speed", "0", "--json")
    by_utc = {json.loads(line)["utc"]: json.loads(line)["verdict"] for line in out.splitlines()}
    watched = {word: sum(v == word for v in by_utc.values()) for word in ("GRADE", "ROUGH", "HOLD")}
    _, out, _ = run(capsys, "audit", SAMPLES / "link_stalled", "--json")
    audited = json.loads(out)["sessions"][0]["verdict_seconds"]
    for word, seconds in watched.items():
        assert audited[word.lower()] == pytest.approx(seconds, abs=1.01)


def test_one_frame_of_watch_fits_a_small_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", "24")
    code, out, _ = run(capsys, "watch", SAMPLES / "two_bases", "--once")
    lines = out.splitlines()
    assert code == 1
    assert len(lines) == 24
    assert max(map(len, lines)) <= 80
    assert "more than one base is on the channel" in out
    assert "buried services" in out


def test_link_gives_the_census_and_the_base(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "link", SAMPLES / "good_day/corrections.rtcm3", "--json")
    document = json.loads(out)
    assert code == 0
    assert document["rtk_ready"] is True
    assert document["stations"][0]["latitude_deg"] == pytest.approx(-45.0312, abs=1e-7)
    assert {m["type"] for m in document["messages"]} >= {1005, 1033, 1230, 1013}


def test_ready_waits_for_grade_to_hold(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "ready", SAMPLES / "good_day", "--speed", "0")[0] == 0
    code, out, _ = run(capsys, "ready", SAMPLES / "two_bases", "--speed", "0", "--hold", "200")
    assert code == 1
    assert "more than one base" in out


@pytest.mark.parametrize("command", ["watch", "link", "audit"])
def test_bad_files_get_one_clear_line_and_the_designed_exit_code(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, command: str
) -> None:
    empty = tmp_path / "empty.nmea"
    empty.write_bytes(b"")
    for path in (empty, tmp_path / "absent.log"):
        code, _, err = run(capsys, command, path)
        assert code == 3
        assert len(err.strip().splitlines()) == 1, err
        assert path.name in err


def test_a_file_that_is_neither_is_named_with_its_offset(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    junk = tmp_path / "junk.bin"
    junk.write_bytes(bytes(range(256)) * 20)
    code, _, err = run(capsys, "watch", junk)
    assert code == 3
    assert "neither NMEA" in err
    code, out, _ = run(capsys, "link", junk, "--json")
    assert code == 1
    assert json.loads(out)["findings"][0]["code"] in ("wrong_protocol", "serial_garbage")


def test_a_folder_without_logs_and_a_file_as_folder(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert run(capsys, "audit", tmp_path)[0] == 3
    assert run(capsys, "watch", tmp_path)[0] == 3


@pytest.mark.parametrize("args", [
    ("watch", "foo://bar"), ("watch",), ("nonsense",), ("link",), ("simulate", "--fault", "gremlins", "--out", "x"),
    ("watch", "x", "--speed", "-1"), ("link", "x", "--near", "170,-45,3"),
])  # fmt: skip
def test_wrong_usage_is_exit_2_and_one_line(capsys: pytest.CaptureFixture[str], args: tuple[str, ...]) -> None:
    code, _, err = run(capsys, *args)
    assert code == 2
    assert len(err.strip().splitlines()) == 1, err


def test_an_unknown_key_in_the_site_file_is_named(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text("[machine]\nreech_m = 9\n")
    code, _, err = run(capsys, "watch", SAMPLES / "good_day", "--site", site, "--once")
    assert code == 2
    assert "reech_m" in err
    assert "reach_m" in err


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(capsys: pytest.CaptureFixture[str], name: str) -> None:
    code, out, _ = run(capsys, name, "--help")
    assert code == 0
    assert "example" in out
    assert "hubtack " + name in out


def test_help_loads_nothing_heavy() -> None:
    script = (
        "import sys, io, contextlib\nfrom hubtack.cli.main import main\n"
        "for args in (['--help'], ['link', '--help'], ['watch', '--help']):\n"
        "    with contextlib.redirect_stdout(io.StringIO()):\n"
        "        try: main(args)\n        except SystemExit: pass\n"
        "print([m for m in ('numpy', 'rich', 'pyproj', 'serial', 'matplotlib') if m in sys.modules])"
    )
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "[]"


def test_terminal_escapes_in_a_file_name_do_not_reach_the_terminal(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    evil = tmp_path / "a\x1b]0;x\x07b.nmea"
    evil.write_bytes((SAMPLES / "good_day/rover.nmea").read_bytes()[:20_000])
    _, out, err = run(capsys, "audit", evil)
    assert "\x1b" not in out + err
