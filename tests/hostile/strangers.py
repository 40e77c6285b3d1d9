"""What a stranger may put into a name, a sentence, a frame or a table, and how to see that it did no harm."""

from __future__ import annotations

import contextlib
import io
import unicodedata
from pathlib import Path

from hubtack.cli.main import main

ESCAPE = "\x1b]0;owned\x07\x1b[2J\x1b[31m"
C1 = "\x9b31m\x9d0;owned\x9c"
BIDI = "\u202egnp.exe\u202c\u2066x\u2069"
MARKUP = "[bold red]loud[/bold red][/nope][link=http://stranger.example]"
PAGE = "<script>alert(1)</script><img src=x onerror=alert(1)>\"'"
FORMULAS = ("=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(1)", "\t=1", "\r=1")
ALL = FORMULAS[0] + ESCAPE + C1 + BIDI + MARKUP + PAGE

_FORBIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})


def run(*argv: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of a command, in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = main(argv)
        except SystemExit as end:
            code = int(end.code or 0)
    return code, out.getvalue(), err.getvalue()


def dirt(text: str) -> list[str]:
    """Characters that may steer a terminal or turn what is read around; a line end is none."""
    return sorted({repr(ch) for ch in text if ch != "\n" and unicodedata.category(ch) in _FORBIDDEN})


def everything_written(folder: Path) -> dict[str, bytes]:
    """Bytes of every file below a folder, and every name as a file of its own."""
    found: dict[str, bytes] = {}
    for path in folder.rglob("*"):
        found[f"name of {path}"] = str(path).encode("utf-8", "surrogateescape")
        if path.is_file() and not path.is_symlink():
            found[str(path)] = path.read_bytes()
    return found
