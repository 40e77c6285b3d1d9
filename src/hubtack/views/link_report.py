"""The technician's view of a correction stream: can a rover fix on it, what is on it, what is broken."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

_ANSWER = {True: "yes", False: "NO", None: "cannot tell yet"}


def link_report(body: Mapping[str, Any], width: int) -> RenderableType:
    """The report of a ``link`` document's body, for a terminal ``width`` columns wide."""
    parts: list[RenderableType] = [_headline(body)]
    findings = body["findings"]
    if findings:
        parts.extend(_findings(findings))
    else:
        parts.append(Text("no findings"))
    if body["messages"]:
        parts.extend((Text(""), _messages(body, width)))
    if body["stations"]:
        parts.extend((Text(""), _stations(body)))
    if body["systems"]:
        parts.extend((Text(""), _systems(body)))
    return Group(*parts)


def _headline(body: Mapping[str, Any]) -> Text:
    text = Text("can a rover fix on this? ")
    text.append(_ANSWER[body["rtk_ready"]], style="bold")
    rate = body["bits_per_s"]
    load = "" if rate is None or rate != rate else f", {rate / 1000:.1f} kbit/s"
    text.append(
        f"\n{body['source']}: {body['bytes']} bytes, {body['frames']} frames{load}, "
        f"{body['bad_crc']} damaged, {body['other_bytes']} other bytes, {body['duplicates']} duplicates"
    )
    latency = body["latency_s"]
    if latency:
        text.append(
            f"\nlatency {_f(latency['median'])} s in the middle, {_f(latency['p95'])} s at 95 %, "
            f"{_f(latency['max'])} s at most"
        )
    gaps = body["gaps"]
    if gaps["count"]:
        text.append(f"\n{gaps['count']} gaps, the longest {_f(gaps['longest_s'])} s, {_f(gaps['total_s'])} s in all")
    return text


def _findings(findings: list[Mapping[str, Any]]) -> list[RenderableType]:
    lines: list[RenderableType] = [Text("")]
    for finding in findings:
        line = Text(f"{finding['severity'].upper():<5} {finding['code']}: ", style="bold")
        line.append(finding["summary"], style="not bold")
        lines.append(line)
        lines.extend(Text(f"      {i}. {step}", style="dim") for i, step in enumerate(finding["next_steps"], 1))
        follows = sorted({c["code"] for c in finding["evidence"].get("consequences", ())})
        if follows:
            lines.append(Text(f"      explains: {', '.join(follows)}", style="dim"))
    return lines


def _table(*columns: tuple[str, bool]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold")
    for name, right in columns:
        table.add_column(name, justify="right" if right else "left", overflow="fold")
    return table


def _messages(body: Mapping[str, Any], width: int) -> Table:
    table = _table(("type", True), ("message", False), ("count", True), ("bytes", True), ("every s", True))
    for m in body["messages"]:
        table.add_row(str(m["type"]), Text(m["name"]), str(m["count"]), str(m["bytes"]), _f(m["interval_s"]))
    return table


def _stations(body: Mapping[str, Any]) -> Table:
    table = _table(
        ("base", True), ("latitude", True), ("longitude", True), ("height m", True), ("antenna", False), ("kind", False)
    )
    for s in body["stations"]:
        kind = "computed by a network" if s["computed"] else "physical"
        table.add_row(
            str(s["id"]), _f(s["latitude_deg"], "{:.8f}"), _f(s["longitude_deg"], "{:.8f}"),
            _f(s["height_m"], "{:.3f}"),
            Text(s["antenna"] or "not named"), kind if s["arp_ecef_m"] else "no position",
        )  # fmt: skip
    return table


def _systems(body: Mapping[str, Any]) -> Table:
    table = _table(("system", False), ("satellites", True), ("signals", False), ("C/N0 dB-Hz", True))
    for s in body["systems"]:
        table.add_row(s["system"], _f(s["satellites"], "{:.0f}"), " ".join(s["signals"]), _f(s["median_cn0_dbhz"]))
    return table


def _f(value: float | None, form: str = "{:.1f}") -> str:
    return "-" if value is None or value != value else form.format(value)
