"""Writes docs/reference from the tables of the code and the JSON Schema: ``python docs/make_reference.py``.

Nothing on those pages is written by hand, so they cannot drift; a test compares them with what this script gives.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from hubtack.cli.main import COMMANDS, command_parser
from hubtack.errors import LogFormatError, SourceError, UsageError
from hubtack.knowledge.explains import EXPLAINS
from hubtack.knowledge.findings import FINDINGS
from hubtack.knowledge.limits import LIMITS_BY_KEY
from hubtack.knowledge.reasons import REASONS

DOCS = Path(__file__).parent
MADE = "<!-- Made by docs/make_reference.py; changes belong into the tables it reads. -->\n\n"
_FAMILIES = {
    "bytes": "Bytes and caster", "loss": "Loss and timing", "base": "The base", "content": "What the stream carries",
    "sky": "The rover's sky", "rover": "The rover's output", "fix": "The fix", "clock": "Clocks", "heading": "Heading",
    "control": "Control",
}  # fmt: skip


def pages() -> dict[str, str]:
    """Name and text of every page."""
    return {
        "commands.md": commands_page(),
        "findings.md": findings_page(),
        "reasons.md": reasons_page(),
        "json.md": json_page(),
    }


def _cell(text: object) -> str:
    return str(text).replace("|", "\\|").replace("\n", " ")


def _row(*cells: object) -> str:
    return "| " + " | ".join(_cell(c) for c in cells) + " |"


def _table(*heads: str) -> list[str]:
    return [_row(*heads), "|" + "---|" * len(heads)]


# Commands ------------------------------------------------------------------------------------------------------------


def commands_page() -> str:
    """Every command with its options and its examples."""
    out = ["# Commands\n", "Exit codes are the same everywhere:\n", *_table("exit code", "means")]
    out += [
        _row(0, "fine"),
        _row(1, "ran, and the answer is no: not GRADE, an unfit stream, a failed check, findings at stop level"),
        _row(UsageError.exit_code, "the command line or the site file asks for something that cannot be"),
        _row(SourceError.exit_code, "a source could not be opened, was refused or ended early"),
        _row(130, "interrupted from the keyboard"),
    ]
    assert LogFormatError.exit_code == SourceError.exit_code
    out.append("\nEvery command has `--help`, and `--debug`, which shows a traceback with an error.\n")
    for name, (_, answers) in COMMANDS.items():
        parser = command_parser(name)
        out += [f"## hubtack {name}\n", f"{answers[0].upper()}{answers[1:]}\n", *_options(parser)]
        for action in parser._actions:
            if isinstance(action, argparse._SubParsersAction):
                for sub_name, sub in action.choices.items():
                    out += [f"### hubtack {name} {sub_name}\n", *_options(sub)]
        example = (parser.epilog or "").removeprefix("example:\n")
        out += ["```sh", *(line.strip() for line in example.splitlines()), "```\n"]
    return MADE + "\n".join(out).rstrip() + "\n"


def _options(parser: argparse.ArgumentParser) -> list[str]:
    rows = []
    for action in parser._actions:
        if isinstance(action, argparse._HelpAction | argparse._SubParsersAction) or action.dest == "debug":
            continue
        rows.append(_row(f"`{_written(action)}`", _help(action)))
    return [*_table("argument", "means"), *rows, ""] if rows else []


def _written(action: argparse.Action) -> str:
    names = " ".join(action.option_strings[:1]) or ""
    if action.nargs == 0:
        return names
    metavar = action.metavar
    if isinstance(metavar, tuple):
        metavar = " ".join(metavar)
    if metavar is None and action.choices is not None:
        metavar = " or ".join(str(c) for c in action.choices)
    metavar = metavar or action.dest.upper()
    return f"{names} {metavar}{' ...' if action.nargs in ('+', '*') else ''}".strip()


def _help(action: argparse.Action) -> str:
    text = (action.help or "") % {"default": action.default, "prog": "hubtack"} if action.help else ""
    choices = ", ".join(str(c) for c in action.choices) if action.choices and action.metavar else ""
    return (
        text
        + (f" ({choices})" if choices else "")
        + (" (required)" if action.required and action.option_strings else "")
    )


# Findings and reasons ------------------------------------------------------------------------------------------------


def findings_page() -> str:
    """Every finding: what it says, what to do, what it explains."""
    explained = {
        effect: [c for c, effects in EXPLAINS.items() if effect in effects] for effect in (f.code for f in FINDINGS)
    }
    out = [
        "# Findings\n",
        "What Hubtack can find wrong. The first finding of a report is the root cause: what follows from it is folded into its"
        " evidence. `stop` means that the verdict must be HOLD or the stream cannot serve, `warn` that somebody should act,"
        " `note` that it is worth knowing; the severity given here is the least, and what happened in the session may raise"
        " it. A finding whose needs are not there is not covered, which is not the same as absent. Figures stand where a"
        " brace is shown.\n",
    ]
    for family, title in _FAMILIES.items():
        rules = [f for f in FINDINGS if f.family == family]
        out.append(f"## {title}\n")
        for rule in rules:
            needs = ", ".join(rule.needs) or "nothing"
            out += [f"### {rule.code}\n", f"At least **{rule.floor}**. Needs: {needs}. Says: {_code(rule.summary)}\n"]
            out += [f"{i}. {step}" for i, step in enumerate(rule.next_steps, start=1)]
            effects = list(EXPLAINS.get(rule.code, {}))
            out.append("")
            if effects:
                out.append(f"Explains: {', '.join(_link(code) for code in effects)}.")
            if explained[rule.code]:
                out.append(f"Explained by: {', '.join(_link(code) for code in explained[rule.code])}.")
            out.append(f"Source: {rule.source}.\n")
    assert {f.family for f in FINDINGS} == set(_FAMILIES), "a family without a title"
    return MADE + "\n".join(out).rstrip() + "\n"


def _code(text: str) -> str:
    return f"`{text}`"


def _link(code: str) -> str:
    return f"[{code}](#{code})"


def reasons_page() -> str:
    """Every reason for a verdict, heaviest first."""
    out = [
        "# Reasons for a verdict\n",
        "Heaviest first: the first one that holds is the one a screen shows. Each caps the verdict at once; after it has"
        " gone, the position must be good for the time given before the verdict rises again.\n",
        *_table("code", "at most", "says", "next step", "settles"),
    ]
    out += [_row(f"`{r.code}`", r.caps, r.text, r.next_step, _settles(r.settle)) for r in REASONS]
    return MADE + "\n".join(out) + "\n"


def _settles(limit: str | None) -> str:
    return "at once" if limit is None else f"{LIMITS_BY_KEY[limit].value:g} s"


# JSON ----------------------------------------------------------------------------------------------------------------


def json_page() -> str:
    """Every document that ``--json`` prints, from the schema."""
    schema = json.loads((DOCS / "schema" / "hubtack-1.schema.json").read_text(encoding="utf-8"))
    out = [
        "# JSON documents\n",
        "What `--json` prints, out of [the JSON Schema](../schema/hubtack-1.schema.json). Keys carry their units, times are"
        " ISO 8601 in UTC, what is absent is null and never NaN. Keys may be added and are never renamed.\n",
    ]
    for name, definition in schema["$defs"].items():
        out += [f"## {name}\n"]
        if "description" in definition:
            out.append(f"{definition['description']}\n")
        for base in definition.get("allOf", []):
            body = base["$ref"].rpartition("/")[2]
            out.append(f"All keys of [{body}](#{body}), and:\n")
        rows = [_row(f"`{path}`", kind, what) for path, kind, what in _keys(definition, "")]
        if rows:
            out += [*_table("key", "type", "means"), *rows, ""]
    return MADE + "\n".join(out).rstrip() + "\n"


def _keys(node: Mapping[str, Any], path: str, depth: int = 0) -> Iterator[tuple[str, str, str]]:
    for part in [node, *node.get("anyOf", [])]:
        for key, value in part.get("properties", {}).items():
            here = f"{path}.{key}" if path else key
            yield here, _kind(value), str(value.get("description", ""))
            if depth < 3 and "$ref" not in value:
                items = value.get("items")
                if isinstance(items, dict) and "$ref" not in items:
                    yield from _keys(items, here + "[]", depth + 1)
                yield from _keys(value, here, depth + 1)


def _kind(value: Mapping[str, Any]) -> str:
    if "$ref" in value:
        return str(value["$ref"]).rpartition("/")[2]
    if "const" in value:
        return json.dumps(value["const"])
    if "enum" in value:
        return " or ".join(json.dumps(v) for v in value["enum"])
    if "anyOf" in value or "oneOf" in value:
        kinds = dict.fromkeys(_kind(v) for v in value.get("anyOf", value.get("oneOf")))
        return " or ".join(sorted(kinds, key=lambda kind: kind == "null"))
    kind = value.get("type", "any")
    kinds = kind if isinstance(kind, list) else [kind]
    items = value.get("items")
    inner = f" of {_kind(items)}" if isinstance(items, dict) and "array" in kinds else ""
    return " or ".join(kinds) + inner


def main() -> None:
    """Write all pages."""
    folder = DOCS / "reference"
    folder.mkdir(exist_ok=True)
    for name, text in pages().items():
        (folder / name).write_text(text, encoding="utf-8")
        print(f"wrote docs/reference/{name}")


if __name__ == "__main__":
    main()
