"""The documentation is true: pages from tables are current, links lead somewhere, commands run, named tests exist."""

from __future__ import annotations

import ast
import contextlib
import importlib.util
import io
import re
import shlex
import xml.etree.ElementTree as ET
from pathlib import Path
from types import ModuleType

import pytest

from hubtack.cli.main import COMMANDS, command_parser, main
from hubtack.knowledge.findings import BY_CODE
from hubtack.knowledge.reasons import REASONS

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
PAGES = sorted([*DOCS.rglob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "sample_logs/README.md"])
GUIDES = sorted((DOCS / "guides").glob("*.md"))
_LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")
_FENCE = re.compile(r"^```(?:sh|bash|console)?\n(.*?)^```", re.M | re.S)
_INDENTED = re.compile(r"^    (?:\.venv/bin/)?(hubtack .*)$", re.M)
_TEST_NAME = re.compile(r"`(tests/[\w/]+\.py)(?:::(\w+))?`")


def reference() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_reference", DOCS / "make_reference.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def commands_of(page: Path) -> list[list[str]]:
    """Every ``hubtack`` command that a page shows, by its words."""
    text = re.sub(r"\\\n\s*", "", page.read_text(encoding="utf-8"))  # a line that goes on
    lines = [line for block in _FENCE.findall(text) for line in block.splitlines()] + _INDENTED.findall(text)
    found = []
    for line in lines:
        line = line.strip().removeprefix("$ ").removeprefix(".venv/bin/")
        if line.startswith("hubtack ") and "..." not in line and "COMMAND" not in line:
            found.append(shlex.split(re.split(r"\s[|>&]|\s{3,}", line, maxsplit=1)[0], comments=True)[1:])
    return found


def anchors_of(page: Path) -> set[str]:
    heads = re.findall(r"^#+ (.*)$", page.read_text(encoding="utf-8"), re.M)
    return {re.sub(r"[^\w\- ]", "", head.strip().lower()).replace(" ", "-") for head in heads}


def test_the_reference_is_what_the_tables_say() -> None:
    for name, text in reference().pages().items():
        written = (DOCS / "reference" / name).read_text(encoding="utf-8")
        assert written == text, f"docs/reference/{name} is old: run python docs/make_reference.py"


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_every_link_leads_to_a_page_and_a_place_on_it(page: Path) -> None:
    for target in _LINK.findall(page.read_text(encoding="utf-8")):
        if "://" in target or target.startswith("mailto:"):
            continue
        path, _, anchor = target.partition("#")
        there = (page.parent / path).resolve() if path else page
        assert there.exists(), f"{page.name}: {target}"
        if anchor and there.suffix == ".md":
            assert anchor in anchors_of(there), f"{page.name}: {target}"


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_every_command_on_a_page_is_one_that_its_parser_takes(page: Path) -> None:
    for words in commands_of(page):
        if words[0].startswith("-"):
            continue
        assert words[0] in COMMANDS, words
        said = io.StringIO()
        try:
            with contextlib.redirect_stderr(said), contextlib.redirect_stdout(said):
                command_parser(words[0]).parse_args(words[1:])
        except SystemExit as end:
            if end.code:
                pytest.fail(f"{page.name}: hubtack {' '.join(words)}: {said.getvalue()}")


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_every_option_that_a_sentence_names_is_one_of_its_command(page: Path) -> None:
    for words in re.findall(r"`hubtack ([a-z]+)( [^`]*)?`", page.read_text(encoding="utf-8")):
        assert words[0] in COMMANDS, f"{page.name}: hubtack {words[0]}"
        help_text = command_parser(words[0]).format_help()
        if words[0] == "radio":
            continue  # its options are those of its own four commands
        for option in re.findall(r"--[a-z-]+", words[1]):
            assert f"{option} " in help_text or f"{option}\n" in help_text, f"{page.name}: hubtack {words[0]} {option}"


def test_the_figures_of_the_readme_are_those_of_the_samples(capsys: pytest.CaptureFixture[str]) -> None:
    shown = [line.split() for line in (ROOT / "README.md").read_text().splitlines() if "Digger 7  " in line]
    assert [row[0] for row in shown] == ["good_day", "link_stalled"]
    main(["audit", *(str(ROOT / "sample_logs" / row[0]) for row in shown), "--quiet"])
    printed = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert all(row in printed for row in shown)


@pytest.mark.parametrize("page", [DOCS / "guides/troubleshooting.md"], ids=lambda p: p.name)
def test_a_reason_that_a_page_quotes_is_what_the_screen_says(page: Path) -> None:
    texts = [reason.text.lower() for reason in REASONS]
    quoted = re.findall(r'^\| (?:HOLD|ROUGH)[^|"]*"([^"|]+)"', page.read_text(encoding="utf-8"), re.M)
    assert len(quoted) >= 8
    for words in quoted:
        assert any(words.lower() in text for text in texts), words


def runnable() -> list[list[str]]:
    """Commands of the guides that need nothing but the sample logs."""
    seen: dict[str, list[str]] = {}
    for page in GUIDES:
        for words in commands_of(page):
            alone = words[0] in ("setout", "simulate") or words[:2] in (
                ["radio", "path"],
                ["radio", "load"],
                ["radio", "checklist"],
            )
            if (alone or any("sample_logs" in w for w in words)) and words[0] != "replay":
                seen[" ".join(words)] = words
    return list(seen.values())


@pytest.mark.parametrize("words", runnable(), ids=" ".join)
def test_the_commands_of_the_guides_run_as_they_stand(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "sample_logs").symlink_to(ROOT / "sample_logs")
    monkeypatch.chdir(tmp_path)
    if "--speed" in words and words[0] == "watch":
        words = [*words[: words.index("--speed")], "--speed", "0"]
    if words[:2] == ["audit", "sample_logs"]:
        words = ["audit", "sample_logs/good_day", *words[2:], "--quiet"]
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(words)
    assert code in (0, 1), err.getvalue()
    assert out.getvalue().strip()


def test_every_finding_that_the_guides_name_exists() -> None:
    text = (DOCS / "guides/troubleshooting.md").read_text(encoding="utf-8")
    named = set(re.findall(r"findings\.md#(\w+)", text))
    assert named <= set(BY_CODE)
    assert len(named) > 20


@pytest.mark.parametrize("page", [DOCS / "reliability.md", DOCS / "threat-model.md"], ids=lambda p: p.name)
def test_every_row_names_a_test_that_exists(page: Path) -> None:
    rows = [
        line for line in page.read_text(encoding="utf-8").partition("## How good is the diagnosis?")[0].splitlines()
        if line.startswith("| ") and "| test |" not in line and "trusted with" not in line
    ]  # fmt: skip
    named = 0
    for row in rows:
        match = _TEST_NAME.search(row)
        if match is None:
            assert page.name == "threat-model.md" and row.count("|") == 4 and "tests/" not in row, f"no test in: {row}"
            continue
        path, name = match.groups()
        assert (ROOT / path).is_file(), row
        if name:
            tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
            functions = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
            assert name in functions, row
        named += 1
    assert named > 10


def test_screens_are_pictures_that_need_nothing_from_outside() -> None:
    shown = {target for page in GUIDES for target in _LINK.findall(page.read_text()) if target.endswith(".svg")}
    kept = sorted((DOCS / "screens").glob("*.svg"))
    assert shown and kept
    for path in kept:
        text = path.read_text(encoding="utf-8")
        ET.fromstring(text)
        assert re.findall(r"https?://[^\s\"')]+", text) == ["http://www.w3.org/2000/svg"], path.name
        assert "<script" not in text
