"""Text in lines of a width, and what the commands print at 80 columns."""

from __future__ import annotations

import pytest
from rich.console import Console
from tests.command_line import run

from hubtack.cli.main import COMMANDS
from hubtack.views.audit_report import print_audit
from hubtack.views.link_report import link_report
from hubtack.views.paragraphs import paragraph, points, text_columns
from hubtack.views.sky_text import _free_place


def test_a_paragraph_hangs_behind_its_lead() -> None:
    assert paragraph("one two three four five six seven", 24, "do: ") == [
        "do: one two three four", "    five six seven",
    ]  # fmt: skip
    assert paragraph("one two three four five six", 24, "      ", hang=8)[1].startswith("        ")


def test_a_paragraph_without_text_is_its_lead_and_a_lead_wider_than_the_page_still_leaves_room() -> None:
    assert paragraph("", 80, "[x] ") == ["[x]"]
    assert all(len(line) <= 60 for line in paragraph("word " * 30, 10, " " * 40))


def test_points_begin_with_a_dash() -> None:
    assert points(["a " * 30, "b"], 40) == ["- " + ("a " * 19).strip(), "  " + ("a " * 11).strip(), "- b"]


@pytest.mark.parametrize(("terminal", "page"), [("20", 60), ("80", 80), ("250", 100)])
def test_a_page_is_between_60_and_100_columns(monkeypatch: pytest.MonkeyPatch, terminal: str, page: int) -> None:
    monkeypatch.setenv("COLUMNS", terminal)
    assert text_columns() == page


@pytest.mark.parametrize("args", [
    ("setout", "--first", "0,0,10", "--second", "30,0.2,10.3", "--sigma-m", "0.01", "--tolerance-m", "5", "--pipe-mm", "200"),
    ("radio", "load", "--systems", "GPS=10x2,GLONASS=7x2", "--msm", "7", "--interval-s", "1", "--rate-bps", "2400"),
    ("radio", "checklist"),
    ("ready", "sample_logs/good_day", "--speed", "0", "--no-log"),
    ("--help",),
])  # fmt: skip
def test_what_is_printed_fits_80_columns(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, args: tuple[str, ...]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    _, out, _ = run(capsys, *args)
    assert len(out.splitlines()) > 3
    assert max(map(len, out.splitlines())) <= 80


def test_the_list_of_commands_gives_each_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "--help")
    for name, (_, answers) in COMMANDS.items():
        assert f"  {name:<8}  {answers}\n" in out


def session(name: str, code: str) -> dict[str, object]:
    step = "radio: weak signal or another transmitter on the channel; raise the antenna, check the connectors"
    found = {"code": code, "severity": "stop", "summary": "429 of 1011 frames arrive damaged", "next_steps": [step]}
    return {
        "name": name, "machine": "Digger 7", "duration_s": 36_000.0, "lost_working_s": 3_600.0, "fix_losses": 12,
        "verdict_seconds": {"grade": 30_000.0, "rough": 2_400.0, "hold": 3_600.0}, "correction_age_s": {"p95": 1.0},
        "edge_error_95_m": {"vertical_p95": 0.045}, "findings": [found],
    }  # fmt: skip


def test_an_audit_at_80_columns_breaks_no_name_and_hangs_its_steps() -> None:
    console = Console(width=80, force_terminal=True, color_system=None, record=True)
    print_audit({"sessions": [session("corrupt_frames", "corrupt_frames")]}, console)
    lines = console.export_text().splitlines()
    (row,) = (line for line in lines if "10:00:00" in line)
    assert row.split() == ["corrupt_frames", "10:00:00", "8:20:00", "0:40:00", "1:00:00", "1:00:00", "CORRUPT_FRAMES"]
    (at,) = (i for i, line in enumerate(lines) if "do: " in line)
    assert lines[at + 1].startswith(" " * 12) and lines[at + 1].strip()


def test_the_steps_of_a_stream_hang_behind_their_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    import json

    _, out, _ = run(capsys, "link", "sample_logs/corrupt_frames", "--json")
    console = Console(width=80, record=True, color_system=None)
    console.print(link_report(json.loads(out), 80))
    lines = console.export_text().splitlines()
    (at,) = (i for i, line in enumerate(lines) if line.strip().startswith("1. "))
    assert lines[at + 1].startswith(" " * 9) and not lines[at + 1].strip().startswith("2.")


def test_satellites_close_together_are_all_named() -> None:
    rows = [[" "] * 20 for _ in range(3)]
    for name in ("G01", "G02", "G03", "G04"):
        x, y = _free_place(rows, 8, 1)
        rows[y][x : x + 3] = name
    text = "\n".join("".join(row) for row in rows)
    assert all(name in text for name in ("G01", "G02", "G03", "G04"))


def test_the_chart_of_the_sky_names_every_satellite_above_the_horizon(capsys: pytest.CaptureFixture[str]) -> None:
    import json

    _, out, _ = run(capsys, "sky", "sample_logs/good_day", "--json")
    names = {s["name"] for s in json.loads(out)["satellites"] if s["rover_tracks"]}
    _, out, _ = run(capsys, "sky", "sample_logs/good_day")
    chart = out.partition("north up, horizon at the rim")[2]
    assert len(names) > 20 and all(name in chart for name in names)
