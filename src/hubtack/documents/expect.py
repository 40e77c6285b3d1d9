"""What has changed since a stream worked: two ``link`` documents side by side."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from hubtack.engine.link import distance_m
from hubtack.knowledge.change_limits import CHANGE

# What is compared, and of what type it is in a document (docs/schema); all of it may be missing or null.
_FORM: dict[str, Any] = {
    "rtk_ready": bool, "format": str, "bits_per_s": float, "latency_s": {"median": float},
    "ledger": {"complete": int, "incomplete": int, "lost": int},
    "stations": [{
        "id": int, "arp_ecef_m": [float], "antenna": str, "receiver": str, "antenna_height_m": float, "computed": bool,
    }],
    "messages": [{"type": int, "interval_s": float}],
    "systems": [{"system": str, "signals": [str], "satellites": float, "median_cn0_dbhz": float}],
    "findings": [{"code": str}],
}  # fmt: skip
_WORDS = {
    bool: "true or false",
    str: "a text",
    int: "a whole number",
    float: "a number",
    dict: "an object",
    list: "a list",
}
_LARGEST = 1e15


def expected_form(document: object) -> dict[str, Any]:
    """Of a saved document what ``changes`` compares; ValueError says where it is not as a document is."""
    found: dict[str, Any] = _as_form(document, _FORM, "")
    for station in found.get("stations") or []:
        if len(station.get("arp_ecef_m") or (0, 0, 0)) != 3:
            raise ValueError("stations: arp_ecef_m is not of three numbers")
    return found


def _as_form(value: object, form: Any, where: str) -> Any:
    kind = form if isinstance(form, type) else type(form)
    if value is None:
        return None
    if isinstance(form, dict) and isinstance(value, dict):
        place = f"{where}." if where else ""
        return {key: _as_form(value[key], part, place + key) for key, part in form.items() if key in value}
    if isinstance(form, list) and isinstance(value, list):
        rows = [_as_form(row, form[0], where) for row in value]
        if any(row is None for row in rows):
            raise ValueError(f"{where} has an empty place")
        return rows
    if kind in (int, float) and isinstance(value, (int, float)) and not isinstance(value, bool):
        if abs(value) < _LARGEST and (kind is float or value == int(value)):
            return kind(value)
    elif kind in (str, bool) and isinstance(value, kind):
        return value
    raise ValueError(f"{where or 'the whole'} is not {_WORDS[kind]}")


def changes(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Differences that a technician would want to know of, the gravest kind first: what, before, now.

    Keys that a document of an older version lacks are passed over.
    """
    found: list[dict[str, Any]] = []

    def note(what: str, a: Any, b: Any) -> None:
        found.append({"what": what, "before": a, "now": b})

    if before.get("rtk_ready") != now.get("rtk_ready"):
        note("rtk_ready", before.get("rtk_ready"), now.get("rtk_ready"))
    if before.get("format") != now.get("format"):
        note("format", before.get("format"), now.get("format"))
    _stations(before, now, note)
    _messages(before, now, note)
    _systems(before, now, note)
    _figures(before, now, note)
    codes = [{f.get("code") for f in d.get("findings") or []} for d in (before, now)]
    for code in sorted(str(c) for c in codes[1] - codes[0]):
        note(f"finding {code}", "absent", "present")
    for code in sorted(str(c) for c in codes[0] - codes[1]):
        note(f"finding {code}", "present", "absent")
    return found


def _by(rows: Any, key: str) -> dict[Any, Mapping[str, Any]]:
    return {row[key]: row for row in rows or [] if isinstance(row, Mapping) and row.get(key) is not None}


def _stations(before: Mapping[str, Any], now: Mapping[str, Any], note: Any) -> None:
    a, b = _by(before.get("stations"), "id"), _by(now.get("stations"), "id")
    if a.keys() != b.keys():
        note("station IDs", sorted(a), sorted(b))
    for station in sorted(a.keys() & b.keys()):
        one, other = a[station].get("arp_ecef_m"), b[station].get("arp_ecef_m")
        if one and other and distance_m(tuple(one), tuple(other)) > CHANGE["moved_m"]:
            note(f"base position of {station} moved_m", 0.0, round(distance_m(tuple(one), tuple(other)), 3))
        elif bool(one) != bool(other):
            note(f"base position of {station}", one, other)
        for key in ("antenna", "receiver", "antenna_height_m", "computed"):
            if key in a[station] and key in b[station] and a[station][key] != b[station][key]:
                note(f"{key} of {station}", a[station][key], b[station][key])


def _messages(before: Mapping[str, Any], now: Mapping[str, Any], note: Any) -> None:
    a, b = _by(before.get("messages"), "type"), _by(now.get("messages"), "type")
    for kind in sorted(a.keys() - b.keys()):
        note(f"message {kind}", f"every {a[kind].get('interval_s')} s", "gone")
    for kind in sorted(b.keys() - a.keys()):
        note(f"message {kind}", "absent", f"every {b[kind].get('interval_s')} s")
    for kind in sorted(a.keys() & b.keys()):
        one, other = a[kind].get("interval_s"), b[kind].get("interval_s")
        if one and other and not 1 / CHANGE["interval_factor"] <= other / one <= CHANGE["interval_factor"]:
            note(f"interval_s of message {kind}", one, other)


def _systems(before: Mapping[str, Any], now: Mapping[str, Any], note: Any) -> None:
    a, b = _by(before.get("systems"), "system"), _by(now.get("systems"), "system")
    if a.keys() != b.keys():
        note("systems", sorted(a), sorted(b))
    for system in sorted(a.keys() & b.keys()):
        one, other = a[system], b[system]
        if sorted(one.get("signals") or []) != sorted(other.get("signals") or []):
            note(f"signals of {system}", one.get("signals"), other.get("signals"))
        for key, least in (("satellites", CHANGE["satellites"]), ("median_cn0_dbhz", CHANGE["cn0_db"])):
            x, y = one.get(key), other.get(key)
            if x is not None and y is not None and abs(x - y) >= least:
                note(f"{key} of {system}", x, y)


def _figures(before: Mapping[str, Any], now: Mapping[str, Any], note: Any) -> None:
    x, y = before.get("bits_per_s"), now.get("bits_per_s")
    if x and y and not 1 / CHANGE["rate_factor"] <= y / x <= CHANGE["rate_factor"]:
        note("bits_per_s", x, y)
    x, y = ((d.get("latency_s") or {}).get("median") for d in (before, now))
    if x is not None and y is not None and abs(x - y) >= CHANGE["latency_s"]:
        note("latency_s", x, y)
    shares = [_lost_share(d) for d in (before, now)]
    if all(s is not None for s in shares) and abs(shares[0] - shares[1]) >= CHANGE["lost_share"]:
        note("lost_share", round(shares[0], 3), round(shares[1], 3))


def _lost_share(doc: Mapping[str, Any]) -> Any:
    ledger = doc.get("ledger")
    if not isinstance(ledger, Mapping):
        return None
    slots = sum(ledger.get(k) or 0 for k in ("complete", "incomplete", "lost"))
    return (slots - (ledger.get("complete") or 0)) / slots if slots else None
