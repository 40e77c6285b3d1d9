"""A document held against docs/schema: valid, and no key in it that the schema does not name.

JSON Schema lets any key through that nobody forbids, since keys may be added. Whoever adds one writes it down: what the
schema leaves open says so with ``additionalProperties``.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import jsonschema

SCHEMA: dict[str, Any] = json.loads(
    (Path(__file__).parents[2] / "docs/schema/hubtack-1.schema.json").read_text(encoding="utf-8")
)
KINDS: Mapping[str, str] = {
    kind: name
    for name, definition in SCHEMA["$defs"].items()
    for kind in [definition.get("properties", {}).get("kind", {})]
    for kind in kind.get("enum", [kind["const"]] if "const" in kind else [])
}
"""Definition by the kind of document."""


@lru_cache
def _validator(name: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator({**SCHEMA, "oneOf": [{"$ref": f"#/$defs/{name}"}]})


def follows_contract(document: dict[str, Any]) -> None:
    """Raises where ``document`` is of no known kind, not valid, or holds a key that the schema does not name."""
    name = KINDS[document["kind"]]
    _validator(name).validate(document)
    found = sorted(set(unnamed(document, SCHEMA["$defs"][name])))
    assert not found, f"{name}: keys that docs/schema does not name: {', '.join(found)}"


def unnamed(value: Any, schema: Mapping[str, Any], path: str = "") -> Iterator[str]:
    """Paths of the keys in ``value`` that ``schema`` does not name; items of lists and maps are written ``[]``."""
    parts = list(_parts(schema, value))
    if isinstance(value, Mapping):
        named = {key: part["properties"][key] for part in parts for key in part.get("properties", {})}
        free = next((part["additionalProperties"] for part in parts if "additionalProperties" in part), None)
        for key, inner in value.items():
            here = f"{path}.{key}" if path else key
            if key in named:
                yield from unnamed(inner, named[key], here)
            elif isinstance(free, Mapping):
                yield from unnamed(inner, free, f"{path}[]")
            elif free is not True:
                yield here
    elif isinstance(value, list):
        items = next((part["items"] for part in parts if "items" in part), None)
        for inner in value if items is not None else ():
            yield from unnamed(inner, items, f"{path}[]")
        if items is None and any(isinstance(inner, Mapping) for inner in value):
            yield f"{path}[]"


def _parts(schema: Mapping[str, Any], value: Any) -> Iterator[Mapping[str, Any]]:
    """The schema and all that it refers to and that ``value`` satisfies."""
    yield schema
    if "$ref" in schema:
        yield from _parts(SCHEMA["$defs"][schema["$ref"].rpartition("/")[2]], value)
    for part in schema.get("allOf", ()):
        yield from _parts(part, value)
    for part in (*schema.get("anyOf", ()), *schema.get("oneOf", ())):
        if jsonschema.Draft202012Validator({**part, "$defs": SCHEMA["$defs"]}).is_valid(value):
            yield from _parts(part, value)
