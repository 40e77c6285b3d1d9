"""The ledger's tables: which columns, of what type, and how an account becomes rows of them and back.

Parquet as it stands serves DuckDB, polars and pandas; docs/fleet.md describes every column. Units are the last word of a
column's name, times are UTC, unknown is null. A change of meaning raises the number in ``LEDGER_SCHEMA``; columns may be
added without.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from hubtack.fleet.account import MINUTE_COLUMNS, SessionAccount
from hubtack.fleet.plan import LEDGER_SCHEMA
from hubtack.knowledge.fix_types import FIX_TYPES

Row = dict[str, Any]
TABLES = ("sessions", "findings", "minutes", "losses", "bases", "files")

# Column -> type: text, real, int, bool, time.
_KEY = {"key": "text", "machine": "text"}
_SESSIONS: dict[str, tuple[str, Callable[[SessionAccount], Any]]] = {}


def _column(name: str, kind: str, get: Callable[[SessionAccount], Any]) -> None:
    _SESSIONS[name] = (kind, get)


def _in(*path: str) -> Callable[[SessionAccount], Any]:
    def get(account: SessionAccount) -> Any:
        value: Any = account.document
        for key in path:
            value = value.get(key) if isinstance(value, Mapping) else None
        return value

    return get


def _by(*path: str) -> Callable[[SessionAccount], Any]:
    def get(account: SessionAccount) -> Any:
        value: Any = account.provenance
        for key in path:
            value = value.get(key) if isinstance(value, Mapping) else None
        return value

    return get


for _name in ("name", "machine_from", "time_basis"):
    _column(_name, "text", _in(_name))
for _name in ("start_utc", "end_utc"):
    _column(_name, "time", _in(_name))
for _name in ("duration_s", "interval_s", "time_to_first_fixed_s", "working_s", "lost_working_s"):
    _column(_name, "real", _in(_name))
for _name in ("epochs", "fix_losses", "bad_checksums", "frames", "bad_crc", "other_bytes"):
    _column(_name, "int", _in(_name))
for _name in ("grade", "rough", "hold"):
    _column(f"{_name}_s", "real", _in("verdict_seconds", _name))
for _fix in FIX_TYPES:
    _column(f"{_fix.key}_s", "real", _in("fix_seconds", _fix.key))
for _name in ("median", "p95", "max"):
    _column(f"correction_age_{_name}_s", "real", _in("correction_age_s", _name))
for _name in ("median", "max"):
    _column(f"baseline_{_name}_m", "real", _in("baseline_m", _name))
for _name in ("vertical_median", "vertical_p95", "horizontal_median", "horizontal_p95"):
    _column(f"edge_{_name}_95_m", "real", _in("edge_error_95_m", _name))
for _name in ("vertical", "horizontal"):
    _column(f"tolerance_{_name}_95_m", "real", _in("tolerance_95_m", _name))
_column("best_possible", "text", _in("best_possible", "verdict"))
_column("best_possible_vertical_m", "real", _in("best_possible", "vertical_m"))
_column("rtk_ready", "bool", _in("link", "rtk_ready"))
_column("findings", "int", lambda a: len(a.document["findings"]))
_column("stops", "int", lambda a: sum(f["severity"] == "stop" for f in a.document["findings"]))
_column("first_cause", "text", lambda a: a.document["findings"][0]["code"] if a.document["findings"] else None)
for _name in ("grade_s", "rough_s", "hold_s"):
    _column(f"shown_{_name}", "real", _by("as_shown", _name))
_column("shown_chain_broken_at", "int", _by("as_shown", "broken_at"))
_column("cost_per_h", "real", _by("cost_per_h"))
for _name in ("software", "site_file", "site_sha256", "settings_sha256"):
    _column(_name, "text", _by(_name))
_column("document_json", "text", lambda a: json.dumps(a.document, allow_nan=False))
_column("provenance_json", "text", lambda a: json.dumps(a.provenance, allow_nan=False))

_MINUTE_TYPES = {
    name: "int" if name in ("minute_ns", "epochs") else "time" if name == "minute_utc" else "real"
    for name in MINUTE_COLUMNS
}
COLUMNS: Mapping[str, Mapping[str, str]] = {
    "sessions": {
        "schema": "text", **_KEY, "written_utc": "time", **{name: kind for name, (kind, _) in _SESSIONS.items()},
    },
    "findings": {
        **_KEY, "rank": "int", "code": "text", "severity": "text", "start_utc": "time", "end_utc": "time",
        "count": "int", "total_s": "real", "longest_s": "real", "hold_s": "real", "open_at_end": "bool",
        "summary": "text", "next_step": "text", "evidence_json": "text",
    },
    "minutes": {**_KEY, **_MINUTE_TYPES},
    "losses": {
        **_KEY, "start_utc": "time", "end_utc": "time", "start_ns": "int", "latitude_deg": "real",
        "longitude_deg": "real", "from_fix": "text", "to_fix": "text", "working": "bool", "cause": "text",
    },
    "bases": {
        **_KEY, "id": "int", "latitude_deg": "real", "longitude_deg": "real", "height_m": "real", "arp_x_m": "real",
        "arp_y_m": "real", "arp_z_m": "real", "first_utc": "time", "last_utc": "time",
    },
    "files": {**_KEY, "path": "text", "bytes": "int", "sha256": "text", "first_byte": "int", "end_byte": "int"},
}  # fmt: skip


def rows_of(account: SessionAccount, written: dt.datetime) -> dict[str, dict[str, list[Any]]]:
    """The rows of one account by table, as columns."""
    machine = account.document.get("machine")
    head = {"key": account.key, "machine": machine}
    session: Row = {"schema": LEDGER_SCHEMA, **head, "written_utc": written}
    session.update({name: get(account) for name, (_, get) in _SESSIONS.items()})
    n = len(account.minutes["minute_ns"])
    return {
        "sessions": _columns("sessions", [session]),
        "findings": _columns("findings", [{**head, **row} for row in _findings(account)]),
        "minutes": {
            "key": [account.key] * n, "machine": [machine] * n,
            **{name: _cast(kind, account.minutes[name]) for name, kind in _MINUTE_TYPES.items()},
        },
        "losses": _columns("losses", [{**head, **row} for row in account.losses]),
        "bases": _columns("bases", [{**head, **_base(row)} for row in account.bases]),
        "files": _columns("files", [{**head, **_file(row)} for row in account.provenance.get("files", ())]),
    }  # fmt: skip


def _findings(account: SessionAccount) -> Iterable[Row]:
    for rank, finding in enumerate(account.document["findings"], start=1):
        evidence = finding["evidence"]
        yield {
            "rank": rank,
            **{k: finding[k] for k in ("code", "severity", "start_utc", "end_utc", "hold_s", "open_at_end", "summary")},
            **{k: evidence.get(k) for k in ("count", "total_s", "longest_s")},
            "next_step": finding["next_steps"][0] if finding["next_steps"] else None,
            "evidence_json": json.dumps(evidence, allow_nan=False),
        }


def _base(row: Row) -> Row:
    arp = row["arp_ecef_m"] or (None, None, None)
    return {**row, "arp_x_m": arp[0], "arp_y_m": arp[1], "arp_z_m": arp[2]}


def _file(row: Row) -> Row:
    first, end = row.get("span") or (0, None)
    return {**row, "first_byte": first, "end_byte": end}


def _columns(table: str, rows: Sequence[Row]) -> dict[str, list[Any]]:
    return {name: _cast(kind, [row.get(name) for row in rows]) for name, kind in COLUMNS[table].items()}


def _cast(kind: str, values: Sequence[Any]) -> list[Any]:
    if kind == "time":
        return [_time(v) for v in values]
    if kind == "real":
        return [None if v is None else float(v) for v in values]
    return list(values)


def _time(value: Any) -> dt.datetime | None:
    if value is None or isinstance(value, dt.datetime):
        return value
    return dt.datetime.fromisoformat(value)


def account_from(tables: Mapping[str, Sequence[Row]]) -> SessionAccount:
    """The account whose rows these are: one of ``sessions``, and its minutes, losses and bases."""
    session = tables["sessions"][0]
    minutes: dict[str, list[Any]] = {name: [row.get(name) for row in tables["minutes"]] for name in MINUTE_COLUMNS}
    minutes["minute_utc"] = [_iso(v) for v in minutes["minute_utc"]]
    losses = [
        {**_without(row, "key", "machine"), "start_utc": _iso(row["start_utc"]), "end_utc": _iso(row["end_utc"])}
        for row in tables["losses"]
    ]
    bases = []
    for row in tables["bases"]:
        arp = [row["arp_x_m"], row["arp_y_m"], row["arp_z_m"]]
        bases.append({
            "id": row["id"], **{k: row[k] for k in ("latitude_deg", "longitude_deg", "height_m")},
            "arp_ecef_m": None if arp[0] is None else arp,
            "first_utc": _iso(row["first_utc"]), "last_utc": _iso(row["last_utc"]),
        })  # fmt: skip
    return SessionAccount(
        key=session["key"],
        document=json.loads(session["document_json"]),
        minutes=minutes,
        losses=losses,
        bases=bases,
        provenance=json.loads(session["provenance_json"]),
    )


def _without(row: Row, *names: str) -> Row:
    return {key: value for key, value in row.items() if key not in names}


def _iso(value: dt.datetime | None) -> str | None:
    """ISO 8601 in UTC as the documents have it: milliseconds where there are any."""
    if value is None:
        return None
    text = value.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%S")
    milli = value.microsecond // 1000
    return f"{text}.{milli:03d}Z" if milli else f"{text}Z"
