"""``overnight_shift``: parked overnight, and the first fixed position differs from the last."""

from __future__ import annotations

from hubtack.diagnosis.episode import Episode
from hubtack.engine.parked import Parked, Shift


def overnight_episodes(parked: Parked, now_ns: int) -> list[Episode]:
    """An episode for each shift; the newest goes on for as long as nobody has confirmed the position."""
    last = len(parked.shifts) - 1
    return [
        Episode(
            "overnight_shift",
            shift.after.time_ns,
            None if i == last and parked.contradicts else shift.after.time_ns,
            hold_ns=max(0, now_ns - shift.after.time_ns) if i == last and parked.contradicts else 0,
            severity="stop",
            evidence=shift_figures(shift),
        )
        for i, shift in enumerate(parked.shifts)
    ]


def shift_figures(shift: Shift) -> dict[str, object]:
    """The figures of a shift; the same vector on two machines is the base, so the vector is told, not its length only."""
    east_m, north_m, up_m = shift.enu_m
    return {
        "shift_m": round(shift.length_m, 3),
        "east_m": round(east_m, 3),
        "north_m": round(north_m, 3),
        "up_m": round(up_m, 3),
        "allowed_horizontal_m": round(shift.allowed_horizontal_m, 3),
        "allowed_vertical_m": round(shift.allowed_vertical_m, 3),
        "hours_apart": round(shift.apart_s / 3600.0, 1),
    }
