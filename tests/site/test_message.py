"""A site file that is refused ends a command with exit code 2 and one line a problem on standard error."""

from __future__ import annotations

import argparse
import sys
import types
from pathlib import Path

import pytest

from hubtack.cli import main as cli
from hubtack.cli.options import add_site
from hubtack.site import load_site


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch) -> str:
    """A command that does nothing but load the site file."""
    module = types.ModuleType("only_the_site")

    def run(args: argparse.Namespace) -> int:
        load_site(args.site)
        return 0

    module.EXAMPLE, module.add_arguments, module.run = "hubtack probe", add_site, run  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "only_the_site", module)
    monkeypatch.setitem(cli.COMMANDS, "probe", ("only_the_site", "does the site file load?"))
    return "probe"


def test_each_problem_has_its_own_line(command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.toml"
    path.write_text('units = "yard"\n[machine]\nkind = "a\\nhubtack probe: all is well"\n')
    assert cli.main([command, "--site", str(path)]) == 2
    out, err = capsys.readouterr()
    lines = err.splitlines()
    assert out == ""
    assert lines[0].endswith("has 2 problems:")
    assert lines[1].startswith("  line 1: units is")
    assert lines[2].startswith("  line 3: machine.kind is")
    assert len(lines) == 3  # a line break in a value makes no line of ours


def test_a_good_file_is_silent(command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.toml"
    path.write_text("[machine]\nreach_m = 9\n")
    assert cli.main([command, "--site", str(path)]) == 0
    assert capsys.readouterr() == ("", "")
