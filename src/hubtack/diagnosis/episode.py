"""What the evidence stage hands to the diagnosis: episodes; and what the diagnosis hands out: findings.

Times are on the session's axis: nanoseconds since the midnight (UTC) before the session's first timed datum. The
calendar date is an offset that is applied when a document is made, so a date learnt late changes nothing here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

Severity = Literal["stop", "warn", "note"]
SEVERITY_ORDER: Mapping[str, int] = {"stop": 0, "warn": 1, "note": 2}


@dataclass(frozen=True, slots=True)
class Episode:
    """One stretch of time in which one code held for one subject (a station, a source, "" for the session).

    ``end_ns`` is None while it goes on. ``hold_ns`` is the part of it in which the verdict was HOLD for a reason
    that this code owns. ``evidence`` has the figures of this stretch, keys with units. An episode that does not
    ``explain`` is too slight to be the cause of another: nothing is folded into it. One that ``stands_alone`` has
    proof of its own of what it is, and is nobody's effect.
    """

    code: str
    start_ns: int
    end_ns: int | None
    subject: str = ""
    hold_ns: int = 0
    severity: Severity | None = None  # None: the floor of the findings table
    evidence: Mapping[str, Any] = field(default_factory=dict)
    explains: bool = True
    stands_alone: bool = False


@dataclass(frozen=True, slots=True)
class Finding:
    """One code and subject of a session with all its episodes, as the JSON contract has it.

    ``evidence`` holds count, total_s, longest_s, episodes and consequences beside the code's own figures.
    """

    code: str
    severity: Severity
    start_ns: int | None
    end_ns: int | None
    summary: str
    evidence: Mapping[str, Any]
    next_steps: tuple[str, ...]
    subject: str = ""
    open_at_end: bool = False
    hold_ns: int = 0
