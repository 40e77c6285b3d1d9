"""Tables for a spreadsheet and places for a map, out of the same accounts as the report.

CSV as RFC 4180 in UTF-8, cells that no spreadsheet takes for a formula; GeoJSON as RFC 7946. Files are whole or not there:
each is written beside its name and then renamed.
"""

from __future__ import annotations

import csv
import io
import json
import os
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from hubtack.errors import SourceError
from hubtack.fleet.account import SessionAccount
from hubtack.fleet.causes import rank_causes
from hubtack.fleet.totals import Totals, by_machine, cost_per_h, machine_of, totals
from hubtack.safe import safe_cell, safe_text

Cell = str | int | float | bool | None
Row = Mapping[str, Any]

_SUMS = (
    "sessions",
    "recorded_s",
    "no_data_s",
    "grade_s",
    "rough_s",
    "hold_s",
    "working_s",
    "lost_working_s",
    "fix_losses",
    "cost",
)


def write_exports(accounts: Sequence[SessionAccount], folder: Path) -> list[Path]:
    """Write ``machines``, ``causes``, ``sessions``, ``findings``, ``fix_losses`` and ``bases`` as CSV into ``folder``.

    The folder is made where it is missing; files of those names in it are replaced. Returns the paths.

    Raises
    ------
    SourceError
        If the folder cannot be written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return [_write(folder / f"{name}.csv", csv_text(*table)) for name, table in _tables(accounts)]
    except OSError as err:
        raise SourceError(
            f"{folder}: cannot be written: {err.strerror or err}; check the path and its permissions"
        ) from err


def write_geojson(accounts: Iterable[SessionAccount], path: Path) -> Path:
    """Write the places where the fix was lost; SourceError where that cannot be done."""
    try:
        return _write(path, geojson_text(accounts))
    except OSError as err:
        raise SourceError(
            f"{path}: cannot be written: {err.strerror or err}; check the path and its permissions"
        ) from err


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """A table as CSV; absent is an empty cell, text is made safe for spreadsheets."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")  # RFC 4180, section 2
    writer.writerow(header)
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    return out.getvalue()


def _cell(value: Cell) -> str | int | float:
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return safe_cell(value, 1000) if isinstance(value, str) else value


def _tables(accounts: Sequence[SessionAccount]) -> Iterator[tuple[str, tuple[list[str], list[list[Cell]]]]]:
    machines = [[name, *_sums(totals(group))] for name, group in by_machine(accounts).items()]
    machines.sort(key=lambda r: (-float(r[7] or 0), str(r[0])))
    yield "machines", (["machine", *_SUMS], machines)
    yield "causes", (
        ["cause", "lost_working_s", "sessions", "machines", "most_on", "cost"],
        [
            [c.code or "unexplained", round(c.lost_s, 3), c.sessions, len(c.machines), max(c.machines, key=lambda m: c.machines[m]), c.cost]
            for c in rank_causes(accounts)
        ],
    )  # fmt: skip
    yield "sessions", _sessions(accounts)
    yield "findings", _findings(accounts)
    yield "fix_losses", _losses(accounts)
    yield "bases", _bases(accounts)


def _sums(t: Totals) -> list[Cell]:
    seconds = (t.recorded_s, t.no_data_s, t.grade_s, t.rough_s, t.hold_s, t.working_s, t.lost_s)
    return [t.sessions, *(round(s, 3) for s in seconds), t.fix_losses, None if t.cost is None else round(t.cost, 2)]


def _sessions(accounts: Iterable[SessionAccount]) -> tuple[list[str], list[list[Cell]]]:
    header = [
        "key", "machine", "session", "start_utc", "end_utc", "time_basis", *_SUMS[1:], "cost_per_h", "epochs", "fix_fixed_s",
        "correction_age_median_s", "correction_age_p95_s", "baseline_median_m", "vertical_95_p95_m", "tolerance_vertical_95_m",
        "rtk_ready", "first_finding", "software", "site_sha256", "shown_grade_s", "shown_rough_s", "shown_hold_s",
    ]  # fmt: skip
    rows: list[list[Cell]] = []
    for account in accounts:
        d, p = account.document, account.provenance
        shown: Row = p.get("as_shown") or {}
        findings = d.get("findings") or []
        rows.append([
            account.key, machine_of(account), d.get("name"), d.get("start_utc"), d.get("end_utc"), d.get("time_basis"),
            *_sums(totals([account]))[1:], cost_per_h(account), d.get("epochs"), _in(d, "fix_seconds", "rtk_fixed"),
            _in(d, "correction_age_s", "median"), _in(d, "correction_age_s", "p95"), _in(d, "baseline_m", "median"),
            _in(d, "edge_error_95_m", "vertical_p95"), _in(d, "tolerance_95_m", "vertical"), _in(d, "link", "rtk_ready"),
            findings[0].get("code") if findings else None, p.get("software"), p.get("site_sha256"),
            shown.get("grade_s"), shown.get("rough_s"), shown.get("hold_s"),
        ])  # fmt: skip
    return header, rows


