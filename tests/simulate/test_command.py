"""``hubtack simulate`` as its user meets it: folders, forms of a session, refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from hubtack.capture.reading import is_capture
from hubtack.cli.main import main
from hubtack.simulate.faults import CLEAN, FAULTS
from hubtack.site import load_site

ROOT = Path(__file__).resolve().parents[2]


def _files(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir()}


def test_a_session_folder_holds_logs_site_truth_and_how_it_was_made(tmp_path: Path) -> None:
    out = tmp_path / "day"
    assert main(["simulate", "--fault", "link_stalled", "--seed", "7", "--minutes", "2", "--out", str(out)]) == 0
    assert set(_files(out)) == {"rover.nmea", "corrections.rtcm3", "site.toml", "truth.json", "README.md"}
    truth = json.loads((out / "truth.json").read_text())
    (fault,) = truth["faults"]
    assert (truth["seed"], fault["code"]) == (7, "link_stalled")
    assert isinstance(fault["mattered"], bool)
    assert truth["start_utc"] < fault["start_utc"] < fault["end_utc"] < truth["end_utc"]
    assert truth["command"] == "hubtack simulate --fault link_stalled --seed 7 --minutes 2 --rate 1 --out day"
    site = load_site(out / "site.toml")
    assert site.machine.antenna_separation_m == 1.8
    assert site.site.base is not None


def test_the_command_in_the_truth_makes_the_same_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    given = [
        "simulate",
        "--fault",
        "two_bases,heading_lost",
        "--systems",
        "ge",
        "--anywhere",
        "--seed",
        "3",
        "--minutes",
        "1",
    ]
    main([*given, "--out", "first"])
    command = json.loads(Path("first/truth.json").read_text())["command"].split()
    assert command[0] == "hubtack"
    before = _files(Path("first"))
    main([*command[1:], "--overwrite"])
    assert _files(Path("first")) == before


@pytest.mark.parametrize(
    "code", ["heading_separation", "overnight_shift", "rover_fields", "clock_mismatch", "wrong_base"]
)
def test_odd_faults_give_folders_that_the_rest_can_read(tmp_path: Path, code: str) -> None:
    out = tmp_path / code
    assert main(["simulate", "--fault", code, "--seed", "2", "--minutes", "1.5", "--out", str(out)]) == 0
    assert (out / "second_antenna.nmea").exists() == (code == "heading_separation")
    assert main(["audit", str(out), "--json"]) in (0, 1)


def test_a_mixed_log_holds_sentences_and_frames_in_order_of_arrival(tmp_path: Path) -> None:
    assert main(["simulate", "--mixed", "--minutes", "1", "--out", str(tmp_path / "m")]) == 0
    data = (tmp_path / "m/session.log").read_bytes()
    second_minute = data[len(data) // 2 : len(data) // 2 + 6000]
    assert b"$GN" in second_minute
    assert b"\xd3\x00" in second_minute


def test_arrivals_are_written_as_a_capture_that_replay_reads(tmp_path: Path) -> None:
    out, copy = tmp_path / "c", tmp_path / "copy.nmea"
    assert main(["simulate", "--arrivals", "--clean", "wrong_computer_clock", "--minutes", "1", "--out", str(out)]) == 0
    assert is_capture(out)
    assert main(["replay", str(out), "--to", f"rover={copy}", "--speed", "0"]) == 0
    assert copy.read_bytes() == (out / "rover-0001.log").read_bytes()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--fault", "gremlins"], "gremlins"),
        (["--clean", "sunny"], "sunny"),
        (["--minutes", "0"], "--minutes"),
        (["--rate", "900"], "--rate"),
        (["--seed", "-1"], "--seed"),
        (["--systems", "GX"], "--systems"),
        (["--mixed", "--arrivals"], "--mixed"),
    ],
)
def test_arguments_that_do_not_fit_get_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    assert main(["simulate", *words, "--out", str(tmp_path / "x")]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert len(error.strip().splitlines()) == 1
    assert not (tmp_path / "x").exists()


def test_a_folder_with_files_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "mine.txt").write_text("keep")
    assert main(["simulate", "--minutes", "1", "--out", str(tmp_path)]) == 2
    assert "holds files already" in capsys.readouterr().err
    assert _files(tmp_path) == {"mine.txt": b"keep"}
    assert main(["simulate", "--minutes", "1"]) == 2


def test_the_list_names_every_fault_and_kind_of_day(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", "--list"]) == 0
    said = capsys.readouterr().out
    assert all(name in said for name in (*FAULTS, *CLEAN))


def test_a_sample_is_what_the_command_beside_it_makes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sample = ROOT / "sample_logs/heading_lost"
    monkeypatch.chdir(tmp_path)
    command = json.loads((sample / "truth.json").read_text())["command"].split()
    assert main([*command[1:], "--describe", (sample / "README.md").read_text().splitlines()[0]]) == 0
    made, kept = _files(tmp_path / "heading_lost"), _files(sample)
    assert made.keys() == kept.keys()
    # Another machine's sine may differ in the last bit, and so a last digit here and there; nothing more may.
    for name, data in kept.items():
        assert len(data) == len(made[name])
        assert sum(a != b for a, b in zip(data, made[name], strict=True)) < 0.001 * len(data)
