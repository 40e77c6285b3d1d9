"""Tables and places that other programs can read and that do nothing in them."""

from __future__ import annotations

import csv
import io
import json
import os
from pathlib import Path

import pytest
from tests.fleet.made_fleet import finding, fleet, loss, made

from hubtack.errors import SourceError
from hubtack.fleet.common_cause import common_cause
from hubtack.fleet.exports import csv_text, geojson_text, write_exports, write_geojson

HOSTILE = '=HYPERLINK("http://x.example","y")'


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def test_six_tables_hold_the_fleet(tmp_path: Path) -> None:
    accounts = common_cause(fleet())
    paths = write_exports(accounts, tmp_path / "new" / "tables")
    assert [p.name for p in paths] == [
        "machines.csv", "causes.csv", "sessions.csv", "findings.csv", "fix_losses.csv", "bases.csv",
    ]  # fmt: skip
    tables = {p.stem: rows_of(p) for p in paths}
    assert len(tables["sessions"]) == 5 and len(tables["machines"]) == 2
    lost = sum(a.document["lost_working_s"] for a in accounts)
    for name in ("machines", "sessions", "causes"):
        assert sum(float(r["lost_working_s"]) for r in tables[name]) == pytest.approx(lost, abs=0.01)
    assert len(tables["fix_losses"]) == sum(len(a.losses) for a in accounts)
    assert any(r["shared_with"] == "Dozer 2" for r in tables["fix_losses"])
    assert {p.name for p in (tmp_path / "new" / "tables").iterdir()} == {p.name for p in paths}  # no part files left


@pytest.mark.parametrize("name", [HOSTILE, "+1+1", "-1+cmd|' /C calc'!A0", "@SUM(A1)", "\t=1", "\r=1"])
def test_no_cell_is_taken_for_a_formula(tmp_path: Path, name: str) -> None:
    """Signs that start a formula: OWASP, CSV injection."""
    account = made(name, losses=[loss(1.0)], findings=[finding("link_stalled", [(0.0, 1.0)], summary=name)], key=name)
    for path in write_exports([account], tmp_path):
        for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8"))):
            assert not [cell for cell in row if cell[:1] in "=+-@\t\r" and not _is_number(cell)]


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return not cell
    return True


def test_csv_is_as_rfc_4180_has_it() -> None:
    """Section 2: CRLF after every line, quotes doubled inside quotes, commas only inside quotes."""
    assert csv_text(["a", "b"], [['say "x", y', None], [True, 1.5]]) == 'a,b\r\n"say ""x"", y",\r\nyes,1.5\r\n'
    assert csv_text(["a"], [[float("nan")]]) == 'a\r\n""\r\n'


def test_geojson_is_as_rfc_7946_has_it() -> None:
    account = made("Digger 7", losses=[loss(1.0), {**loss(2.0), "latitude_deg": None}])
    collection = json.loads(geojson_text([account]))
    assert collection["type"] == "FeatureCollection"  # section 3.3
    placed, unplaced = collection["features"]
    assert placed["geometry"] == {"type": "Point", "coordinates": [170.01, -45.03]}  # 3.1.1: longitude first
    assert unplaced["geometry"] is None  # 3.2: an unlocated feature
    assert placed["properties"]["machine"] == "Digger 7" and "crs" not in collection  # 4: WGS 84, no crs member
    assert json.loads(geojson_text([])) == {"type": "FeatureCollection", "features": []}


def test_control_characters_do_not_get_into_the_map() -> None:
    text = geojson_text([made("\x1b[2JDigger\u202e7", losses=[loss(1.0)])])
    assert "\\u001b" not in text and "\\u202e" not in text


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_is_named(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(SourceError, match="cannot be written"):
        write_exports([], tmp_path / "x")


def test_a_file_in_the_way_is_named(tmp_path: Path) -> None:
    (tmp_path / "x").write_text("")
    with pytest.raises(SourceError, match="x: cannot be written"):
        write_exports([], tmp_path / "x")
    with pytest.raises(SourceError, match=r"y\.json: cannot be written"):
        write_geojson([], tmp_path / "x" / "y.json")


def test_what_was_there_stays_whole_when_writing_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_geojson([made("Digger 7", losses=[loss(1.0)])], tmp_path / "places.geojson")
    old = path.read_bytes()

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(SourceError, match="No space left"):
        write_geojson([], path)
    assert path.read_bytes() == old
    assert [p.name for p in tmp_path.iterdir()] == ["places.geojson"]
