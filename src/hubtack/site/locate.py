"""On which line of a TOML text a key stands. For messages only: where this cannot tell, it says nothing.

tomllib gives values without positions. This walks headers, keys and brackets, with strings and comments blanked out.
Quoted keys are not followed.
"""

from __future__ import annotations

import re

from hubtack.site.secrets import TOML_TOKEN

Path = tuple[str | int, ...]

_NAME = r"(?<![A-Za-z0-9_-])[A-Za-z0-9_-]+(?:[ \t]*\.[ \t]*[A-Za-z0-9_-]+)*"
_STEP = re.compile(
    rf"(?P<newline>\n)|^[ \t]*(?P<open>\[\[?)[ \t]*(?P<header>{_NAME})[ \t]*\]\]?[ \t]*\r?$"
    rf"|(?P<key>{_NAME})[ \t]*=|(?P<bracket>[\[\]{{}},])",
    re.MULTILINE,
)


def key_lines(text: str) -> dict[Path, int]:
    """Line, from 1, of each table and key of ``text``; an array of tables has its index, from 0, in the path."""
    blank = TOML_TOKEN.sub(lambda m: re.sub(r"[^\n]", " ", m[0]), text)
    lines: dict[Path, int] = {}
    repeats: dict[Path, int] = {}
    table: Path = ()
    last: Path = ()
    stack: list[tuple[str, Path, int]] = []  # bracket, path, index in an array
    line = 1
    for step in _STEP.finditer(blank):
        if step["newline"]:
            line += 1
        elif step["header"]:
            if stack:  # one element of an array, alone on its line
                continue
            table = _parts(step["header"])
            if step["open"] == "[[":
                repeats[table] = repeats.get(table, -1) + 1
                lines.setdefault(table, line)
                table = (*table, repeats[table])
            lines.setdefault(table, line)
        elif step["key"]:
            last = (stack[-1][1] if stack else table) + _parts(step["key"])
            lines.setdefault(last, line)
        elif step["bracket"] == "[":
            stack.append(("[", last, 0))
        elif step["bracket"] == "{":
            path = (*stack[-1][1], stack[-1][2]) if stack and stack[-1][0] == "[" else last
            lines.setdefault(path, line)
            stack.append(("{", path, 0))
        elif step["bracket"] == ",":
            if stack and stack[-1][0] == "[":
                stack[-1] = ("[", stack[-1][1], stack[-1][2] + 1)
        elif stack:
            stack.pop()
    return lines


def line_of(lines: dict[Path, int], path: Path) -> int | None:
    """Line of ``path``, else of the nearest table around it, else None."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


def _parts(dotted: str) -> Path:
    return tuple(part.strip() for part in dotted.split("."))
