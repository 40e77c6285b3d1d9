"""``hubtack audit`` as its user meets it: ledger, gaps, names, captures, bad input, exit codes."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from tests import command_line
from tests.logs.test_split import dated
from tests.rover_text import good_rows

from hubtack.audit import gather as gathering
from hubtack.cli.main import main
from hubtack.control.record import append_record
from hubtack.fleet.query import run_query

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_logs"


def run(capsys: pytest.CaptureFixture[str], *args: str | Path) -> tuple[int, str, str]:
    return command_line.run(capsys, "audit", *args)


def sessions(capsys: pytest.CaptureFixture[str], *args: str | Path) -> list[dict[str, Any]]:
    document = json.loads(run(capsys, *args, "--json")[1])
    return list(document["sessions"])


def test_a_second_run_reads_nothing_anew_and_says_the_same(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = tmp_path / "ledger"
    first = run(capsys, SAMPLES / "link_stalled", "--ledger", ledger, "--json")

    def never(task: object) -> None:
        raise AssertionError("read again")

    monkeypatch.setattr(gathering, "run_task", never)
    monkeypatch.setattr(gathering, "plan_place", never)
    code, out, err = run(capsys, SAMPLES / "link_stalled", "--ledger", ledger, "--json")
    assert (code, out) == first[:2]
    assert "1 of 1 sessions from the ledger" in err
    assert run(capsys, SAMPLES / "link_stalled", "--ledger", ledger, "--json", "--quiet") == first


def test_touched_files_are_known_by_their_content(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs = tmp_path / "logs"
    logs.mkdir()
    (logs / "rover.nmea").write_bytes(dated(36_000_000, 60))
    first = run(capsys, logs, "--ledger", tmp_path / "ledger", "--json")
    os.utime(logs / "rover.nmea", (1, 1))
    monkeypatch.setattr(gathering, "run_task", lambda task: pytest.fail("read again"))
    assert run(capsys, logs, "--ledger", tmp_path / "ledger", "--json")[:2] == first[:2]


@pytest.mark.parametrize("beside_the_logs", [True, False])
def test_a_check_on_record_counts_also_for_sessions_that_the_ledger_knows(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, beside_the_logs: bool
) -> None:
    logs, office, ledger = tmp_path / "logs", tmp_path / "office", tmp_path / "ledger"
    shutil.copytree(SAMPLES / "good_day", logs)
    office.mkdir()
    text = (logs / "site.toml").read_text()
    text = (
        text.replace("[job]", "[job]\nrequire_check = true")
        if "[job]" in text
        else text + "\n[job]\nrequire_check = true\n"
    )
    folder = logs if beside_the_logs else office
    (folder / "site.toml").write_text(text)
    how = [logs, "--ledger", ledger, *([] if beside_the_logs else ["--site", office / "site.toml"])]
    (before,) = sessions(capsys, *how)
    assert before["verdict_seconds"]["grade"] == 0
    assert [f["code"] for f in before["findings"]] == ["not_checked"]
    (station,) = before["link"]["stations"]
    x, y, z = station["arp_ecef_m"]
    entry = {
        "utc": before["start_utc"], "point": "CP3", "what": "antenna", "result": "pass", "up_m": 0.008,
        "machine": before["machine"], "base_id": station["id"], "base_computed": False,
        "arp_x_m": x, "arp_y_m": y, "arp_z_m": z,
    }  # fmt: skip
    append_record(folder / "control.jsonl", entry)
    (after,) = sessions(capsys, *how)
    assert after["verdict_seconds"]["grade"] > 200
    assert after["findings"] == []


def test_changed_limits_mean_that_the_logs_are_read_again(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    logs, ledger = tmp_path / "logs", tmp_path / "ledger"
    shutil.copytree(SAMPLES / "good_day", logs)
    before = sessions(capsys, logs, "--ledger", ledger)[0]["verdict_seconds"]
    site = (logs / "site.toml").read_text()
    (logs / "site.toml").write_text(site + "\n[limits]\nsatellites_hold = 99\n")
    after = sessions(capsys, logs, "--ledger", ledger)[0]["verdict_seconds"]
    assert before["grade"] > 0 and after["grade"] == 0
    assert run_query(str(ledger), "SELECT count(*), sum(grade_s) FROM sessions")[1] == [[1, 0.0]]


def test_a_new_log_is_added_and_the_others_are_kept(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    ledger = tmp_path / "ledger"
    logs = tmp_path / "logs"
    logs.mkdir()
    (logs / "a.nmea").write_bytes(dated(36_000_000, 60))
    run(capsys, logs, "--ledger", ledger)
    (logs / "b.nmea").write_bytes(dated(50_000_000, 60))
    run(capsys, logs, "--ledger", ledger)
    assert run_query(str(ledger), "SELECT name FROM sessions ORDER BY 1")[1] == [["a.nmea"], ["b.nmea"]]


def test_an_audit_that_is_interrupted_goes_on_where_it_stopped(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger, logs, task, done = tmp_path / "ledger", tmp_path / "logs", gathering.run_task, []
    logs.mkdir()
    for n in range(6):
        (logs / f"{n}.nmea").write_bytes(dated(36_000_000 + n * 7_000_000, 30 + n))

    def stop_at_the_fourth(item: Any) -> Any:
        if len(done) == 3:
            raise KeyboardInterrupt
        done.append(item.files.name)
        return task(item)

    monkeypatch.setattr(gathering, "run_task", stop_at_the_fourth)
    assert run(capsys, logs, "--ledger", ledger)[0] == 130
    assert run_query(str(ledger), "SELECT count(*) FROM sessions")[1] == [[3]]
    monkeypatch.setattr(gathering, "run_task", lambda item: (done.append(item.files.name), task(item))[1])
    code, out, _ = run(capsys, logs, "--ledger", ledger)
    assert code in (0, 1) and len(done) == 6 == len(set(done))
    monkeypatch.undo()
    assert out == run(capsys, logs)[1]


def test_a_gap_makes_a_second_session_and_the_option_says_which(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "rover.nmea").write_bytes(dated(36_000_000, 100) + dated(43_200_000, 50))
    found = sessions(capsys, tmp_path)
    assert [(s["name"], s["duration_s"], s["start_utc"][11:19]) for s in found] == [
        (tmp_path.name, 100.0, "10:00:00"),
        (f"{tmp_path.name} 2", 50.0, "12:00:00"),
    ]
    assert len(sessions(capsys, tmp_path, "--gap", "240")) == 1


def test_parts_give_what_the_whole_would_in_each_of_them(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A session that was cut out of a long log is the same as when its bytes lie in a file of their own."""
    parts = [dated(36_000_000, 90), dated(43_200_000, 70)]
    for name, data in (("whole", b"".join(parts)), ("one", parts[0]), ("two", parts[1])):
        (tmp_path / name).mkdir()
        (tmp_path / name / "rover.nmea").write_bytes(data)
    same = ("duration_s", "epochs", "sentences", "verdict_seconds", "fix_seconds", "start_utc", "end_utc", "findings")
    cut = [{k: s[k] for k in same} for s in sessions(capsys, tmp_path / "whole")]
    alone = [{k: s[k] for k in same} for n in ("one", "two") for s in sessions(capsys, tmp_path / n)]
    assert cut == alone


