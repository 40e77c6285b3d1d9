"""What is taken in from others: all of it is declared, has a lower bound, and the bound is one that the tests were run with."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

ROOT = Path(__file__).parents[2]
OPTIONAL = {"keyring"}  # used where it happens to be installed, and nothing is lost without
BROUGHT = {"markupsafe", "dask"}  # jinja2 and distributed hand out objects of these, and ask for them themselves


def bounds() -> dict[str, str]:
    """Name and lower bound of everything that pyproject.toml asks for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    rows = [*project["dependencies"], *(r for group in project["optional-dependencies"].values() for r in group)]
    rows = [row for row in rows if not row.startswith("hubtack[")]
    assert all(re.fullmatch(r"[\w.-]+>=[\w.]+", row) for row in rows), "a plain lower bound and no more"
    found = [(row.partition(">=")[0], row.partition(">=")[2]) for row in rows]
    assert len(set(found)) == len({name for name, _ in found}), "one bound for one library"
    return dict(found)


def test_the_pins_of_the_oldest_versions_are_the_bounds() -> None:
    lines = (ROOT / ".ci/minimums.txt").read_text(encoding="utf-8").splitlines()
    pins = dict(line.split("==") for line in lines if line and not line.startswith("#"))
    assert pins == bounds()


def test_every_library_that_the_program_imports_is_declared() -> None:
    imported = set[str]()
    for path in (ROOT / "src").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                imported |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                imported.add(str(node.module).partition(".")[0])
    outside = imported - sys.stdlib_module_names - {"hubtack", "__future__"} - OPTIONAL - BROUGHT
    known = packages_distributions()
    missing = {name for name in outside if not {d.lower() for d in known.get(name, [name])} & set(bounds())}
    assert len(outside) >= 7
    assert not missing
