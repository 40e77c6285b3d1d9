"""The report as its user asks for it: ``hubtack audit --report``, ``--csv``, ``--geojson``."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from hubtack.audit.one import cause_of
from hubtack.cli.main import main
from hubtack.diagnosis.episode import Finding
from hubtack.fleet.report import page

SAMPLES = Path(__file__).parents[2] / "sample_logs"
S = 1_000_000_000


def test_one_command_writes_page_tables_and_places(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    html, tables, places = tmp_path / "week.html", tmp_path / "tables", tmp_path / "places.geojson"
    files = ["--report", str(html), "--csv", str(tables), "--geojson", str(places)]
    assert main(["audit", str(SAMPLES / "link_stalled"), "--quiet", "--zone", "Pacific/Auckland", *files]) == 1
    text = html.read_text(encoding="utf-8")
    assert "link stalled" in text and "Pacific/Auckland" in text and text.rstrip().endswith("</html>")
    assert (tables / "machines.csv").read_text(encoding="utf-8").startswith("machine,sessions,")
    assert json.loads(places.read_text(encoding="utf-8"))["features"][0]["properties"]["cause"] == "link_stalled"
    assert {p.name for p in tmp_path.iterdir()} == {"week.html", "tables", "places.geojson"}


@pytest.mark.parametrize(
    ("option", "value", "says"),
    [
        ("--zone", "Mars/Base", "no time zone 'Mars/Base'"),
        ("--report", "no/such/folder/x.html", "cannot be written"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(
    option: str, value: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    args = ["--report", str(tmp_path / "x.html"), option, str(tmp_path / value) if "/x." in value else value]
    assert main(["audit", str(SAMPLES / "good_day"), "--quiet", *args]) == 2
    err = capsys.readouterr().err
    assert says in err and "Traceback" not in err
    assert list(tmp_path.iterdir()) == []


def test_without_jinja_the_extra_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    page._template.cache_clear()
    monkeypatch.setitem(sys.modules, "jinja2", None)
    assert main(["audit", str(SAMPLES / "good_day"), "--quiet", "--report", str(tmp_path / "x.html")]) == 2
    assert "pip install 'hubtack[fleet]'" in capsys.readouterr().err


def test_a_fix_lost_under_a_folded_effect_has_the_effects_cause() -> None:
    effects = [{"code": "few_satellites", "start_ns": 300 * S, "end_ns": 900 * S}]
    evidence = {"episodes": [{"start_ns": 0, "end_ns": 60 * S}], "consequences": effects}
    blocked = Finding("sky_blocked", "stop", 0, 60 * S, "", evidence, ())
    assert cause_of({"start_ns": 600 * S, "to_fix": "rtk_float"}, [blocked]) == "sky_blocked"
    assert cause_of({"start_ns": 1200 * S, "to_fix": "rtk_float"}, [blocked]) is None
