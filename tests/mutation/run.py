"""Do the tests bite? ``python -m tests.mutation.run [MODULE ...]`` changes the code and sees whether a test notices.

The changes are mutmut's (``pip install mutmut``), one at a time, in a copy of the tree; the tests are those that
``modules.py`` names. What survives is a hole in the tests, or is judged in ``judged.toml``: what the change was, and why
no test need notice. A survivor that is not judged is printed, and the run ends with 1.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from tests.mutation.modules import LEFT_OUT, MODULES

ROOT = Path(__file__).resolve().parents[2]
JUDGED = Path(__file__).with_name("judged.toml")
COPIED = ("src", "tests", "docs", "sample_logs", "README.md", "DEVELOPERS.md")
SEED = 1  # of the lot
NOTICED = ("killed", "timeout", "suspicious", "segfault")


@dataclass(frozen=True)
class Survivor:
    """One change that no test noticed: the function, the lines before and after."""

    module: str
    function: str
    was: str
    now: str


def config(module: str) -> str:
    """The tool's part of pyproject.toml for one module."""
    arguments = ["-p", "no:cacheprovider", "-p", "tests.mutation.quick", "--hypothesis-profile=mutation"]
    for test in LEFT_OUT:
        arguments += ["--deselect", test]
    return "\n".join(
        (
            "",
            "[tool.mutmut]",
            'source_paths = ["src"]',
            f"only_mutate = {json.dumps(['src/hubtack/' + module])}",
            f"pytest_add_cli_args_test_selection = {json.dumps([t for t in MODULES[module] if (ROOT / t).exists()])}",
            f"pytest_add_cli_args = {json.dumps(arguments)}",
            'also_copy = ["docs", "sample_logs"]',
            "timeout_multiplier = 4.0",
            "timeout_constant = 30.0",  # of a machine that has other things to do: no mutant dies of the clock alone
            "use_git_change_detection = false",
            "track_dependencies = false",
            "",
        )
    )


def sync(module: str, work: Path) -> None:
    """Bring the copy of the tree up to date; what is the same is left alone, so that its mutants are kept."""
    settings = (ROOT / "pyproject.toml").read_text() + config(module)
    if not (work / "pyproject.toml").exists() or (work / "pyproject.toml").read_text() != settings:
        (work / "pyproject.toml").write_text(settings)
    for name in COPIED:
        for source in (ROOT / name).rglob("*") if (ROOT / name).is_dir() else [ROOT / name]:
            copy = work / source.relative_to(ROOT)
            if source.is_dir() or "__pycache__" in source.parts:
                continue
            if not copy.exists() or copy.read_bytes() != source.read_bytes():
                copy.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(source, copy)


def names_of(module: str) -> list[str]:
    """The mutants of a module by the tool's names, in its order."""
    import libcst
    from mutmut.mutation.file_mutation import create_mutations, group_by_top_level_node
    from mutmut.mutation.trampoline_templates import mangle_function_name

    path = ROOT / "src" / "hubtack" / module
    tree, mutations, _, _ = create_mutations(str(path), path.read_text())
    grouped = group_by_top_level_node(mutations)
    functions = [(None, node) for node in tree.body]
    functions += [
        (node.name.value, part) for node in tree.body if isinstance(node, libcst.ClassDef) for part in node.body.body
    ]
    prefix = "hubtack." + module.removesuffix(".py").replace("/", ".")
    return [
        f"{prefix}.{mangle_function_name(name=node.name.value, class_name=of)}__mutmut_{i + 1}"
        for of, node in functions
        if isinstance(node, libcst.FunctionDef)
        for i in range(len(grouped.get(node, ())))
    ]


def mutate(module: str, work: Path, children: int, sample: int | None) -> tuple[Counter[str], list[Survivor]]:
    """Run the mutants of one module in ``work``; returns how many had which fate, and who survived.

    All of them the first time, or as many drawn by lot; later, in the same folder, those that no test had killed.
    """
    from mutmut.stats import status_by_exit_code

    source, results = Path("src/hubtack") / module, work / "mutants" / "src" / "hubtack" / (module + ".meta")
    names = names_of(module)
    if sample is not None and sample < len(names):
        names = random.Random(SEED).sample(names, sample)
    command = [str(Path(sys.executable).with_name("mutmut")), "run", "--max-children", str(children)]
    before = {}
    if results.exists() and (work / source).read_bytes() == (ROOT / source).read_bytes():
        before = json.loads(results.read_text())["exit_code_by_key"]
    again = [name for name in names if status_by_exit_code[before.get(name)] != "killed"]
    sync(module, work)
    done = subprocess.run(
        [*command, *again], cwd=work, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False
    )
    if done.returncode or not results.exists():
        said = [line for line in done.stdout.splitlines() if line.strip() and line[1:2] != " "]  # no turning wheels
        raise SystemExit(f"{module}: {command[0]} ended with {done.returncode}\n" + "\n".join(said[-40:]))
    fates: Counter[str] = Counter()
    survivors = []
    codes = json.loads(results.read_text())["exit_code_by_key"]
    for name in names:
        fate = status_by_exit_code[codes[name]]
        fates[fate] += 1
        if fate not in NOTICED:
            survivors.append(survivor(module, name, work))
    return fates, survivors


def survivor(module: str, name: str, work: Path) -> Survivor:
    """What one mutant changed, as mutmut shows it."""
    here = Path.cwd()
    os.chdir(work)
    try:
        from mutmut.mutation.diff_apply import get_diff_for_mutant

        lines = get_diff_for_mutant(name, path=Path("src/hubtack") / module).splitlines()[2:]
    finally:
        os.chdir(here)
    function = name.rsplit(".", 1)[1].rsplit("__mutmut_", 1)[0].removeprefix("x_").removeprefix("xǁ").replace("ǁ", ".")
    was = " ".join(line[1:].strip() for line in lines if line.startswith("-"))
    now = " ".join(line[1:].strip() for line in lines if line.startswith("+"))
    return Survivor(module, function, was, now)


def judged() -> set[Survivor]:
    """The survivors that somebody has looked at."""
    entries = tomllib.loads(JUDGED.read_text())["survivor"] if JUDGED.exists() else []
    return {Survivor(e["module"], e["function"], e["was"], e["now"]) for e in entries}


def main() -> int:
    """Mutate the modules that are named, or all of them, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("modules", nargs="*", metavar="MODULE", help="such as engine/judge.py; all where none is named")
    parser.add_argument("--children", type=int, default=1, help="mutants at a time")
    parser.add_argument("--sample", type=int, metavar="N", help="so many mutants of each module, drawn by lot")
    parser.add_argument("--work", type=Path, metavar="FOLDER", help="keep the mutants there: next time only survivors")
    args = parser.parse_args()
    known, new = judged(), 0
    for module in args.modules or MODULES:
        with tempfile.TemporaryDirectory() as once:
            work = Path(once) if args.work is None else args.work / module.replace("/", "-")
            work.mkdir(parents=True, exist_ok=True)
            fates, survivors = mutate(module, work, args.children, args.sample)
        tried = fates.total()
        noticed = sum(fates[f] for f in NOTICED)
        accepted = [s for s in survivors if s in known]
        print(
            f"{module:<28} {tried:>5} mutants, {noticed:>5} noticed = {100 * noticed / tried:.1f} %,"
            f" {len(accepted)} judged, {len(survivors) - len(accepted)} not",
            flush=True,
        )
        for s in survivors:
            if s not in known:
                new += 1
                print(f"  {s.function}\n    - {s.was}\n    + {s.now}", flush=True)
    return 1 if new else 0


if __name__ == "__main__":
    sys.exit(main())
