"""Nothing from outside steers a terminal, is taken for markup, or turns text around, in any command."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from tests.hostile.strangers import ALL, BIDI, C1, ESCAPE, MARKUP, PAGE, dirt, run
from tests.link_stream import Base, descriptor_1033, frame, pack, sent, stream
from tests.rover_text import good_rows, sentence
from tests.terminal import in_terminal

ROOT = Path(__file__).parents[2]
GOOD = ROOT / "sample_logs/good_day"

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="file names with control characters, pseudo-terminals")


def clean(*argv: str) -> str:
    """Run a command and see that what it says is clean; returns that."""
    code, out, err = run(*argv)
    assert code in (0, 1, 2, 3)
    assert "internal error" not in err, err
    assert dirt(out) == dirt(err) == [], (argv, out, err)
    return out + err


def rover_log(path: Path, extra: bytes = b"") -> Path:
    path.write_bytes(extra + good_rows(36_000_000, 20) + extra)
    return path


@pytest.mark.parametrize(
    "words", [["audit"], ["watch", "--once"], ["link"], ["mounts"], ["watch", "--speed", "0"], ["replay", "--to"]]
)
def test_a_file_name_is_only_a_name(tmp_path: Path, words: list[str]) -> None:
    name = ALL.replace("/", "")
    log = rover_log(tmp_path / f"log {name}.nmea")
    clean(*words, str(log))
    clean(*words, str(tmp_path / f"missing {name}"))
    clean(*words, str(tmp_path))


def test_names_in_a_site_file_are_only_names(tmp_path: Path) -> None:
    text = ALL
    rover_log(tmp_path / "rover.nmea")
    mark = {"name": text, "easting_m": 500000.0, "northing_m": 5016000.0, "height_m": 11.5}
    control = "".join(f"{k} = {json.dumps(v)}\n" for k, v in mark.items())
    site = tmp_path / "site.toml"
    site.write_text(
        f"[machine]\nname = {json.dumps(text)}\n[site]\nname = {json.dumps(text)}\ncrs = \"EPSG:32759\"\n"
        f"[[site.control]]\n{control}",
        encoding="utf-8",
    )  # fmt: skip
    for words in (["audit"], ["audit", "--json"], ["watch", "--once"], ["watch", "--once", "--json"]):
        clean(*words, str(tmp_path))
    clean("control", str(tmp_path / "rover.nmea"), "--point", text, "--no-record")
    clean("control", str(tmp_path / "rover.nmea"), "--point", text + "x", "--no-record")
    site.write_text(f"[machine]\nname = {json.dumps(text)}\n{json.dumps(text)} = 3\n", encoding="utf-8")
    clean("watch", "--once", "--site", str(site), str(tmp_path / "rover.nmea"))


@pytest.mark.parametrize("text", [ESCAPE + MARKUP, C1 + PAGE])
def test_descriptors_and_texts_of_a_base_are_only_text(tmp_path: Path, text: str) -> None:
    said = text.encode("latin-1")[:31].decode("latin-1")
    message_1029 = pack((1029, 12), (412, 12), (0, 16), (0, 17), (len(said), 7), (len(said.encode()), 8))
    frames = stream(sent(Base(), 130))
    log = tmp_path / "base.rtcm3"
    log.write_bytes(
        b"".join(descriptor_1033(412, said, said) + frame(message_1029 + said.encode()) for _ in range(5)) + frames
    )
    said_back = clean("link", str(log)) + clean("link", str(log), "--json") + clean("audit", str(log))
    assert "1033" in said_back
    # As data of the document the text is whole, apart from what may steer a terminal.
    document = json.loads(run("link", str(log), "--json")[1])
    antenna = document["stations"][0]["antenna"]
    assert antenna is None or dirt(antenna) == []


def test_a_source_table_is_only_a_table(tmp_path: Path) -> None:
    text = ALL.replace(";", ",").replace("\r", "")
    table = tmp_path / "table.txt"
    fields = [text] * 19
    fields[9:11] = ["-45.0", "170.0"]
    row = ";".join(["STR", *fields]) + "\r\n"
    table.write_bytes((row + f"CAS;{text};{text}\r\nNET;{text};{text}\r\n{text}\r\nENDSOURCETABLE\r\n").encode())
    clean("mounts", str(table), "--near", "-45.03,170.01")
    clean("mounts", str(table), "--json")


def test_fields_of_sentences_are_only_fields(tmp_path: Path) -> None:
    body = ALL.replace(",", "").replace("*", "")
    odd = b"".join(
        sentence(f"{head},{body},{body},{body}") if body.isascii() else f"${head},{body}*00\r\n".encode()
        for head in ("GPTXT,01,01,02", "GPGGA,100000.00", "GPGSA,A", f"G{body[:1]}XYZ", "PMAKER")
    )
    log = rover_log(tmp_path / "rover.nmea", odd)
    for words in (["audit"], ["audit", "--json"], ["watch", "--once"], ["watch", "--speed", "0", "--json"]):
        clean(*words, str(log))


def test_an_argument_that_is_wrong_is_quoted_and_not_obeyed() -> None:
    for words in (
        ["watch", "--speed", ESCAPE],
        ["link", f"ntrip://{ESCAPE}@{BIDI}:x/"],
        [ESCAPE],
        ["simulate", "--fault", BIDI],
    ):
        code, out, err = run(*words)
        assert code in (2, 3)
        assert dirt(out) == dirt(err) == [], (words, err)


@pytest.mark.parametrize(
    "words", [["watch", "--speed", "0", "--for", "1"], ["audit"], ["watch", "--once"]], ids="-".join
)
def test_on_a_real_terminal_a_strangers_text_sets_no_title_and_no_link(tmp_path: Path, words: list[str]) -> None:
    folder = tmp_path / f"day{ESCAPE}"
    folder.mkdir()
    rover_log(folder / "rover.nmea")
    site = (GOOD / "site.toml").read_text()
    name = json.dumps(ESCAPE + MARKUP)
    (folder / "site.toml").write_text(site.replace('name = "Digger 7"', f"name = {name}"))
    code, data = in_terminal([words[0], str(folder), *words[1:]])
    assert code in (0, 1)
    assert b"\x1b]0;" not in data
    assert b"\x1b]8;" not in data
    assert b"\xc2\x9b" not in data
    assert b"Traceback" not in data
    assert b"Positioning only" in data
