"""A caster's mount points as rows for a terminal, and rows as plain columns for a pipe."""

from __future__ import annotations

from collections.abc import Sequence

from hubtack.knowledge.mount_words import NOTES, REASONS
from hubtack.ntrip.fitness import Fitness
from hubtack.safe import safe_text

_SHORT = {"GLONASS": "GLO", "Galileo": "GAL", "BeiDou": "BDS", "QZSS": "QZS"}
COLUMNS = ("mount point", "use", "distance", "adds", "systems", "format", "why, or what to know", "identifier")


def mount_rows(judged: Sequence[Fitness], vertical_ppm: float) -> list[tuple[str, ...]]:
    """One row of ``COLUMNS`` for each mount point, all text made safe.

    ``adds`` is what the distance costs in height: 1 sigma, ppm times distance.
    """
    rows: list[tuple[str, ...]] = []
    for fitness in judged:
        mount = fitness.mount
        distance = adds = "-"
        if fitness.distance_m is not None:
            km = fitness.distance_m / 1000.0
            distance = f"{km:.1f} km" if km < 100 else f"{km:.0f} km"
            if mount.network_solution:
                distance = "~" + distance
            else:
                adds = f"+{fitness.distance_m * vertical_ppm * 1e-3:.0f} mm"
        texts = [REASONS[code] for code in fitness.reasons] or [NOTES[code] for code in fitness.notes]
        rows.append(
            (
                safe_text(mount.mount, 100),
                "yes" if fitness.usable else "no",
                distance,
                adds,
                "+".join(_SHORT.get(name, name) for name in mount.systems) or "?",
                safe_text(mount.format, 24) or "?",
                "; ".join(texts) or "-",
                safe_text(mount.identifier, 40) or "-",
            )
        )
    return rows


def plain_columns(rows: Sequence[tuple[str, ...]], head: Sequence[str] = COLUMNS) -> list[str]:
    """Rows as lines of padded columns, two blanks apart, for a pipe."""
    table = [tuple(head), *rows]
    widths = [max(len(row[i]) for row in table) for i in range(len(head))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in table]
