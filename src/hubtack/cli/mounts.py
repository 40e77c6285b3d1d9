"""``hubtack mounts``: a caster's mount points, usable and nearest first, with the reason where one is unfit."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from hubtack.cli import options
from hubtack.errors import LogFormatError, SourceError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hubtack.ntrip.fitness import Fitness
    from hubtack.ntrip.sourcetable import SourceTable
    from hubtack.readers.urls import SourceSpec

EXAMPLE = """
hubtack mounts ntrip://user@caster.example:2101/ --near -45.03,170.01
hubtack mounts saved_source_table.txt --near -45.03,170.01 --json
"""
MAX_TABLE_BYTES = 64 << 20
SHOWN_ON_TERMINAL = 30


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument(
        "source",
        metavar="SOURCE",
        help="ntrip://host:port, ntrip+tls://..., a saved source table, or - for standard input",
    )
    options.add_near(parser)
    parser.add_argument("--rover", metavar="URL", help="take the position from this rover instead of --near")
    parser.add_argument("--usable", action="store_true", help="leave out what a rover cannot be fixed on")
    parser.add_argument("--all", action="store_true", help=f"on a terminal, show more than {SHOWN_ON_TERMINAL}")
    options.add_site(parser)
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Exit 0 where a mount point is usable, 1 where none is, 3 where the table could not be had."""
    from hubtack.documents.mounts import caster_finding, mounts_document
    from hubtack.json_out import to_json
    from hubtack.ntrip.causes import CAUSES
    from hubtack.ntrip.fitness import judge_mounts
    from hubtack.readers.urls import parse_source
    from hubtack.site import default_site, load_site

    spec = parse_source(args.source)
    site = load_site(args.site) if args.site is not None else default_site()
    for warning in (*site.warnings, *spec.warnings):
        print(f"hubtack mounts: {warning}", file=sys.stderr)
    near = args.near
    if args.rover is not None and near is None:
        near = _rover_place(args.rover, site)
    try:
        table = _table(spec, site.corrections.password_env)
    except SourceError as err:
        if args.json:
            rows = [c for c in CAUSES.values() if c.code == err.code]
            cause = next((c for c in rows if c.summary in str(err)), rows[0] if rows else None)
            found = [caster_finding(cause, str(err))] if cause is not None else []
            print(to_json(mounts_document(spec.label, None, [], found)))
        raise
    judged = judge_mounts(table.mounts, near)
    shown = [f for f in judged if f.usable] if args.usable else judged
    if args.json:
        # Indented text goes through the slow encoder: 3 s for 20,000 records.
        print(to_json(mounts_document(spec.label, table, shown), indent=2 if len(shown) <= 1000 else None))
    else:
        _show(spec.label, table, shown, near, site.receiver.vertical_ppm, everything=args.all)
    return 0 if any(f.usable for f in judged) else 1


def _table(spec: SourceSpec, password_env: str) -> SourceTable:
    from hubtack.ntrip.sourcetable import parse_answer
    from hubtack.readers.files import open_bytes

    if spec.kind == "ntrip":
        from hubtack.readers.ntrip_source import fetch_table
        from hubtack.readers.passwords import find_password

        return fetch_table(spec, find_password(spec, password_env, ask=_no_prompt) or None)
    if spec.kind == "file":
        with open_bytes(spec.path) as file:
            raw = file.read(MAX_TABLE_BYTES)
    elif spec.kind == "stdin":
        raw = sys.stdin.buffer.read(MAX_TABLE_BYTES)
    else:
        raise UsageError(f"{spec.label}: a source table comes from ntrip://host:port, a saved file or standard input")
    table = parse_answer(raw)
    if not (table.mounts or table.casters or table.networks):
        raise LogFormatError(f"{spec.label}: byte 0: no source table; expected records that begin with STR; or CAS;")
    return table


def _no_prompt(_: str) -> str:
    # A table needs no login as a rule: nobody is asked for a password that is not going to be used.
    return ""


def _rover_place(url: str, site: object) -> tuple[float, float]:
    """The rover's position from its first GGA with one; waits 15 s at most."""
    import time

    from hubtack.ntrip.gga import GgaFinder
    from hubtack.readers.chunk import Chunk
    from hubtack.readers.hub import Hub
    from hubtack.readers.opening import open_reader

    finder = GgaFinder()
    until = time.monotonic() + 15.0
    with Hub([open_reader(url, "rover", site=site)]) as hub:
        while time.monotonic() < until and not hub.done:
            for event in hub.events(0.5):
                if isinstance(event, Chunk):
                    finder.feed(event.data)
                elif event.message and event.state.value in ("failed", "refused"):
                    raise SourceError(event.message)
            if finder.place is not None:
                return finder.place[0], finder.place[1]
    raise SourceError("the rover gave no GGA with a position within 15 s; give --near LAT,LON")


def _show(
    label: str,
    table: SourceTable,
    judged: Sequence[Fitness],
    near: tuple[float, float] | None,
    ppm: float,
    *,
    everything: bool,
) -> None:
    from hubtack.safe import safe_text
    from hubtack.views.mounts_table import COLUMNS, mount_rows, plain_columns

    on_terminal = sys.stdout.isatty()
    cut = judged if everything or not on_terminal else judged[:SHOWN_ON_TERMINAL]
    rows = mount_rows(cut, ppm)
    if not on_terminal:
        print("\n".join(plain_columns(rows)))
        return
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console()
    grid = Table(box=None, pad_edge=False, padding=(0, 1))
    for name in COLUMNS:
        grid.add_column(name, no_wrap=name not in ("why, or what to know", "identifier"), overflow="fold")
    for row in rows:
        grid.add_row(*(Text(cell, style="" if row[1] == "yes" else "dim") for cell in row))
    console.print(grid)
    usable = sum(f.usable for f in judged)
    console.print(Text(f"{safe_text(label)}: {len(judged)} mount points, {usable} usable by their record"))
    if len(cut) < len(judged):
        console.print(f"{len(judged) - len(cut)} more: --all, or --usable")
    if table.skipped:
        console.print(f"{table.skipped} lines of the table could not be read")
    if near is None:
        console.print("give --near LAT,LON to have the nearest first")
    else:
        console.print(
            f"adds: what distance costs in height, 1 sigma at {ppm:g} mm a km. The nearest is not always the best: "
            "more constellations, a base of your own datum or a network solution can be worth some kilometres."
        )
    console.print("This is what the table claims; hubtack link ntrip://... judges what really comes.")
