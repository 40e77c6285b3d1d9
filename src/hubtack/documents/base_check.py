"""The base's own evidence of where it is, as the ``base_check`` of a ``link`` document."""

from __future__ import annotations

from typing import Any

from hubtack.diagnosis.base_seen import BaseSeen
from hubtack.engine.axis import SessionAxis
from hubtack.safe import safe_text


def base_check(seen: BaseSeen, axis: SessionAxis) -> dict[str, Any]:
    """``misplaced`` is null where it cannot be told; ``says`` is then why, and ``next_step`` what would help.

    Offsets are broadcast less measured [m]; ``moves`` are confirmed moves of the antenna.
    """
    return {
        "misplaced": seen.misplaced,
        "says": safe_text(seen.says, 600),
        "next_step": safe_text(seen.next_step, 300),
        "likely": safe_text(seen.likely, 200),
        "checks": [safe_text(check, 300) for check in seen.checks],
        **seen.figures,
        "moves": [
            {
                "start_utc": axis.utc_iso(move.start_ns),
                "end_utc": axis.utc_iso(move.end_ns),
                "east_m": move.offset_enu_m[0],
                "north_m": move.offset_enu_m[1],
                "up_m": move.offset_enu_m[2],
                "satellites": move.satellites,
            }
            for move in seen.moves
        ],
        "moves_says": seen.moves_says,
    }
