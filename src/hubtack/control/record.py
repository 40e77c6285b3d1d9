"""The control record: one JSON line a check, and the same as CSV beside it. Appended, flushed to the disk, read back.

The JSON lines are the record; the CSV is for a spreadsheet and is never read. Both are private to the user, since they
say where somebody was and when. A line that a power cut left half written is passed over and counted.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from hubtack.errors import SourceError, UsageError
from hubtack.json_out import plain
from hubtack.safe import safe_cell, safe_text

if sys.platform != "win32":  # there a file has one writer at a time by itself
    import fcntl

FILE_NAME = "control.jsonl"
MAX_BYTES = 64_000_000
CSV_COLUMNS = (
    "utc", "point", "what", "result", "east_m", "north_m", "up_m", "horizontal_m", "limit_horizontal_m",
    "limit_vertical_m", "sigma_east_m", "sigma_north_m", "sigma_up_m", "epochs", "used", "duration_s",
    "antenna_height_m", "pdop", "easting_m", "northing_m", "height_m", "crs", "base_id", "base_computed", "arp_x_m",
    "arp_y_m", "arp_z_m", "datum_fit", "machine", "source", "site_sha256", "version",
)  # fmt: skip
RESULTS = {True: "pass", False: "fail", None: "cannot tell"}
_NUMBERS = (
    "east_m", "north_m", "up_m", "sigma_east_m", "sigma_north_m", "sigma_up_m", "limit_horizontal_m",
    "limit_vertical_m", "pdop", "duration_s", "easting_m", "northing_m", "height_m", "arp_x_m", "arp_y_m", "arp_z_m",
)  # fmt: skip
_TEXTS = ("what", "crs", "datum_fit", "machine", "source", "site_sha256")


def paths_of(path: Path) -> tuple[Path, Path]:
    """JSON lines and CSV of a record that is named by a folder, by either file, or by neither ending."""
    if path.is_dir():
        path = path / FILE_NAME
    stem = path.with_suffix("") if path.suffix.lower() in (".csv", ".jsonl", ".json") else path
    return stem.with_name(stem.name + ".jsonl"), stem.with_name(stem.name + ".csv")


def append_record(path: Path, entry: Mapping[str, Any]) -> tuple[Path, Path]:
    """Append one check; returns the two files.

    Raises
    ------
    SourceError
        If a file cannot be written; then nothing of the line is left in it.
    """
    json_path, csv_path = paths_of(path)
    line = json.dumps(plain(dict(entry)), ensure_ascii=True, allow_nan=False) + "\n"
    _append(json_path, line, "")
    _append(csv_path, _row([_cell(plain(entry.get(name), name)) for name in CSV_COLUMNS]), _row(CSV_COLUMNS))
    return json_path, csv_path


def read_record(path: Path, point: str | None = None) -> tuple[list[dict[str, Any]], int]:
    """The checks of a record, oldest first, of one mark where it is named; and the number of lines not understood.

    The same log run twice is one check: of lines with the same moment, mark, machine and kind the last one counts.

    Raises
    ------
    UsageError
        If there is no such file, or it is no control record.
    SourceError
        If it cannot be read.
    """
    json_path = paths_of(path)[0]
    name = safe_text(str(json_path))
    try:
        with json_path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise UsageError(
            f"no control record at {name}; hubtack control LOG --point NAME --record FILE writes one"
        ) from None
    except OSError as err:
        raise SourceError(f"{name} cannot be read: {err.strerror}; check its rights") from err
    if len(data) > MAX_BYTES:
        raise UsageError(f"{name} is over {MAX_BYTES // 1_000_000} MB, which no control record is")
    entries: dict[tuple[Any, ...], dict[str, Any]] = {}
    bad = 0
    for number, line in enumerate(data.decode("utf-8", errors="replace").split("\n")):
        if not line.strip():
            continue
        entry = _entry(line)
        if entry is None:
            bad += 1
            continue
        key = (entry["utc"], entry["point"].casefold(), entry["machine"], entry["what"])
        entries[key if entry["utc"] is not None else (number,)] = entry
    if bad and not entries:
        raise UsageError(f"{name}: no line is a control check; expected one JSON object a line")
    wanted = None if point is None else point.strip().casefold()
    kept = [e for e in entries.values() if wanted is None or e["point"].casefold() == wanted]
    return sorted(kept, key=lambda e: (e["utc"] is None, (e["utc"] or "").rstrip("Z"))), bad


def _entry(line: str) -> dict[str, Any] | None:
    """One line as a check with every field that is read later in its type: NaN and None where it is not."""
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError):
        return None
    if not isinstance(entry, dict) or not isinstance(entry.get("point"), str):
        return None
    if entry.get("result") not in RESULTS.values():
        return None
    for name in _NUMBERS:
        entry[name] = _number(entry.get(name))
    for name in _TEXTS:
        entry[name] = entry[name] if isinstance(entry.get(name), str) else None
    base_id = entry.get("base_id")
    entry["base_id"] = base_id if isinstance(base_id, int) and not isinstance(base_id, bool) else None
    entry["base_computed"] = entry.get("base_computed") is True
    utc = entry.get("utc")
    entry["utc"] = utc if isinstance(utc, str) and len(utc) >= 20 and utc.endswith("Z") else None
    return entry


def _number(value: object) -> float:
    """A number that can be reckoned with; NaN for all else, an integer of 400 digits included."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return math.nan
    try:
        return float(value) if math.isfinite(value) else math.nan
    except OverflowError:
        return math.nan


def _row(cells: object) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(cells)  # type: ignore[arg-type]
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    # A negative number is a number; only text can be taken for a formula.
    return repr(value) if isinstance(value, int | float) else safe_cell(str(value))


def _append(path: Path, text: str, header: str) -> None:
    """Add a whole line or nothing, whoever else writes to the file meanwhile."""
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o600)
    except OSError as err:
        raise _unwritable(path, err) from err
    try:
        if sys.platform != "win32":
            fcntl.flock(handle, fcntl.LOCK_EX)
        size = os.lseek(handle, 0, os.SEEK_END)
        lead = header if size == 0 else ""
        if size:
            os.lseek(handle, size - 1, os.SEEK_SET)
            if os.read(handle, 1) != b"\n":  # a line that was cut off must not swallow this one
                lead = "\n"
        data = (lead + text).encode()
        try:
            while data:
                data = data[os.write(handle, data) :]
            os.fsync(handle)
        except OSError:
            os.ftruncate(handle, size)  # a full disk: half a line would be worse than none
            raise
    except OSError as err:
        raise _unwritable(path, err) from err
    finally:
        os.close(handle)


def _unwritable(path: Path, err: OSError) -> SourceError:
    return SourceError(
        f"{safe_text(str(path))} cannot be written: {err.strerror}; the check is not recorded. "
        "Name another place with --record FILE"
    )