def _in(document: Row, key: str, inner: str) -> Any:
    value = document.get(key)
    return value.get(inner) if isinstance(value, Mapping) else None


def _findings(accounts: Iterable[SessionAccount]) -> tuple[list[str], list[list[Cell]]]:
    header = [
        "key", "machine", "session", "rank", "code", "severity", "start_utc", "end_utc", "count", "total_s", "longest_s",
        "hold_s", "shared_with", "summary", "next_step",
    ]  # fmt: skip
    rows: list[list[Cell]] = []
    for account in accounts:
        for rank, f in enumerate(account.document.get("findings") or [], start=1):
            evidence, steps = f.get("evidence") or {}, f.get("next_steps") or [None]
            rows.append([
                account.key, machine_of(account), account.document.get("name"), rank, f.get("code"), f.get("severity"),
                f.get("start_utc"), f.get("end_utc"), evidence.get("count"), evidence.get("total_s"),
                evidence.get("longest_s"), f.get("hold_s"), "; ".join(evidence.get("shared_with") or ()), f.get("summary"),
                steps[0],
            ])  # fmt: skip
    return header, rows


_LOSS = ("start_utc", "end_utc", "latitude_deg", "longitude_deg", "from_fix", "to_fix", "working", "cause")


def _losses(accounts: Iterable[SessionAccount]) -> tuple[list[str], list[list[Cell]]]:
    rows: list[list[Cell]] = [
        [
            a.key,
            machine_of(a),
            a.document.get("name"),
            *(loss.get(k) for k in _LOSS),
            "; ".join(loss.get("shared_with") or ()),
        ]
        for a in accounts
        for loss in a.losses
    ]
    return ["key", "machine", "session", *_LOSS, "shared_with"], rows


def _bases(accounts: Iterable[SessionAccount]) -> tuple[list[str], list[list[Cell]]]:
    keys = ("id", "first_utc", "last_utc", "latitude_deg", "longitude_deg", "height_m")
    rows: list[list[Cell]] = [
        [a.key, machine_of(a), *(base.get(k) for k in keys), *(base.get("arp_ecef_m") or (None, None, None))]
        for a in accounts
        for base in a.bases
    ]
    return ["key", "machine", *keys, "arp_x_m", "arp_y_m", "arp_z_m"], rows


def geojson_text(accounts: Iterable[SessionAccount]) -> str:
    """Losses of the fix as a GeoJSON FeatureCollection of points, longitude before latitude, WGS 84 (RFC 7946).

    A loss without a place is a feature with a null geometry (section 3.2), so that it is not lost from the count.
    """
    features = []
    for account in accounts:
        for loss in account.losses:
            lat, lon = loss.get("latitude_deg"), loss.get("longitude_deg")
            placed = isinstance(lat, int | float) and isinstance(lon, int | float)
            properties = {
                "machine": machine_of(account),
                "session": safe_text(str(account.document.get("name") or account.key)),
                **{key: loss.get(key) for key in ("start_utc", "end_utc", "from_fix", "to_fix", "working", "cause")},
                "shared_with": loss.get("shared_with"),
            }
            geometry = {"type": "Point", "coordinates": [lon, lat]} if placed else None
            features.append({"type": "Feature", "geometry": geometry, "properties": properties})
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=True, allow_nan=False)


def _write(path: Path, text: str) -> Path:
    """Whole or not at all: readers never see half a file."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        os.chmod(name, 0o666 & ~_umask())  # mkstemp makes files that only their owner can read
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return path


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
