"""A caster's mount points as the JSON contract's ``mounts`` document, and as plain columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from hubtack.json_out import document
from hubtack.knowledge.mount_words import NOTES, REASONS
from hubtack.ntrip.causes import Cause
from hubtack.ntrip.fitness import Fitness
from hubtack.ntrip.sourcetable import SourceTable


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
