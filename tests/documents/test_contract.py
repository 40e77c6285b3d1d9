"""docs/schema names every document and every key of it, and the walk that says so sees what it should."""

from __future__ import annotations

import ast
import copy
import json
from pathlib import Path

import jsonschema
import pytest
from tests.command_line import run
from tests.documents.contract import KINDS, SCHEMA, follows_contract, unnamed
from tests.loopback import open_line
from tests.rover_text import good_rows

SRC = Path(__file__).parents[2] / "src/hubtack"
SAMPLES = Path(__file__).parents[2] / "sample_logs"
TABLE = (
    b"SOURCETABLE 200 OK\r\n\r\n"
    b"CAS;other.example;2101;Other;Reach;0;XXX;0;0;0.0.0.0;0;none\r\n"
    b"NET;Reach;Works;N;N;web.example;reg.example;mail;none\r\n"
    b"STR;ALDER1;Alder bank;RTCM 3.2;1005(10),1077(1),1087(1);2;GPS+GLO;Reach;XXX;-45.03;170.01;0;0;x;none;N;N;9600;\r\n"
    b"STR;FAR;Far off;RTCM 2;1(1);1;GPS;Reach;XXX;-44.03;170.01;1;1;x;none;B;Y;;\r\n"
    b"ENDSOURCETABLE\r\n"
)
ROWS = good_rows(start_ms=36_000_000, seconds=5)


def test_every_kind_of_document_that_the_code_makes_is_in_the_schema() -> None:
    made: set[str] = set()
    for path in SRC.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "document" and node.args:
                first = node.args[0]
                made |= {first.value} if isinstance(first, ast.Constant) else {"watch", "ready"}
    assert len(made) >= 15
    assert made == set(KINDS)
    assert {row["$ref"].rpartition("/")[2] for row in SCHEMA["oneOf"]} == set(KINDS.values())


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_a_key_that_nobody_wrote_down_is_found_wherever_it_hides(capsys: pytest.CaptureFixture[str]) -> None:
    whole = json.loads(run(capsys, "audit", SAMPLES / "two_bases", "--json")[1])
    session = whole["sessions"][0]
    places = {
        "fresh": whole,
        "sessions[].fresh": session,
        "sessions[].heading.fresh": session["heading"],
        "sessions[].findings[].fresh": session["findings"][0],
        "sessions[].findings[].evidence.episodes[].fresh": session["findings"][0]["evidence"]["episodes"][0],
        "sessions[].link.stations[].fresh": session["link"]["stations"][0],
        "sessions[].link.base_check.fresh": session["link"]["base_check"],
    }
    for path, holder in places.items():
        holder["fresh"] = 1.0
        with pytest.raises(AssertionError, match="does not name: ") as caught:
            follows_contract(whole)
        assert str(caught.value).rpartition("name: ")[2] == path
        del holder["fresh"]
    session["findings"][0]["evidence"]["fresh"] = 1.0  # figures of its own are free, and the schema says so
    session["sentences"]["XYZ"] = 3
    follows_contract(whole)


def test_a_value_of_the_wrong_type_and_a_missing_key_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    good = json.loads(run(capsys, "setout", "--separation-m", "1", "--length-m", "9", "--sigma-m", "0.01", "--json")[1])
    for change in ({"length_m": "9"}, {"schema": "hubtack/2"}):
        with pytest.raises(jsonschema.ValidationError):
            follows_contract({**good, **change})
    short = copy.deepcopy(good)
    del short["far_end_error_95_m"]
    with pytest.raises(jsonschema.ValidationError):
        follows_contract(short)


def test_a_list_of_things_needs_the_shape_of_a_thing() -> None:
    assert list(unnamed({"a": [{"b": 1}]}, {"properties": {"a": {"type": "array"}}})) == ["a[]"]
    assert list(unnamed({"a": [[{"b": 1}]]}, {"properties": {"a": {"items": {"items": {"properties": {}}}}}})) == [
        "a[][].b"
    ]


def test_a_line_with_all_that_can_be_asked_of_it_is_in_the_schema(capsys: pytest.CaptureFixture[str]) -> None:
    points = ["--first", "0,0,10", "--second", "30,0.2,10.3", "--offset-of", "12,1,10.2", "--length-m", "60"]
    asked = ["--tolerance-m", "0.05", "--design-distance-m", "30", "--design-grade", "1", "--pipe-mm", "200"]
    document = json.loads(run(capsys, "setout", *points, "--sigma-m", "0.01", *asked, "--json")[1])
    assert all(document[key] is not None for key in ("line", "offset", "design_distance", "slope", "within_tolerance"))


def test_what_is_recorded_and_played_back_is_in_the_schema(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    folder = tmp_path / "capture"
    with open_line(ROWS) as url:
        code, out, err = run(capsys, "record", "--rover", url, "--out", folder, "--for", "0.5", "--json")
    assert code == 0, err
    assert json.loads(out)["sources"][0]["bytes"] == len(ROWS)
    code, out, err = run(capsys, "replay", folder, "--to", f"rover={tmp_path / 'r.nmea'}", "--speed", "0", "--json")
    assert code == 0, err
    assert json.loads(out)["sources"][0]["bytes"] == len(ROWS)


def test_a_source_table_is_in_the_schema(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    table = tmp_path / "table.txt"
    table.write_bytes(TABLE)
    code, out, _ = run(capsys, "mounts", table, "--near", "-45.05,170.01", "--json")
    document = json.loads(out)
    assert (code, document["mounts"][0]["mount"]) == (0, "ALDER1")
    assert document["networks"] and document["casters"]
    run(capsys, "mounts", "ntrip://127.0.0.1:9/", "--json")  # and a caster that is not there
