"""The audit as tables on a terminal; plain text where output is none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from hubtack.safe import safe_text
from hubtack.views.paragraphs import paragraph


def hours(seconds: float | None) -> str:
    """A span of time as h:mm:ss."""
    if seconds is None:
        return "-"
    s = round(seconds)
    return f"{s // 3600}:{s % 3600 // 60:02d}:{s % 60:02d}"


def _mm(value: float | None) -> str:
    return "-" if value is None else f"{value * 1000:.0f}"


def _number(value: float | None, form: str = "{:.1f}") -> str:
    return "-" if value is None else form.format(value)


def _console() -> Console:
    """Standard output; wide where it is no terminal, so that columns stay on their line for other programs."""
    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=200)


def print_audit(document: Mapping[str, Any], console: Console | None = None) -> None:
    """Print an audit document: a line a session, then the findings of each."""
    console = console or _console()
    wide = console.width >= 120
    table = Table(
        box=box.SIMPLE_HEAD if console.is_terminal else None,
        padding=(0, 1, 0, 0) if console.is_terminal else (0, 1),
        pad_edge=False,
        header_style="bold",
    )
    table.add_column("session", overflow="fold", min_width=12)
    if wide:
        table.add_column("machine", overflow="fold")
    for name in ("length", "GRADE", "ROUGH", "HOLD", "lost work"):
        table.add_column(name, justify="right", no_wrap=True)
    if wide:
        for name in ("fix losses", "age p95 s", "up 95 mm"):
            table.add_column(name, justify="right")
    table.add_column("findings", overflow="fold")
    for session in document["sessions"]:
        verdict = session["verdict_seconds"]
        stops = [f["code"] for f in session["findings"] if f["severity"] == "stop"]
        others = [f["code"] for f in session["findings"] if f["severity"] != "stop"]
        times = [session["duration_s"], verdict["grade"], verdict["rough"], verdict["hold"], session["lost_working_s"]]
        extra = (
            str(session["fix_losses"]),
            _number(session["correction_age_s"]["p95"]),
            _mm(session["edge_error_95_m"]["vertical_p95"]),
        )
        table.add_row(
            Text(session["name"]),
            *((Text(session["machine"] or "-"),) if wide else ()),
            *(hours(t) for t in times),
            *(extra if wide else ()),
            Text(", ".join([*(s.upper() for s in stops), *others]) or "none"),
        )
    console.print(table)
    for session in document["sessions"]:
        if not session["findings"]:
            continue
        console.print(Text(f"{session['name']}", style="bold"))
        for finding in session["findings"]:
            for line in paragraph(finding["summary"], console.width, f"  {finding['severity']:<5} "):
                console.print(Text(line))
            for step in finding["next_steps"][:1]:
                for line in paragraph(step, console.width, "        do: "):
                    console.print(Text(line, style="dim"))
    console.print(
        Text("Times are in h:mm:ss. Findings in capitals stop work. Positioning only: see hubtack audit --help.")
    )


def print_rows(columns: Sequence[str], rows: Sequence[Sequence[Any]], console: Console | None = None) -> None:
    """Rows of a query as a table."""
    console = console or _console()
    table = Table(box=box.SIMPLE_HEAD if console.is_terminal else None, pad_edge=False, header_style="bold")
    for i, name in enumerate(columns):
        is_number = all(isinstance(row[i], int | float | None) for row in rows)
        table.add_column(Text(safe_text(name, 80)), justify="right" if is_number else "left", overflow="fold")
    for row in rows:
        table.add_row(*(Text(_cell(value)) for value in row))
    console.print(table)


def _cell(value: Any) -> str:
    if value is None:
        return "-"
    return f"{value:.6g}" if isinstance(value, float) else safe_text(str(value), 400)
