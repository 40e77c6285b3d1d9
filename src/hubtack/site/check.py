"""Checks a parsed site file against the table of keys. All that is wrong is collected, so that one run shows it all.

Nothing is guessed: a key that is unknown or a value that is not accepted is refused, because a limit or a tolerance
with a slip in its name would otherwise silently keep its default.
"""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Mapping
from typing import Any

from hubtack.safe import safe_text
from hubtack.site.locate import Path, line_of
from hubtack.site.schema import REPEATED, REQUIRED_TABLES, SOURCE_SCHEMES, Choice, Key, keys_by_table
from hubtack.site.secrets import mask_password

_TABLES = keys_by_table()
_SECRET_WORDS = ("password", "passwd", "pass", "pwd", "secret", "token")


class Checker:
    """Takes a parsed file apart; ``problems`` are (line or None, sentence), in the order found."""

    def __init__(self, lines: dict[Path, int]) -> None:
        self.lines = lines
        self.problems: list[tuple[int | None, str]] = []

    def problem(self, path: Path, sentence: str) -> None:
        """Note that something is wrong at ``path``."""
        self.problems.append((line_of(self.lines, path), sentence))

    def table(self, name: str, given: object, path: Path = ()) -> dict[str, Any]:
        """The accepted keys and sub-tables of one table; what is not accepted is left out and noted.

        Sub-tables stand under their last name, repeated ones as a list.
        """
        if not isinstance(given, dict):
            self.problem(path, f"{dotted(path)} is {_shown(given)}; it is a table of keys")
            return {}
        keys = _TABLES[name]
        found: dict[str, Any] = {}
        for word, value in given.items():
            here = (*path, word)
            inner = f"{name}.{word}" if name else word
            if word in keys:
                self._key(keys[word], value, here, found)
            elif inner in REPEATED:
                found[word] = self._repeated(inner, value, here)
            elif inner in _TABLES:
                found[word] = self.table(inner, value, here)
            else:
                self._unknown(name, word, here)
        wanted = [key.name for key in keys.values() if key.required] + list(REQUIRED_TABLES.get(name, ()))
        missing = [word for word in wanted if word not in given]
        if missing:
            self.problem(
                path,
                f"{dotted(path)} has no {' and no '.join(missing)}; give {', '.join(wanted)} together, or leave it out",
            )
        return found

    def _key(self, key: Key, given: object, path: Path, found: dict[str, Any]) -> None:
        try:
            found[key.name] = key.check.value(given)
        except (ValueError, OverflowError):
            shown = "not accepted (its value is not shown)" if key.secret else _shown(given)
            hint = f" ({key.hint})" if key.hint else ""
            near = _near(given, key.check.words) if isinstance(key.check, Choice) and isinstance(given, str) else ""
            self.problem(path, f"{dotted(path)} is {shown}; accepted: {key.check.accepts}{hint}{near}")
            return
        if key.name == "source":
            self._scheme(str(given), path)

    def _scheme(self, source: str, path: Path) -> None:
        scheme, found, rest = source.partition("://")
        if not found:
            scheme, found, _ = source.partition(":")
            if found and scheme in SOURCE_SCHEMES and scheme != "file":
                self.problem(path, f"{dotted(path)} is {_shown(source)}; after {scheme}: comes //")
            return
        accepted = ", ".join(f"{word}://" for word in SOURCE_SCHEMES)
        if scheme not in SOURCE_SCHEMES:
            near = _near(scheme, SOURCE_SCHEMES)
            self.problem(path, f"{dotted(path)} is {_shown(source)}; accepted: {accepted} or a path{near}")
        elif not rest:
            self.problem(path, f"{dotted(path)} is {_shown(source)}; nothing follows {scheme}://")

    def _repeated(self, name: str, given: object, path: Path) -> list[dict[str, Any]]:
        if not isinstance(given, list):
            self.problem(path, f"{dotted(path)} is {_shown(given)}; write [[{name}]] once for each")
            return []
        return [self.table(name, item, (*path, i)) for i, item in enumerate(given)]

    def _unknown(self, table: str, word: str, path: Path) -> None:
        """An unknown key; its value may be anything, so it is never shown."""
        where = f"[{table}]" if table else "the top of the file"
        shown = safe_text(mask_password(word), 60)
        if word.lower() in _SECRET_WORDS:
            self.problem(path, f"{shown} is not a key of {where}: a password never goes into this file. "
                         "Put it into the environment, and the variable's name into corrections.password_env")
            return
        near = _near(word, _words(table))
        if not near:
            homes = [key.path for keys in _TABLES.values() for key in keys.values() if key.name == word]
            homes += [name for name in _TABLES if name and name.rpartition(".")[2] == word]
            near = f"; it belongs at {' or '.join(homes[:3])}" if homes else f"; accepted: {_list(_words(table))}"
        self.problem(path, f"{shown} is not a key of {where}{near}")


def dotted(path: Path) -> str:
    """A path as people read it: ``site.control 2 easting_m`` for the second mark."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f" {part + 1}"
        else:
            shown = safe_text(part, 60)
            text += f".{shown}" if text and not text[-1].isdigit() else f" {shown}" if text else shown
    return text or "the file"


def _words(table: str) -> list[str]:
    prefix = f"{table}." if table else ""
    inner = [name[len(prefix):] for name in _TABLES if name.startswith(prefix) and name != table]
    return [*_TABLES[table], *(name for name in inner if "." not in name)]


def _list(words: list[str]) -> str:
    return ", ".join(words) if len(words) < 15 else "see docs/site-file.md"


def _near(word: str, words: object) -> str:
    near = difflib.get_close_matches(word.strip().lower().replace("-", "_"), list(words), 1, 0.6)  # type: ignore[call-overload]
    return f"; did you mean {near[0]}?" if near else ""


def _shown(given: object) -> str:
    """A value as it may be shown: its kind where it is no plain value, no password, one short line."""
    if isinstance(given, Mapping):
        return "a table"
    if isinstance(given, list):
        return "a list"
    if isinstance(given, dt.date | dt.time):
        return f"the date or time {given}"
    if isinstance(given, bool):
        return "true" if given else "false"
    if isinstance(given, str):
        return f'the text "{safe_text(mask_password(given), 60)}"' if given else "an empty text"
    try:
        return safe_text(repr(given), 40)
    except ValueError:  # an integer of more digits than Python writes out
        return "a number of thousands of digits"
