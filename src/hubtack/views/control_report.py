"""A control check as a surveyor reads it: the answer first, the figures it rests on, and what to do next."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from hubtack.knowledge.control_words import BASE_BETWEEN_DAYS
from hubtack.knowledge.limits import LIMITS_BY_KEY
from hubtack.units import LengthUnit, small_text

WORDS = {"pass": "PASS", "fail": "FAIL", "cannot tell": "CANNOT TELL", "measured": "MEASURED"}
_CAUTION = (
    f"A check holds for this mark, this base and the next {LIMITS_BY_KEY['check_valid_h'].value:g} h at most. Locate buried "
    "services before any machine digs."
)


def print_check(document: Mapping[str, Any], unit: LengthUnit, zone: dt.tzinfo, console: Console | None = None) -> None:
    """Print a ``control`` document."""
    console = console or control_console()
    what = "what the screen shows, tooth on the mark" if document["what"] == "shown_edge" else "antenna over the mark"
    head = Text(f"{document['point']}: {WORDS[document['result']]}", style="bold")
    head.append(f"  ({what})", style="not bold dim")
    console.print(head)
    if document["mistake"]:
        console.print(Text(f"likely: {document['mistake']}", style="bold"))
    if document["why"]:
        console.print(Text(document["why"]))
    if document["used"] or document["residual_m"]["horizontal"] is not None:
        console.print(_figures(document, unit))
    for name, text in _rows(document, unit, zone):
        console.print(_line(name, text))
    for step in document["base"]:
        if step["words"] != BASE_BETWEEN_DAYS["same"]:
            console.print(
                _line("base", f"{_offset(step['offset_m'], unit)} against {step['against']}: {step['words']}")
            )
    for message in document["stream_crs"]:
        console.print(_line("stream says", message["text"]))
    for note in document["notes"]:
        console.print(_line("note", note))
    told = [f for f in document["findings"] if f["code"] in ("control_failed", "datum_shift")]  # said above already
    steps = dict.fromkeys(step for f in reversed(told) for step in f["next_steps"] if step != document["mistake"])
    for i, step in enumerate(list(steps)[:4], 1):
        console.print(_line("do" if i == 1 else "", f"{i}. {step}"))
    print_findings(console, [f for f in document["findings"] if f not in told])
    console.print(Text(_CAUTION, style="dim"))


def control_console() -> Console:
    """Standard output; wide where it is no terminal, so that columns stay on their line for other programs."""
    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=160)


def print_findings(console: Console, findings: Sequence[Mapping[str, Any]]) -> None:
    """Findings with their next steps."""
    for finding in findings:
        line = Text(f"{finding['severity'].upper():<5} {finding['code']}: ", style="bold")
        line.append(finding["summary"], style="not bold")
        console.print(line)
        for i, step in enumerate(finding["next_steps"][:4], 1):
            console.print(_line(f"   {i}.", step, width=5))


def _figures(document: Mapping[str, Any], unit: LengthUnit) -> Table:
    table = plain_table("", "east", "north", "up", "horizontal")
    residual, limit = document["residual_m"], document["limit_m"]
    if document["mark"] is not None:
        table.add_row("residual", *(small(residual[a], unit, signed=a != "horizontal") for a in
                                    ("east", "north", "up", "horizontal")))  # fmt: skip
        table.add_row("limit", "", "", small(limit["vertical"], unit), small(limit["horizontal"], unit))
    table.add_row("1 sigma of it" if document["mark"] is not None else "1 sigma",
                  *(small(document["sigma_m"][a], unit) for a in ("east", "north", "up")), "")  # fmt: skip
    if document["used"]:
        table.add_row(
            "one epoch's scatter", *(small(document["scatter_m"][a], unit) for a in ("east", "north", "up")), ""
        )
    return table


def _rows(document: Mapping[str, Any], unit: LengthUnit, zone: dt.tzinfo) -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    mean = document["mean"]
    if document["used"]:
        pdop = "" if document["pdop"] is None else f", PDOP {document['pdop']:.1f}"
        span = when(document["start_utc"], zone)
        height = f", antenna {unit.text(document['antenna_height_m'])} above it" if document["antenna_height_m"] else ""
        ended = f"; ended because {document['ended']}" if document["ended"] else ""
        rows.append((
            "occupied", f"{span}, {document['duration_s']:.0f} s, {document['used']} of {document['epochs']} epochs "
            f"used{pdop}{height}{ended}",
        ))  # fmt: skip
        grid = ""
        if mean["easting_m"] is not None:
            grid = f"E {unit.text(mean['easting_m'])}  N {unit.text(mean['northing_m'])}  "
        if mean.get("height_in_grid_m") is not None:
            grid += f"H {unit.text(mean['height_in_grid_m'])}"
        if grid:
            rows.append(("mean in grid", grid))
        height_text = "none" if mean["height_m"] is None else f"{mean['height_m']:.4f} m"
        rows.append((
            "mean", f"{mean['latitude_deg']:.9f}, {mean['longitude_deg']:.9f}, ellipsoidal height {height_text}",
        ))  # fmt: skip
    if document["mark"] is not None and document["residual_m"]["horizontal"] is not None:
        rows.append(
            ("mark", f"in {document['mark']['crs']}, known to {small(document['mark']['sigma_m'], unit)} (1 sigma)")
        )
    fit, datum = document["datum_fit"], document["datum"]
    if fit is not None:
        also = f"; fits as well: {'; '.join(datum['also_fits'][:2])}" if datum["also_fits"] else ""
        rows.append((
            "datum", f"fits {fit['name']}: it explains {small(fit['explains_m'], unit)} and leaves "
            f"{small(fit['left_m'], unit)} (by chance in {datum['chance']:.1%} of cases){also}",
        ))  # fmt: skip
    elif datum is not None and document["result"] != "pass" and datum["why_none"]:
        hint = f"; worth ruling out: {'; '.join(datum['possible'][:2])}" if datum["possible"] else ""
        rows.append(("datum", f"{datum['tried']} known steps tried: {datum['why_none']}{hint}"))
    near_noise = datum is not None and "noise" in (datum["why_none"] or "")
    if datum is not None and datum["not_tried"] and document["result"] == "fail" and not near_noise:
        rows.append(("not tried", "; ".join(datum["not_tried"][:2])))
    for again in document["again"]:
        rows.append((
            "again", f"{when(again['start_utc'], zone)}, {again['used']} epochs: "
            f"{_offset(again['change_m'], unit)} from one to the other; {again['words']}",
        ))  # fmt: skip
    return rows + _history_rows(document["history"], unit, zone)


def _history_rows(history: Mapping[str, Any], unit: LengthUnit, zone: dt.tzinfo) -> list[tuple[str, str]]:
    rows = []
    last, since = history["last"], history["since_last"]
    if last is not None:
        text = f"{when(last['utc'], zone)} {last['result']}"
        if since is not None:
            text += f"; since then {_offset(since['change_m'], unit)}: {since['words']}"
        rows.append(("last visit", text))
    drift = history["drift"]
    if drift is not None:
        rate = ", ".join(f"{axis} {v:+.2f}" for axis, v in drift["mm_per_day"].items())
        word = f"a drift in {' and '.join(drift['significant'])}" if drift["significant"] else "no drift beyond noise"
        rows.append(("over time", f"{drift['visits']} visits in {drift['days']:.1f} days: {word} ({rate} mm a day)"))
    return rows


def plain_table(first: str, *columns: str) -> Table:
    """A table whose first column is text and the others figures."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, header_style="bold")
    table.add_column(first, overflow="fold")
    for name in columns:
        table.add_column(name, justify="right")
    return table


