"""Why a base's position cannot be told: each case with its reason and what would help."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class CannotTell:
    """Why there is no answer: a code (``no_position``, ``no_ephemerides``, ...), a sentence, and what would help."""

    code: str
    reason: str
    next_step: str


def contradiction(scale: float) -> CannotTell:
    """Ranges and ephemerides do not belong together; ``scale`` is how many times too large the residuals are."""
    return CannotTell(
        "contradiction",
        "pseudoranges and ephemerides of the stream contradict each other (their spread is "
        f"{scale:.0f} times what it should be)",
        "look whether the ephemerides are this base's own",
    )


def why_no_position(*, saw_cells: bool, saw_ranges: bool, ephemerides: int) -> CannotTell:
    """Why there is no solution yet, by what has come: observations, whole ranges, satellites with ephemerides."""
    if not saw_cells:
        return CannotTell("no_observations", "no observations have arrived", "wait for the base's observations")
    if not saw_ranges:
        return CannotTell(
            "no_ranges",
            "the stream carries no full pseudoranges (MSM1 to MSM3 leave out the whole milliseconds)",
            "set the base to MSM4, MSM5 or MSM7, or to 1004 and 1012",
        )
    if ephemerides < 5:
        has = f"ephemerides of only {ephemerides} satellites" if ephemerides else "no ephemerides"
        return CannotTell(
            "no_ephemerides",
            f"the stream carries {has}; the base's position cannot be worked out from it",
            "switch on 1019, 1020, 1042 and 1046 at the base, or give a RINEX navigation file",
        )
    return CannotTell(
        "too_few_satellites",
        f"ephemerides of {ephemerides} satellites have come, but too few of them have pseudoranges at the same time (at "
        "least five, with two or more of each constellation that counts)",
        "listen longer, or look at the base's sky",
    )
