"""The technician's view of a correction stream: can a rover fix on it, what is broken, what is on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich import box
from rich.cells import cell_len
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from hubtack.knowledge.why_words import LOSS_WORDS
from hubtack.views.paragraphs import paragraph

_ANSWER = {True: "yes", False: "NO", None: "cannot tell yet"}
_WHERE = {"none": "nothing out of the ordinary", "base": "at the BASE", "air": "on the way between (AIR)",
          "both": "at the BASE and on the way between (AIR)"}  # fmt: skip
_NO_FRAME, _FRAMES, _DAMAGED, _OTHER = ".", "|", "x", "~"


def link_report(body: Mapping[str, Any], width: int) -> RenderableType:
    """The report of a ``link`` document's body, for a terminal ``width`` columns wide."""
    parts: list[RenderableType] = [_answer(body), _details(body)]
    against = body.get("against")
    if against:
        parts.extend(_against(against))
    findings = body["findings"]
    if findings:
        parts.extend(_findings(findings, width))
    else:
        parts.append(Text("no findings"))
    if body.get("changes") is not None:
        parts.extend(_changes(body["changes"]))
    if body.get("base_check") and body["messages"]:
        parts.extend(_base_check(body["base_check"]))
    strip = body.get("strip")
    if strip:
        parts.extend((Text(""), *_strip(strip, width)))
    if body["messages"]:
        parts.extend((Text(""), _messages(body, width)))
    if body["stations"]:
        parts.extend((Text(""), _stations(body, width)))
    if body["systems"]:
        parts.extend((Text(""), _systems(body, width)))
    for said in body.get("texts") or ():
        parts.append(Text(f"text of the base: {said['text']}"))
    return Group(*parts)


