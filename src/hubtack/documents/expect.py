"""What has changed since a stream worked: two ``link`` documents side by side."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from hubtack.engine.link import distance_m

# What counts as a change; all common practice, no source.
_INTERVAL_FACTOR = 1.5
_MOVED_M = 0.02
_CN0_DB = 3.0
_SATELLITES = 3
_LATENCY_S = 1.0
_RATE_FACTOR = 1.5
_LOSS_SHARE = 0.02


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
    return {row[key]: row for row in rows or [] if isinstance(row, Mapping) and key in row}


def _stations(before: Mapping[str, Any], now: Mapping[str, Any], note: Any) -> None:
    a, b = _by(before.get("stations"), "id"), _by(now.get("stations"), "id")
    if a.keys() != b.keys():
        note("station IDs", sorted(a), sorted(b))
    for station in sorted(a.keys() & b.keys()):
        one, other = a[station].get("arp_ecef_m"), b[station].get("arp_ecef_m")
        if one and other and distance_m(tuple(one), tuple(other)) > _MOVED_M:
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
        if one and other and not 1 / _INTERVAL_FACTOR <= other / one <= _INTERVAL_FACTOR:
            note(f"interval_s of message {kind}", one, other)


def _systems(before: Mapping[str, Any], now: Mapping[str, Any], note: Any) -> None:
    a, b = _by(before.get("systems"), "system"), _by(now.get("systems"), "system")
    if a.keys() != b.keys():
        note("systems", sorted(a), sorted(b))
    for system in sorted(a.keys() & b.keys()):
        one, other = a[system], b[system]
        if sorted(one.get("signals") or []) != sorted(other.get("signals") or []):
            note(f"signals of {system}", one.get("signals"), other.get("signals"))
        for key, least in (("satellites", _SATELLITES), ("median_cn0_dbhz", _CN0_DB)):
            x, y = one.get(key), other.get(key)
            if x is not None and y is not None and abs(x - y) >= least:
                note(f"{key} of {system}", x, y)


def _figures(before: Mapping[str, Any], now: Mapping[str, Any], note: Any) -> None:
    x, y = before.get("bits_per_s"), now.get("bits_per_s")
    if x and y and not 1 / _RATE_FACTOR <= y / x <= _RATE_FACTOR:
        note("bits_per_s", x, y)
    x, y = ((d.get("latency_s") or {}).get("median") for d in (before, now))
    if x is not None and y is not None and abs(x - y) >= _LATENCY_S:
        note("latency_s", x, y)
    shares = [_lost_share(d) for d in (before, now)]
    if all(s is not None for s in shares) and abs(shares[0] - shares[1]) >= _LOSS_SHARE:
        note("lost_share", round(shares[0], 3), round(shares[1], 3))


def _lost_share(doc: Mapping[str, Any]) -> Any:
    ledger = doc.get("ledger")
    if not isinstance(ledger, Mapping):
        return None
    slots = sum(ledger.get(k) or 0 for k in ("complete", "incomplete", "lost"))
    return (slots - (ledger.get("complete") or 0)) / slots if slots else None
