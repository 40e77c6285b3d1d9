"""Writes ``docs/site-file.md`` from the table of keys: ``python -m hubtack.site.page > docs/site-file.md``.

Defaults come from the model, so that the page shows what the loader really gives; a test keeps the page in step.
"""

from __future__ import annotations

from hubtack.knowledge.job_classes import DEFAULT_JOB_CLASS, HORIZONTAL_SOURCE, JOB_CLASSES
from hubtack.knowledge.limits import LIMITS, LIMITS_BY_KEY
from hubtack.site.model import BaseMark, ControlMark, HeightPlane, LocalGrid, default_site
from hubtack.site.schema import INLINE, KEYS, LIMIT_KEYS, REPEATED, Key

_EXAMPLE_LIMITS = ("correction_age_rough_s", "correction_age_hold_s")
_TABLE_NOTES = {
    "receiver": "1 sigma: a constant and parts per million of the baseline.",
    "site.geoid": "One of the two. Without it a height above the geoid (GGA altitude, a mark with "
    '`height_datum = "geoid"`) is never compared with control.',
    "site.base": "The three parts of the position belong together.",
    "site.local": "A site's own grid, written by the site transformation and used everywhere. It wins over `site.crs`.",
    "site.control": "Written once for each mark.",
    "limits": "Any row of the limits at the end of this page, by its key.",
}


def site_file_page() -> str:
    """The page, as Markdown."""
    tables: dict[str, list[Key]] = {}
    for key in (*KEYS, *LIMIT_KEYS):
        tables.setdefault(key.table, []).append(key)
    parts = [_INTRODUCTION, "```toml", example_toml().rstrip(), "```", "", "## Keys", ""]
    for table, keys in sorted(tables.items(), key=lambda item: _place(item[0])):
        if table != "limits":
            parts += _key_table(table, keys)
    parts += _job_classes()
    parts += _limits()
    return "\n".join(parts).rstrip() + "\n"


def example_toml() -> str:
    """A whole site file with invented values, one of each key that can stand together with the others."""
    lines: list[str] = []
    headers = dict.fromkeys(_header(key.table) for key in KEYS)
    for header in sorted([*headers, "limits"], key=_place):
        if header:
            lines += ["", f"[[{header}]]" if header in REPEATED else f"[{header}]"]
        inline: dict[str, list[str]] = {}
        for key in (*KEYS, *(key for key in LIMIT_KEYS if key.name in _EXAMPLE_LIMITS)):
            if key.path == "site.geoid.model":  # instead of separation_m, which is shown
                continue
            if key.table == header:
                lines.append(f"{key.name} = {key.example}")
            elif key.table in INLINE and _header(key.table) == header:
                inline.setdefault(key.table.rpartition(".")[2], []).append(f"{key.name} = {key.example}")
        lines += [f"{name} = {{ {', '.join(pairs)} }}" for name, pairs in inline.items()]
    return "\n".join(lines).strip() + "\n"


def default_of(key: Key) -> object:
    """What the model has where the file leaves ``key`` out; None where it then counts as not stated."""
    if key.table == "limits":
        return LIMITS_BY_KEY[key.name].value
    site = default_site()
    owners: dict[str, object] = {
        "": site, "machine": site.machine, "machine.antenna": site.machine, "job": site.job, "receiver": site.receiver,
        "rover": site.rover, "second_antenna": site.second_antenna, "corrections": site.corrections,
        "site": site.site, "site.geoid": site.site, "site.base": BaseMark, "site.local": LocalGrid,
        "site.local.height_plane": HeightPlane(), "site.control": ControlMark,
    }
    name = {"machine.antenna": "antenna_", "site.geoid": "geoid_"}.get(key.table, "") + key.name
    owner = owners[key.table]
    if isinstance(owner, type):
        return owner.__dataclass_fields__["class_" if name == "class" else name].default  # type: ignore[attr-defined]
    return getattr(owner, "class_" if name == "class" else name)


def _header(table: str) -> str:
    return table.rpartition(".")[0] if table in INLINE else table


def _place(table: str) -> int:
    """Order on the page: as in the table of keys, with the limits after the receiver."""
    order = list(dict.fromkeys(key.table for key in KEYS))
    order.insert(order.index("receiver") + 1, "limits")
    return order.index(table) if table in order else order.index(next(t for t in order if _header(t) == table))


def _key_table(table: str, keys: list[Key]) -> list[str]:
    title = f"`[[{table}]]`" if table in REPEATED else f"`[{table}]`" if table else "Top of the file"
    lines = [f"### {title}", ""]
    if table in _TABLE_NOTES:
        lines += [_TABLE_NOTES[table], ""]
    lines += ["| key | accepts | default | means |", "|---|---|---|---|"]
    for key in keys:
        unit = f" [{key.unit}]" if key.unit and not key.name.endswith(f"_{key.unit}") else ""
        row = (f"`{key.name}`", key.check.accepts, _default(key), key.meaning + unit)
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |")
    return [*lines, ""]


def _default(key: Key) -> str:
    if key.required:
        return "needed in this table"
    value = default_of(key)
    if value is None:
        return "not stated"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f'`"{value}"`' if isinstance(value, str) else f"`{value:g}`"


def _job_classes() -> list[str]:
    lines = ["## Job classes", "", "Tolerance at the cutting edge at 95 %; a job document always overrides it.", ""]
    lines += ["| `job.class` | work | vertical [m] | horizontal [m] | source |", "|---|---|---|---|---|"]
    for row in JOB_CLASSES:
        name = f"{row.name} (where none is set)" if row.key == DEFAULT_JOB_CLASS else row.name
        lines.append(f"| `{row.key}` | {name} | {row.vertical_95_m:.3f} | {row.horizontal_95_m:.3f} | {row.source} |")
    return [*lines, "", f"Horizontal: {HORIZONTAL_SOURCE}.", ""]


def _limits() -> list[str]:
    lines = ["## Limits", "", "Any of these may stand in `[limits]`: a number from 0 to a hundred times the default, a",
             "share from 0 to 1. A report names what a site has changed.", ""]
    lines += ["| key | default | unit | effect | source |", "|---|---|---|---|---|"]
    lines += [f"| `{row.key}` | {row.value:g} | {row.unit} | {row.effect} | {row.source} |" for row in LIMITS]
    return [*lines, ""]


_INTRODUCTION = """\
# The site file

<!-- Written by `python -m hubtack.site.page`; edit src/hubtack/site/schema.py or the tables in knowledge instead. -->

What a crew states about its machine, job, receiver, base and control marks: a TOML file, given with `--site FILE`, or
`site.toml` in the folder of a session. Every key may be left out, and so may every table. Lengths are metres whatever
`units` says. Paths are relative to the file. A key that is not known, or a value that is not accepted, is refused
with its line, and nothing is guessed: a tolerance with a slip in its name must not quietly keep its default.

A password never goes into this file. It comes from the environment variable that `corrections.password_env` names, the
system's keyring or a prompt. One given in a URL is accepted with a warning, and masked in every copy.

Hubtack speaks of positioning only. A tolerance or a limit set here does not replace the job's documents, local codes or
the location of buried services before any machine digs.

The whole set, with invented values (`site.local` is for sites with a grid of their own and wins over `site.crs`):
"""


if __name__ == "__main__":
    print(site_file_page(), end="")
