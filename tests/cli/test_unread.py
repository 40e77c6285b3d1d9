"""With ``--json`` the document is printed whatever the exit code: also where no source could be read."""

from __future__ import annotations

import json
import socket
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from hubtack.cli.main import main

_AT = ("--at", "1,2,3", "--crs", "EPSG:32760")
COMMANDS = (("watch", ("--once",)), ("watch", ()), ("ready", ()), ("link", ()), ("control", _AT), ("audit", ()))


@pytest.fixture(params=["missing", "empty", "folder"])
def unreadable(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / "rover.nmea"
    if request.param == "empty":
        path.touch()
    elif request.param == "folder":
        path.mkdir()
    return path


def _documents(capsys: pytest.CaptureFixture[str], argv: Sequence[str]) -> tuple[int, dict[str, Any], str]:
    code = main(argv)
    out, err = capsys.readouterr()
    return code, json.loads(out) if out else {}, err


@pytest.mark.parametrize(("command", "more"), COMMANDS)
def test_a_source_that_cannot_be_read_is_a_document_with_nothing_known(
    command: str, more: tuple[str, ...], unreadable: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said, err = _documents(capsys, [command, str(unreadable), *more, "--json"])
    if command == "link" and unreadable.is_dir():
        assert (code, said) == (2, {})  # a folder without corrections: another name must be given
        return
    assert code == 3
    assert (said["schema"], said["kind"]) == ("hubtack/1", command)
    assert err.count(str(unreadable)) == 1, "the file is named once"
    if command in {"watch", "ready"}:
        assert said["verdict"] == "HOLD"
        assert said["reasons"]
        assert said["tolerance_95_m"]["vertical"] == 0.05
        assert [f["code"] for f in said["findings"]] == ["no_rover"]
    if command == "link":
        assert (said["bytes"], said["rtk_ready"], said["latency_s"]) == (0, None, None)
    if command == "control":
        assert (said["passed"], said["epochs"]) == (None, 0)
    if command == "audit":
        assert said["sessions"] == []
    else:
        assert str(unreadable) in said["error"]


def test_the_tolerance_is_that_of_the_site_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = tmp_path / "site.toml"
    site.write_text('[job]\nclass = "pipe_grade"\n')
    _, said, _ = _documents(capsys, ["watch", str(tmp_path / "gone.nmea"), "--json", "--site", str(site)])
    assert said["tolerance_95_m"]["vertical"] == 0.02


@pytest.fixture
def closed_port() -> int:
    """A port of this computer on which nothing listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_while_nothing_comes_watch_says_so_every_second_and_why(
    closed_port: int, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["watch", "--rover", f"tcp://127.0.0.1:{closed_port}", "--json", "--for", "2.2"])
    out, err = capsys.readouterr()
    lines = [json.loads(line) for line in out.splitlines()]
    assert code == 3
    assert len(lines) >= 3
    assert {line["verdict"] for line in lines} == {"HOLD"}
    assert "refused" in lines[-1]["source_troubles"]["rover"]
    assert "refused" in err


@pytest.mark.parametrize(("command", "more"), [("watch", ("--once",)), ("ready", ())])
def test_a_port_that_is_not_there_is_a_document_too(
    command: str, more: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    code, said, err = _documents(capsys, [command, "--rover", "serial:///dev/ttyNONE", *more, "--json"])
    assert (code, said["verdict"]) == (3, "HOLD")
    assert "ttyNONE" in said["error"]
    assert "ttyNONE" in err


def test_a_source_that_is_open_and_silent_has_a_line_every_second_too(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        main(["watch", "--rover", f"tcp://127.0.0.1:{silent.getsockname()[1]}", "--json", "--for", "2.6"])
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) >= 3, "all say the same, and are signs of life"
    assert {json.loads(line)["verdict"] for line in lines} == {"HOLD"}
