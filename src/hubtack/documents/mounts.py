"""A caster's mount points as the JSON contract's ``mounts`` document, and as plain columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from hubtack.documents.json_out import document
from hubtack.ntrip.causes import Cause
from hubtack.ntrip.fitness import NOTES, REASONS, Fitness
from hubtack.ntrip.sourcetable import SourceTable
from hubtack.safe import safe_text


def mounts_document(
    caster: str, table: SourceTable | None, judged: Sequence[Fitness], findings: Sequence[Mapping[str, Any]] = ()
) -> dict[str, Any]:
    """The document; ``table`` None where the caster gave none, and ``findings`` say why."""
    return document(
        "mounts",
        {
            "caster": caster,
            "mounts": [_mount(fitness) for fitness in judged],
            "casters": [
                {
                    "host": c.host,
                    "port": c.port,
                    "identifier": c.identifier,
                    "operator": c.operator,
                    "country": c.country,
                }
                for c in (table.casters if table is not None else ())
            ],
            "networks": [
                {
                    "identifier": n.identifier,
                    "operator": n.operator,
                    "fee": n.fee,
                    "web": n.web,
                    "registration": n.registration,
                }
                for n in (table.networks if table is not None else ())
            ],
            "skipped_records": table.skipped if table is not None else 0,
            "complete": table.complete if table is not None else False,
            "findings": list(findings),
        },
    )


def _mount(fitness: Fitness) -> dict[str, Any]:
    mount = fitness.mount
    return {
        "mount": mount.mount,
        "identifier": mount.identifier,
        "format": mount.format,
        "messages": [{"type": int(kind) if kind.isdigit() else kind, "interval_s": s} for kind, s in mount.messages],
        "systems": list(mount.systems),
        "network": mount.network,
        "country": mount.country,
        "latitude_deg": mount.lat_deg,
        "longitude_deg": mount.lon_deg,
        "distance_m": fitness.distance_m,
        "needs_position": mount.needs_position,
        "network_solution": mount.network_solution,
        "authentication": mount.authentication or None,
        "fee": mount.fee,
        "bits_per_s": mount.bits_per_s,
        "usable": fitness.usable,
        "reasons": list(fitness.reasons),
        "reason_texts": [REASONS[code] for code in fitness.reasons],
        "notes": list(fitness.notes),
        "note_texts": [NOTES[code] for code in fitness.notes],
        "oddities": list(mount.oddities),
    }


def caster_finding(cause: Cause, message: str) -> dict[str, Any]:
    """A finding on the caster, without a session around it: no times and no episodes."""
    return {
        "code": cause.code,
        "severity": "stop",
        "start_utc": None,
        "end_utc": None,
        "summary": message,
        "evidence": {
            "count": 1,
            "total_s": None,
            "longest_s": None,
            "episodes": [],
            "consequences": [],
            "cause": cause.key,
        },
        "next_steps": list(cause.next_steps),
        "open_at_end": True,
        "hold_s": 0.0,
    }


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


_SHORT = {"GLONASS": "GLO", "Galileo": "GAL", "BeiDou": "BDS", "QZSS": "QZS"}


def plain_columns(rows: Sequence[tuple[str, ...]], head: Sequence[str] = COLUMNS) -> list[str]:
    """Rows as lines of padded columns, two blanks apart, for a pipe."""
    table = [tuple(head), *rows]
    widths = [max(len(row[i]) for row in table) for i in range(len(head))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in table]