def test_a_clock_that_steps_back_neither_crashes_nor_loses_data(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "rover.nmea").write_bytes(good_rows(36_000_000, 60) + good_rows(35_500_000, 60))
    (found,) = sessions(capsys, tmp_path)
    assert found["epochs"] == 120
    (tmp_path / "rover.nmea").write_bytes(good_rows(36_000_000, 60) + good_rows(7_000_000, 60))
    assert sum(s["epochs"] for s in sessions(capsys, tmp_path)) == 120


def test_the_machine_is_named_by_pattern_site_file_or_folder(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    folder = tmp_path / "digger-7" / "2026-11-04"
    folder.mkdir(parents=True)
    (folder / "rover.nmea").write_bytes(dated(36_000_000, 20))
    assert [(s["machine"], s["machine_from"]) for s in sessions(capsys, tmp_path)] == [("digger-7", "folder")]
    (folder / "site.toml").write_text('[machine]\nname = "Digger 7"\n')
    assert [(s["machine"], s["machine_from"]) for s in sessions(capsys, tmp_path)] == [("Digger 7", "site")]
    found = sessions(capsys, tmp_path, "--machine-pattern", r"/(?P<machine>dig\w+-\d)/")
    assert [(s["machine"], s["machine_from"]) for s in found] == [("digger-7", "pattern")]
    code, _, err = run(capsys, tmp_path, "--machine-pattern", "(")
    assert code == 2 and "no regular expression" in err


def test_two_machines_of_one_name_are_pointed_out(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    for name, start in (("a", 36_000_000), ("b", 36_020_000)):
        (tmp_path / name).mkdir()
        (tmp_path / name / "rover.nmea").write_bytes(dated(start, 200))
        (tmp_path / name / "site.toml").write_text('[machine]\nname = "Digger 7"\n')
    _, out, err = run(capsys, tmp_path, "--json")
    assert "two machines of one name" in err
    assert len(json.loads(out)["notices"]) == 1


def test_a_log_that_lies_there_twice_is_two_rows_and_is_said(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "rover.nmea").write_bytes(dated(36_000_000, 30))
    _, out, err = run(capsys, tmp_path, tmp_path / "a", "--json")
    assert len(json.loads(out)["sessions"]) == 2 and "same content" in err


def test_a_capture_is_a_session_with_its_arrivals(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    made = ["simulate", "--fault", "link_stalled", "--seed", "7", "--minutes", "3", "--out"]
    assert main([*made, str(tmp_path / "capture"), "--arrivals"]) == 0
    capsys.readouterr()
    (capture,) = sessions(capsys, tmp_path / "capture")
    assert capture["name"] == "capture" and capture["epochs"] == 180
    assert [f["code"] for f in capture["findings"]] == ["link_stalled"]
    # Only arrivals can tell how late frames were.
    assert 0 < capture["link"]["latency_s"]["median"] < 3


def test_a_silence_in_a_capture_makes_a_second_session(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    from hubtack.capture.layout import HEAD

    rows = [dated(36_000_000, 60), dated(36_300_000, 40)]
    t_ns = 1_793_786_400_000_000_000  # 2026-11-04 10:00 UTC
    lines = [
        f"1,rover,{t_ns},0,bytes,0,{len(rows[0])},,\n",
        f"2,rover,{t_ns + 300 * 10**9},1,bytes,{len(rows[0])},{len(rows[1])},,\n",
    ]
    (tmp_path / "rover-0001.log").write_bytes(b"".join(rows))
    (tmp_path / "index-0001.csv").write_text(HEAD + "".join(lines))
    (tmp_path / "capture.json").write_text(
        json.dumps(
            {"format": "hubtack-capture/1", "start_utc": "2026-11-04T10:00:00Z", "sources": {"rover": {"label": "x"}}}
        )
    )
    ledger = tmp_path.parent / f"{tmp_path.name}-ledger"
    args = (tmp_path, "--gap", "3", "--ledger", ledger)
    found = sessions(capsys, *args)
    assert [(s["name"], s["epochs"]) for s in found] == [(tmp_path.name, 60), (f"{tmp_path.name} 2", 40)]
    os.utime(tmp_path / "rover-0001.log", (1, 1))
    assert sessions(capsys, *args) == found
    assert len(sessions(capsys, tmp_path, "--gap", "10")) == 1


def test_damaged_files_cost_their_own_rows_only(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    shutil.copytree(SAMPLES / "good_day", tmp_path / "good")
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / "rover.nmea.gz").write_bytes(b"\x1f\x8b" + bytes(range(200)))
    (tmp_path / "bad" / "photo.jpg").write_bytes(b"\xff\xd8\xff" + bytes(4000))
    (tmp_path / "bad" / "empty.nmea").touch()
    (tmp_path / "bad" / "ghost.nmea").symlink_to(tmp_path / "nowhere")
    code, out, err = run(capsys, tmp_path, "--json")
    document = json.loads(out)
    assert code == 0 and len(document["sessions"]) == 1
    assert {Path(s["file"]).name for s in document["skipped_files"]} >= {"rover.nmea.gz", "photo.jpg", "empty.nmea"}
    assert err.count("\n") == len(document["skipped_files"])


def test_an_empty_folder_and_a_missing_one_end_with_a_sentence(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, _, err = run(capsys, tmp_path)
    assert code == 3 and "no logs in" in err
    code, _, err = run(capsys, tmp_path / "none")
    assert code == 3 and "no such file or folder" in err
    code, _, err = run(capsys)
    assert code == 2 and "name logs" in err


@pytest.mark.parametrize(("level", "stops", "warns"), [("stop", 1, 0), ("warn", 1, 1), ("never", 0, 0)])
def test_the_exit_code_is_by_the_heaviest_finding(
    capsys: pytest.CaptureFixture[str], level: str, stops: int, warns: int
) -> None:
    assert run(capsys, SAMPLES / "two_bases", "--fail-on", level)[0] == stops
    assert run(capsys, SAMPLES / "corrupt_frames", "--fail-on", level)[0] == warns
    assert run(capsys, SAMPLES / "good_day", "--fail-on", level)[0] == 0


EVIL = "=cmd|' /C calc'!A0<script>alert(1)</script>\x1b[31m"


class _Scripts(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.seen: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.seen.append(tag)


def test_names_with_markup_formulas_and_escapes_are_harmless_everywhere(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    folder = tmp_path / "logs" / EVIL.replace("/", "_")
    folder.mkdir(parents=True)
    (folder / "rover.nmea").write_bytes(dated(36_000_000, 60))
    page, tables, ledger = tmp_path / "report.html", tmp_path / "csv", tmp_path / "ledger"
    code, out, err = run(
        capsys,
        tmp_path / "logs",
        "--report",
        page,
        "--csv",
        tables,
        "--geojson",
        tmp_path / "x.geojson",
        "--ledger",
        ledger,
    )
    assert code in (0, 1) and "\x1b" not in out + err
    parser = _Scripts()
    parser.feed(page.read_text())
    assert "script" not in parser.seen
    for path in tables.glob("*.csv"):
        with path.open(newline="") as file:
            assert not [c for row in csv.reader(file) for c in row if c.startswith(("=", "@", "+", "\t"))]
    code, out, _ = run(capsys, "--ledger", ledger, "--query", "SELECT name, machine FROM sessions")
    assert code == 0 and "\x1b" not in out


def test_a_query_answers_as_a_table_and_as_json(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    run(capsys, SAMPLES / "link_stalled", "--ledger", tmp_path / "ledger")
    sql = "SELECT machine, round(sum(lost_working_s)/3600, 4) AS lost_h FROM sessions GROUP BY 1"
    code, out, _ = run(capsys, "--ledger", tmp_path / "ledger", "--query", sql)
    assert code == 0 and "lost_h" in out and "Digger 7" in out
    code, out, _ = run(capsys, "--ledger", tmp_path / "ledger", "--query", sql, "--json")
    document = json.loads(out)
    assert document["kind"] == "query" and document["columns"] == ["machine", "lost_h"]
    assert run(capsys, "--query", sql)[0] == 2


def test_what_the_screen_showed_stands_beside_what_is_recomputed(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    import datetime as dt

    from hubtack.live.verdict_log import VerdictLog

    shutil.copytree(SAMPLES / "link_stalled", tmp_path / "logs")
    (found,) = sessions(capsys, tmp_path / "logs")
    at = dt.datetime.fromisoformat(found["start_utc"])
    log = VerdictLog(tmp_path / "logs" / "verdicts.jsonl", now=lambda: at)
    for second, verdict in ((0, "HOLD"), (30, "GRADE"), (80, "ROUGH"), (100, "HOLD")):
        at = dt.datetime.fromisoformat(found["start_utc"]) + dt.timedelta(seconds=second)
        tolerance = {"vertical": 0.05, "horizontal": 0.1}
        log.show(
            {
                "utc": None,
                "verdict": verdict,
                "reasons": [],
                "tolerance_95_m": tolerance,
                "clearance_m": None,
                "checked": None,
            }
        )
    run(capsys, tmp_path / "logs", "--ledger", tmp_path / "ledger")
    sql = "SELECT shown_grade_s, shown_rough_s, shown_hold_s >= 30, shown_chain_broken_at FROM sessions"
    assert run_query(str(tmp_path / "ledger"), sql)[1] == [[50.0, 20.0, True, None]]


def test_provenance_names_version_limits_hashes_and_what_is_not_covered(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    import hashlib

    from hubtack import __version__

    run(capsys, SAMPLES / "good_day", "--ledger", tmp_path / "ledger")
    ((text,),) = run_query(str(tmp_path / "ledger"), "SELECT provenance_json FROM sessions")[1]
    p = json.loads(text)
    assert p["software"] == f"hubtack {__version__}" and p["limits"]["correction_age_hold_s"] == 30.0
    assert p["site_sha256"] == hashlib.sha256((SAMPLES / "good_day/site.toml").read_bytes()).hexdigest()
    for file in p["files"]:
        assert file["sha256"] == hashlib.sha256(Path(file["path"]).read_bytes()).hexdigest()
    assert any("no arrival times" in line for line in p["not_covered"])


def test_a_pool_gives_what_one_process_gives(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    paths = [tmp_path / f"{n}.nmea" for n in range(3)]
    for n, path in enumerate(paths):
        path.write_bytes(dated(36_000_000 + n * 7_000_000, 30 + n))
    assert run(capsys, *paths, "--jobs", "2") == run(capsys, *paths, "--jobs", "1")


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")
def test_progress_goes_to_a_terminal_only_and_never_into_the_answer(tmp_path: Path) -> None:
    (tmp_path / "rover.nmea").write_bytes(dated(36_000_000, 20))
    command = [sys.executable, "-m", "hubtack", "audit", str(tmp_path)]
    main_end, other = os.openpty()
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=other, env={**os.environ, "TERM": "xterm"})
    os.close(other)
    out, _ = child.communicate(timeout=60)
    shown = os.read(main_end, 65536)
    os.close(main_end)
    assert b"of 1" in shown and b"\x1b" not in out and b"of 1" not in out


@pytest.mark.slow
def test_a_worker_killed_in_the_middle_of_an_audit_costs_no_session(tmp_path: Path) -> None:
    made = [main(["simulate", "--seed", str(n), "--minutes", "30", "--out", str(tmp_path / f"m{n}")]) for n in range(6)]
    assert made == [0] * 6
    command = [sys.executable, "-m", "hubtack", "audit", str(tmp_path), "--jobs", "2", "--json"]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    deadline = time.monotonic() + 30
    killed = False
    while not killed and time.monotonic() < deadline:
        for entry in Path("/proc").glob("[0-9]*/stat"):
            try:
                fields = entry.read_text().rpartition(")")[2].split()
                line = (entry.parent / "cmdline").read_bytes()
            except OSError:
                continue
            if int(fields[1]) == child.pid and b"spawn_main" in line:
                time.sleep(0.8)
                os.kill(int(entry.parent.name), signal.SIGKILL)
                killed = True
                break
        time.sleep(0.05)
    out, _ = child.communicate(timeout=120)
    found = [s["name"] for s in json.loads(out)["sessions"]]
    assert killed and found == [f"m{n}" for n in range(6)]


def test_every_query_of_the_manual_runs_and_every_column_is_described(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    import re

    from hubtack.fleet.tables import COLUMNS

    text = (ROOT / "docs/fleet.md").read_text()
    run(capsys, SAMPLES / "link_stalled", SAMPLES / "two_bases", "--ledger", tmp_path / "ledger")
    queries = re.findall(r"```sql\n(.*?)```", text, re.S)
    assert len(queries) >= 6
    answers = [run_query(str(tmp_path / "ledger"), sql)[1] for sql in queries]
    assert all(answers[i] for i in (0, 2)), answers
    for table, columns in COLUMNS.items():
        part = text.partition(f"**{table}**")[2].partition("\n\n")[0]
        assert not [name for name in columns if f"`{name}`" not in part], table
