"""The control record: one JSON line a check, and the same as CSV beside it. Appended, flushed to the disk, read back.

The JSON lines are the record; the CSV is for a spreadsheet and is never read. A line that a power cut left half written
is passed over and said.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from hubtack.documents.json_out import plain
from hubtack.errors import SourceError, UsageError
from hubtack.safe import safe_cell, safe_text

CSV_COLUMNS = (
    "utc", "point", "what", "result", "east_m", "north_m", "up_m", "horizontal_m", "limit_horizontal_m",
    "limit_vertical_m", "sigma_east_m", "sigma_north_m", "sigma_up_m", "epochs", "used", "duration_s",
    "antenna_height_m", "pdop", "crs", "base_id", "datum_fit", "machine", "source", "site_sha256", "version",
)  # fmt: skip
RESULTS = {True: "pass", False: "fail", None: "cannot tell"}


def paths_of(path: Path) -> tuple[Path, Path]:
    """JSON lines and CSV of a record that is named by either, or by neither ending."""
    stem = path.with_suffix("") if path.suffix.lower() in (".csv", ".jsonl", ".json") else path
    return stem.with_name(stem.name + ".jsonl"), stem.with_name(stem.name + ".csv")


def append_record(path: Path, entry: Mapping[str, Any]) -> tuple[Path, Path]:
    """Append one check; returns the two files.

    Raises
    ------
    SourceError
        If a file cannot be written.
    """
    json_path, csv_path = paths_of(path)
    line = json.dumps(plain(dict(entry)), ensure_ascii=True, allow_nan=False) + "\n"
    _append(json_path, line, "")
    header = io.StringIO()
    csv.writer(header, lineterminator="\n").writerow(CSV_COLUMNS)
    row = io.StringIO()
    csv.writer(row, lineterminator="\n").writerow([_cell(plain(entry.get(name), name)) for name in CSV_COLUMNS])
    _append(csv_path, row.getvalue(), header.getvalue())
    return json_path, csv_path


def read_record(path: Path, point: str | None = None) -> tuple[list[dict[str, Any]], int]:
    """The checks of a record, oldest first, of one mark where it is named; and the number of lines not understood.

    Raises
    ------
    UsageError
        If there is no such file, or it is no control record.
    """
    json_path = paths_of(path)[0]
    try:
        with json_path.open(encoding="utf-8", errors="replace") as file:
            lines = file.read().split("\n")
    except FileNotFoundError:
        raise UsageError(f"no control record at {safe_text(str(json_path))}; --record FILE writes one") from None
    except OSError as err:
        raise SourceError(f"{safe_text(str(json_path))} cannot be read: {err.strerror}") from err
    entries, bad = [], 0
    for line in lines:
        if not line.strip():
            continue
        entry = _entry(line)
        if entry is None:
            bad += 1
        elif point is None or entry["point"].casefold() == point.strip().casefold():
            entries.append(entry)
    if bad and not entries and point is None:
        raise UsageError(f"{safe_text(str(json_path))}: no line is a control check; expected one JSON object a line")
    return sorted(entries, key=lambda e: (e.get("utc") is None, str(e.get("utc") or ""))), bad


def last_passed(entries: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """The newest check that passed and has a date."""
    passed = [e for e in entries if e.get("result") == "pass" and e.get("utc")]
    return passed[-1] if passed else None


def _entry(line: str) -> dict[str, Any] | None:
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError):
        return None
    if not isinstance(entry, dict) or not isinstance(entry.get("point"), str):
        return None
    for name in ("east_m", "north_m", "up_m", "sigma_east_m", "sigma_north_m", "sigma_up_m", "pdop"):
        value = entry.get(name)
        entry[name] = float(value) if isinstance(value, int | float) and not isinstance(value, bool) else float("nan")
    entry["utc"] = entry["utc"] if isinstance(entry.get("utc"), str) else None
    return entry


def _cell(value: Any) -> str:
    if value is None:
        return ""
    # A negative number is a number; only text can be taken for a formula.
    return repr(value) if isinstance(value, int | float) else safe_cell(str(value))


def _append(path: Path, text: str, header: str) -> None:
    name = safe_text(str(path))
    try:
        with path.open("a+b") as file:
            size = file.seek(0, os.SEEK_END)
            lead = header if size == 0 else ""
            if size:
                file.seek(-1, os.SEEK_END)
                if file.read(1) != b"\n":  # a line that was cut off must not swallow this one
                    lead = "\n"
            file.write((lead + text).encode())  # one write: a whole line or none
            file.flush()
            os.fsync(file.fileno())
    except OSError as err:
        raise SourceError(f"{name} cannot be written: {err.strerror}; the check is not recorded") from err
