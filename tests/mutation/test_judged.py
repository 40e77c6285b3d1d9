"""The list of judged mutants is of the code as it is: what has been rewritten is judged anew."""

from __future__ import annotations

import tomllib
from pathlib import Path

import hubtack

FOLDER = Path(__file__).parent
SOURCE = Path(hubtack.__file__).parent


def test_every_judged_mutant_changes_a_line_that_is_still_there() -> None:
    entries = tomllib.loads((FOLDER / "judged.toml").read_text(encoding="utf-8"))["survivor"]
    seen = {(e["module"], e["function"], e["was"], e["now"]) for e in entries}
    assert len(seen) == len(entries) > 0
    for entry in entries:
        text = " ".join((SOURCE / entry["module"]).read_text(encoding="utf-8").split())
        assert " ".join(entry["was"].split()) in text, f"{entry['module']}: {entry['was']}"
        assert f"def {entry['function'].rsplit('.', 1)[-1]}(" in text
        assert entry["now"] != entry["was"] and entry["why"]


def test_every_module_of_the_list_and_its_tests_exist() -> None:
    settings: dict[str, object] = {}
    exec((FOLDER / "modules.py").read_text(encoding="utf-8"), settings)
    root = FOLDER.parents[1]
    modules = settings["MODULES"]
    assert isinstance(modules, dict)
    for module, tests in modules.items():
        assert (SOURCE / module).exists() and tests and all((root / test).exists() for test in tests)
