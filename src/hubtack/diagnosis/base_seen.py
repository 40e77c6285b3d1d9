"""What ``session.base_watch`` has measured of a base, in plain figures for the families."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class BaseMove:
    """A confirmed move of the base's antenna between two times on the axis; east, north, up and 1 sigma. [m]"""

    start_ns: int
    end_ns: int
    offset_enu_m: tuple[float, float, float]
    sigma_enu_m: tuple[float, float, float]
    satellites: int


@dataclass(frozen=True, slots=True)
class BaseSeen:
    """What the base's own observations say, in plain figures.

    ``misplaced`` None: it cannot be told, and ``says`` is why. ``checks`` are what to look at where it is wrong;
    ``figures`` are those of the comparison, units in the keys;
    ``likely`` is the likeliest mistake, or empty. ``moves_says`` tells which moves would be seen. ``lowest_deg`` is the
    elevation of the lowest satellite that the base hears, NaN where it is not known.
    """

    misplaced: bool | None = None
    says: str = ""
    next_step: str = ""
    checks: tuple[str, ...] = ()
    offset_enu_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    likely: str = ""
    figures: Mapping[str, Any] = field(default_factory=dict)
    moves: tuple[BaseMove, ...] = ()
    moves_says: str = ""
    lowest_deg: float = float("nan")
