"""The mutants of a module: every change that mutmut's operators make inside a function, one at a time.

A mutant is put in by giving the function the code of its changed copy, in a process of its own: so whoever had imported
the function calls the mutant, and nothing is written to disk.
"""

from __future__ import annotations
import __future__

import difflib
import importlib
import types
from dataclasses import dataclass
from pathlib import Path

import libcst as cst
from mutmut.mutation.file_mutation import Mutation, create_mutations, deep_replace, group_by_top_level_node

SOURCE = Path(__file__).resolve().parents[2] / "src" / "hubtack"


@dataclass(frozen=True)
class Mutant:
    """One change: the function (``Class.method``), its syntax, and which node of it becomes which."""

    module: str
    function: str
    node: cst.FunctionDef
    mutation: Mutation

    def code(self) -> str:
        """The function after the change."""
        changed = deep_replace(self.node, self.mutation.original_node, self.mutation.mutated_node)
        assert isinstance(changed, cst.FunctionDef)
        return cst.Module([changed]).code.strip()

    def lines(self) -> tuple[str, str]:
        """The lines before and after, as ``judged.toml`` names a mutant."""
        before = cst.Module([self.node]).code.strip()
        diff = list(difflib.unified_diff(before.splitlines(), self.code().splitlines(), n=0))[2:]
        was, now = (" ".join(line[1:].strip() for line in diff if line.startswith(sign)) for sign in "-+")
        return was, now

    def put_in(self) -> None:
        """Make it so in this process."""
        home = importlib.import_module("hubtack." + self.module.removesuffix(".py").replace("/", "."))
        *classes, name = self.function.split(".")
        holder = vars(home)
        for one in classes:
            holder = vars(holder[one])  # type: ignore[assignment]
        target = holder[name]
        function: types.FunctionType = getattr(target, "__func__", target)
        made: dict[str, types.FunctionType] = {}
        exec(compile(self.code(), self.module, "exec", flags=__future__.annotations.compiler_flag), vars(home), made)
        changed = getattr(made[name], "__func__", made[name])
        function.__code__ = changed.__code__
        function.__defaults__, function.__kwdefaults__ = changed.__defaults__, changed.__kwdefaults__


def mutants_of(module: str) -> list[Mutant]:
    """All mutants of a module, such as ``engine/judge.py``, in the order of its text."""
    path = SOURCE / module
    tree, mutations, _, _ = create_mutations(str(path), path.read_text())
    by_function = group_by_top_level_node(mutations)
    functions = [("", node) for node in tree.body]
    for holder in tree.body:
        if isinstance(holder, cst.ClassDef):
            functions += [(f"{holder.name.value}.", node) for node in holder.body.body]
    return [
        Mutant(module, prefix + node.name.value, node, mutation)
        for prefix, node in functions
        if isinstance(node, cst.FunctionDef)
        for mutation in by_function.get(node, ())
    ]