def small(length_m: float | None, unit: LengthUnit, *, signed: bool = False) -> str:
    """A small length; a long one in whole units, and "-" for none."""
    if length_m is None or length_m != length_m:
        return "-"
    if abs(length_m) >= 10.0:
        return f"{unit.of(length_m):{'+' if signed else ''},.1f} {unit.symbol}"
    if abs(length_m) >= 1.0:
        return f"{unit.of(length_m):{'+' if signed else ''}.{unit.decimals}f} {unit.symbol}"
    text = small_text(length_m, unit, signed=signed)
    return text[1:] if text.startswith("-") and not any(c in "123456789" for c in text) else text


def when(utc: str | None, zone: dt.tzinfo) -> str:
    """A moment in the site's time zone, to the second."""
    if utc is None:
        return "(no date)"
    at = dt.datetime.fromisoformat(utc).astimezone(zone)
    return f"{at:%Y-%m-%d %H:%M:%S} {at.tzname() or ''}".rstrip()


def _offset(offset_m: Mapping[str, float | None], unit: LengthUnit) -> str:
    return ", ".join(f"{axis} {small(offset_m[axis], unit, signed=True)}" for axis in ("east", "north", "up"))


def _line(name: str, text: str, width: int = 13) -> Table:
    """A name and a text that wraps beside it."""
    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=width, no_wrap=True, style="dim")
    grid.add_column(overflow="fold")
    grid.add_row(name, Text(text))
    return grid
