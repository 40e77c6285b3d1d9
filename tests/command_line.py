"""A command as its user runs it, within this process; every document it prints is held against the contract."""

from __future__ import annotations

import json
from typing import Any

import pytest
from tests.documents.contract import follows_contract

from hubtack.cli.main import main

_MOST_LINES = 40


def run(capsys: pytest.CaptureFixture[str], *args: object) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of ``hubtack *args``."""
    try:
        code = main([str(arg) for arg in args])
    except SystemExit as end:
        code = int(end.code or 0)
    out, err = capsys.readouterr()
    if "--json" in args and out:
        for document in _some(documents(out)):
            follows_contract(document)
    return code, out, err


def documents(out: str) -> list[dict[str, Any]]:
    """What ``--json`` printed: one document, or one a line."""
    try:
        return [json.loads(out)]
    except json.JSONDecodeError:
        return [json.loads(line) for line in out.splitlines()]


def _some(found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [*found[:: 1 + len(found) // _MOST_LINES], found[-1]]