def link_screen(body: Mapping[str, Any], width: int, height: int) -> RenderableType:
    """The live view: as the report, shortened so that each part is on the screen as a whole or not at all.

    Findings and the strip come first, then bases and systems; messages take what is left, the most frequent first.
    """
    tight = height < 40
    parts: list[RenderableType] = [_answer(body)]
    if not tight:
        parts.append(_details(body))
    room = max(4, height // 3)
    parts.extend(
        _findings(body["findings"], width, 1 if tight else 3)[:room] if body["findings"] else [Text("no findings")]
    )
    if body.get("strip"):
        parts.extend((Text(""), *_strip(body["strip"], width)))
    frame = 1 if tight else 4  # rows of a table beside its own: the head, and without tightness a rule and two blanks
    left = height - sum(_rows_of(part, width) for part in parts) - 1
    tables: list[RenderableType] = []
    for rows, make in ((body["stations"], _stations), (body["systems"], _systems)):
        if rows and left - len(rows) - frame >= frame + 3:
            tables.append(make(body, width, tight=tight))
            left -= len(rows) + frame
    if body["messages"] and left > frame:
        # One row less than there is room for: "and 4 more types".
        most = left - frame if len(body["messages"]) <= left - frame else max(1, left - frame - 1)
        parts.append(_messages(body, width, most=most, tight=tight))
    return Group(*parts, *tables)


def _rows_of(part: RenderableType, width: int) -> int:
    """Rows that a line of text takes on a screen of that width."""
    return sum(max(1, -(-cell_len(line) // width)) for line in part.plain.split("\n")) if isinstance(part, Text) else 1


def _answer(body: Mapping[str, Any]) -> Text:
    text = Text("can a rover fix on this? ")
    text.append(_ANSWER[body["rtk_ready"]], style="bold")
    failed = [c["says"] for c in body.get("rtk_ready_criteria") or () if c["passed"] is False]
    if failed and body["rtk_ready"] is False:
        text.append(f"  ({'; '.join(failed)})")
    return text


def _details(body: Mapping[str, Any]) -> Text:
    text = Text()
    rate = body["bits_per_s"]
    load = "" if rate is None or rate != rate else f", {rate / 1000:.1f} kbit/s"
    text.append(
        f"{body['source']}: {body['bytes']} bytes, {body['frames']} frames{load}, "
        f"{body['bad_crc']} damaged, {body['other_bytes']} other bytes, {body['duplicates']} duplicates"
    )
    latency = body["latency_s"]
    if latency:
        text.append(
            f"\nlatency {_f(latency['median'])} s in the middle, {_f(latency['p95'])} s at 95 %, "
            f"{_f(latency['max'])} s at most"
        )
    ledger = body.get("ledger") or {}
    hit = (ledger.get("incomplete") or 0) + (ledger.get("lost") or 0)
    if hit:
        how = LOSS_WORDS.get(str(ledger.get("pattern")))
        pattern = f"; losses {how}" if how else ""
        test = f" ({ledger['pattern_test']})" if ledger.get("pattern_test") and pattern else ""
        text.append(
            f"\nepochs every {_f(body.get('interval_s'))} s: {ledger['complete']} whole, "
            f"{ledger['incomplete']} in part, {ledger['lost']} lost{pattern}{test}"
        )
    gaps = body["gaps"]
    if gaps["count"]:
        text.append(f"\n{gaps['count']} gaps, the longest {_f(gaps['longest_s'])} s, {_f(gaps['total_s'])} s in all")
    return text


def _findings(findings: Sequence[Mapping[str, Any]], width: int, steps: int = 9) -> list[RenderableType]:
    lines: list[RenderableType] = [Text("")]
    for finding in findings:
        line = Text(f"{finding['severity'].upper():<5} {finding['code']}: ", style="bold")
        line.append(finding["summary"], style="not bold")
        lines.append(line)
        lines.extend(
            Text(line, style="dim")
            for i, step in enumerate(finding["next_steps"][:steps], 1)
            for line in paragraph(step, width, f"      {i}. ")
        )
        follows = sorted({c["code"] for c in finding["evidence"].get("consequences", ())})
        if follows:
            lines.append(Text(f"      explains: {', '.join(follows)}", style="dim"))
    return lines


def _base_check(check: Mapping[str, Any]) -> list[RenderableType]:
    """Where the base is by its own observations, or why that cannot be told; and what moves would be seen."""
    if check["misplaced"] is None:
        help_ = f"; {check['next_step']}" if check["next_step"] else ""
        return [Text(""), Text(f"base position not checked: {check['says']}{help_}", style="dim")]
    lines: list[RenderableType] = [Text(""), Text(check["says"], style="bold" if check["misplaced"] else "")]
    lines.extend(Text(f"      {i}. {step}", style="dim") for i, step in enumerate(check["checks"], 1))
    return [*lines, Text(check["moves_says"], style="dim")]


def _against(against: Mapping[str, Any]) -> list[RenderableType]:
    lines: list[RenderableType] = [
        Text(""),
        Text(f"beside {against['source']}: it goes wrong {_WHERE[against['fault']]}", style="bold"),
        Text(str(against["says"])),
        Text(
            f"frames sent {against['sent']}, received {against['received']}, lost {against['lost']} "
            f"({_f(against['lost_percent'], '{:.2f}')} %), damaged {against['damaged']}, foreign {against['foreign']}, "
            f"doubled {against['doubled']}"
        ),
    ]
    delay = against.get("delay_s")
    if delay:
        lines.append(Text(
            f"delay {_f(delay['median'], '{:.2f}')} s in the middle, {_f(delay['p95'], '{:.2f}')} s at 95 %, "
            f"{_f(delay['max'], '{:.2f}')} s at most"
        ))  # fmt: skip
    return lines


def _changes(found: Sequence[Mapping[str, Any]]) -> list[RenderableType]:
    if not found:
        return [Text(""), Text("nothing has changed since it was saved")]
    table = _table(("changed since it was saved", False), ("before", False), ("now", False))
    for change in found:
        table.add_row(Text(str(change["what"])), Text(_shown(change["before"])), Text(_shown(change["now"])))
    return [Text(""), table]


def _shown(value: Any) -> str:
    if isinstance(value, bool) or value is None:
        return {True: "yes", False: "no", None: "-"}[value]
    if isinstance(value, list | tuple):
        return ", ".join(str(v) for v in value)
    return str(value)


def _strip(strip: Mapping[str, Any], width: int) -> list[Text]:
    """One character a step: frames, damaged ones among them, other bytes alone, or nothing at all."""
    cells = list(zip(strip["frames"], strip["bad_crc"], strip["other_bytes"], strict=True))
    per = max(1, -(-len(cells) // max(20, width - 2)))
    line = ""
    for i in range(0, len(cells), per):
        frames, bad, other = (sum(c[k] for c in cells[i : i + per]) for k in range(3))
        line += _DAMAGED if bad and bad * 20 > frames else _FRAMES if frames else _OTHER if other else _NO_FRAME
    step_s = per * strip["step_s"]
    key = f"{_FRAMES} frames  {_DAMAGED} some damaged  {_OTHER} other bytes  {_NO_FRAME} nothing"
    return [Text(f"over time, {step_s:.3g} s a mark: {key}", style="dim"), Text(line)]


def _table(*columns: tuple[str, bool], tight: bool = False) -> Table:
    table = Table(box=None if tight else box.SIMPLE_HEAD, pad_edge=False, header_style="bold")
    for name, right in columns:
        table.add_column(name, justify="right" if right else "left", overflow="fold")
    return table


def _messages(body: Mapping[str, Any], width: int, *, most: int | None = None, tight: bool = False) -> Table:
    wide = width >= 100
    columns = [("type", True), ("message", False), ("count", True), ("bytes", True), ("every s", True)]
    columns += [("95 % s", True), ("bit/s", True), ("last s ago", True)] if wide else [("last s ago", True)]
    table = _table(*columns, tight=tight)
    rows = list(body["messages"])
    left = len(rows) - most if most is not None and len(rows) > most else 0
    if left:
        rows = sorted(sorted(rows, key=lambda m: -m["count"])[:most], key=lambda m: m["type"])
    for m in rows:
        cells: list[Any] = [str(m["type"]), Text(m["name"]), str(m["count"]), str(m["bytes"]), _f(m["interval_s"])]
        if wide:
            cells += [_f(m.get("interval_p95_s")), _f(m.get("bits_per_s"), "{:.0f}")]
        table.add_row(*cells, _f(m.get("last_age_s"), "{:.0f}"))
    if left:
        table.add_row("", Text(f"and {left} more types"))
    return table


def _stations(body: Mapping[str, Any], width: int, *, tight: bool = False) -> Table:
    in_grid = width >= 120 and any(s.get("easting_m") is not None for s in body["stations"])
    columns = [("base", True), ("latitude", True), ("longitude", True), ("height m", True)]
    columns += [("easting m", True), ("northing m", True)] if in_grid else []
    table = _table(*columns, ("antenna", False), ("kind", False), tight=tight)
    for s in body["stations"]:
        kind = "computed by a network" if s["computed"] else "physical"
        if s.get("physical_id") is not None:
            kind += f", from base {s['physical_id']}"
        if s.get("arp_changes"):
            kind += f", moved {s['arp_changes']} times"
        cells: list[Any] = [
            str(s["id"]), _f(s["latitude_deg"], "{:.8f}"), _f(s["longitude_deg"], "{:.8f}"),
            _f(s["height_m"], "{:.3f}"),
        ]  # fmt: skip
        if in_grid:
            cells += [_f(s["easting_m"], "{:.3f}"), _f(s["northing_m"], "{:.3f}")]
        table.add_row(*cells, Text(s["antenna"] or "not named"), kind if s["arp_ecef_m"] else "no position")
    return table


def _systems(body: Mapping[str, Any], width: int, *, tight: bool = False) -> Table:
    table = _table(
        ("system", False),
        ("satellites", True),
        ("signals with phase", False),
        ("C/N0 dB-Hz", True),
        ("lost locks", True),
        tight=tight,
    )
    for s in body["systems"]:
        phased = s.get("phase_signals", s["signals"])
        without = [g for g in s["signals"] if g not in phased]
        signals = " ".join(phased) + (f"  without phase: {' '.join(without)}" if without else "")
        table.add_row(s["system"], _f(s["satellites"], "{:.0f}"), signals, _f(s["median_cn0_dbhz"]),
                      _f(s.get("lock_resets"), "{:.0f}"))  # fmt: skip
    return table


def _f(value: float | None, form: str = "{:.1f}") -> str:
    return "-" if value is None or value != value else form.format(value)
