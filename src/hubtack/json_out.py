"""One place where figures become JSON: rounding by unit, null for what is absent, safe key order.

Elementwise results are equal to the bit on one machine; rounding here makes them equal across machines as well.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

SCHEMA = "hubtack/1"

# Decimals by the unit at the end of the key (longest suffix wins). Lengths to 0.1 mm, angles on the Earth to 0.1 mm.
_DECIMALS: tuple[tuple[str, int], ...] = (
    ("latitude_deg", 9),
    ("longitude_deg", 9),
    ("_ecef_m", 4),
    ("_dbhz", 2),
    ("_dbm", 3),
    ("_dbi", 3),
    ("_db", 3),
    ("_deg", 4),
    ("_m_per_m", 6),
    ("_ppm", 4),
    ("_mhz", 4),
    ("bits_per_s", 1),
    ("_m", 4),
    ("_s", 3),
)
_DEFAULT_DECIMALS = 6


@lru_cache(maxsize=4096)
def _decimals(key: str) -> int:
    for suffix, digits in _DECIMALS:
        if key.endswith(suffix):
            return digits
    return _DEFAULT_DECIMALS


def plain(value: Any, key: str = "") -> Any:
    """``value`` as JSON types: numbers rounded by the unit in ``key``, NaN and infinities as None.

    A list or mapping without a unit of its own in the inner keys takes the unit of the key that holds it, so
    ``{"residual_m": {"east": ...}}`` rounds east as metres.
    """
    kind = type(value)
    if kind is float:
        return _rounded(value, key)
    if value is None or kind is str or kind is int or isinstance(value, str | bool):
        return value
    if kind is list or kind is tuple:
        return [plain(item, key) for item in value]
    if isinstance(value, Mapping):
        return {str(k): plain(v, str(k) if _has_unit(str(k)) else (key or str(k))) for k, v in value.items()}
    if isinstance(value, Sequence) or (hasattr(value, "tolist") and getattr(value, "ndim", 0) > 0):
        return [plain(item, key) for item in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, bool | int):
        return value
    return _rounded(value, key) if isinstance(value, float) else str(value)


def _rounded(value: float, key: str) -> float | None:
    if not math.isfinite(value):
        return None
    rounded = round(value, _decimals(key))
    return 0.0 if rounded == 0 else rounded


@lru_cache(maxsize=4096)
def _has_unit(key: str) -> bool:
    return any(key.endswith(suffix) for suffix, _ in _DECIMALS)


def document(kind: str, body: Mapping[str, Any]) -> dict[str, Any]:
    """``body`` as a Hubtack JSON document of the given kind, with schema first and all figures plain."""
    return {"schema": SCHEMA, "kind": kind, **plain(body)}


def to_json(doc: Mapping[str, Any], *, indent: int | None = 2) -> str:
    """The document as JSON text; raises ValueError on NaN, which ``plain`` has removed."""
    return json.dumps(doc, ensure_ascii=True, allow_nan=False, indent=indent)
