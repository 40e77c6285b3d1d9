"""A night between two logs: the shift is told in the morning's session, with the machines that share it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from hubtack.cli.main import main
from hubtack.fleet.account import SessionAccount
from hubtack.fleet.overnight import overnight_findings, with_finding
from hubtack.fleet.query import run_query

EVENING_S, MORNING_S = 1_772_470_800.0, 1_772_520_000.0
PLACE = [-4_447_000.0, 770_000.0, -4_491_000.0]


def account(
    machine: str, key: str, start: str, first: list[float] | None, last: list[float] | None, **stands: float
) -> SessionAccount:
    def plain(ecef: list[float] | None, utc_s: float) -> dict[str, object] | None:
        return None if ecef is None else {"ecef_m": ecef, "utc_s": utc_s, "heading_deg": 40.0, "n": 60}

    held = {"first": plain(first, MORNING_S), "last": plain(last, EVENING_S), "sigmas_m": [0.010, 0.017]}
    return SessionAccount(key, {"machine": machine, "start_utc": start, "findings": []}, provenance={"stands": held})


def moved(by_m: float) -> list[float]:
    return [PLACE[0] + by_m, PLACE[1], PLACE[2]]


def night(machine: str, by_m: float) -> list[SessionAccount]:
    return [
        account(machine, f"{machine} evening", "2026-03-02T15:00:00Z", None, PLACE),
        account(machine, f"{machine} morning", "2026-03-03T06:00:00Z", moved(by_m), None),
    ]


def test_the_shift_is_the_mornings() -> None:
    found = overnight_findings(night("Digger 7", 0.4))
    assert list(found) == ["Digger 7 morning"]
    assert found["Digger 7 morning"]["evidence"]["shift_m"] == pytest.approx(0.4)
    assert found["Digger 7 morning"]["evidence"]["shared_with"] == []


def test_the_same_vector_on_two_machines_is_the_base() -> None:
    found = overnight_findings([*night("Digger 7", 0.40), *night("Dozer 2", 0.41), *night("Roller 1", -0.40)])
    assert found["Digger 7 morning"]["evidence"]["shared_with"] == ["Dozer 2"]
    assert "it is the base" in found["Dozer 2 morning"]["next_steps"][0]
    assert found["Roller 1 morning"]["evidence"]["shared_with"] == []


def test_a_machine_that_came_up_where_it_went_down_is_silent() -> None:
    assert overnight_findings(night("Digger 7", 0.01)) == {}


def test_the_finding_comes_first_but_after_a_base_that_says_so_itself() -> None:
    (found,) = overnight_findings(night("Digger 7", 0.4)).values()
    base = {"code": "base_moved", "severity": "stop", "evidence": {}}
    other = {"code": "sky_blocked", "severity": "stop", "evidence": {}}
    for before, place in (([other], 0), ([base, other], 2)):
        document = {"machine": "Digger 7", "start_utc": "x", "findings": before}
        codes = [f["code"] for f in with_finding(SessionAccount("k", document), found).document["findings"]]
        assert codes.index("overnight_shift") == place


def test_a_log_that_spans_a_night_is_two_sessions_and_the_second_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert (
        main(["simulate", "--fault", "overnight_shift", "--seed", "4", "--minutes", "8", "--out", str(tmp_path / "n")])
        == 0
    )
    capsys.readouterr()
    assert main(["audit", str(tmp_path / "n"), "--json"]) == 1
    sessions = json.loads(capsys.readouterr().out)["sessions"]
    assert [[f["code"] for f in s["findings"]] for s in sessions] == [[], ["overnight_shift"]]


def test_it_is_in_the_ledger_and_goes_when_the_evening_goes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two logs of one machine: the finding rests on both, so it is made anew in each run, known sessions or not."""
    made = tmp_path / "made"
    assert main(["simulate", "--fault", "overnight_shift", "--seed", "4", "--minutes", "8", "--out", str(made)]) == 0
    rover = (made / "rover.nmea").read_bytes()
    morning = rover.index(b"$GNGGA,12")
    logs, ledger = tmp_path / "logs", str(tmp_path / "ledger")
    for name, data in (("evening", rover[:morning]), ("morning", rover[morning:])):
        (logs / name).mkdir(parents=True)
        (logs / name / "rover.nmea").write_bytes(data)
        (logs / name / "site.toml").write_text('[machine]\nname = "Digger 7"\n')

    def codes() -> list[list[str]]:
        capsys.readouterr()
        assert main(["audit", str(logs), "--json", "--debug", "--ledger", ledger]) in (0, 1), capsys.readouterr().err
        return [[f["code"] for f in s["findings"]] for s in json.loads(capsys.readouterr().out)["sessions"]]

    def in_ledger() -> int:
        return run_query(ledger, "SELECT count(*) FROM findings WHERE code = 'overnight_shift'")[1][0][0]

    first = codes()
    assert "overnight_shift" in first[1]
    assert in_ledger() == 1
    assert codes() == first
    assert in_ledger() == 1
    shutil.rmtree(logs / "evening")
    assert all("overnight_shift" not in found for found in codes())
    assert in_ledger() == 0
