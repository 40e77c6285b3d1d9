"""A snapshot as the JSON contract's ``watch`` document."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from hubtack.diagnosis.episode import Finding
from hubtack.json_out import document
from hubtack.knowledge.fix_types import FIX_TYPES
from hubtack.knowledge.reasons import BY_CODE, codes
from hubtack.safe import safe_text
from hubtack.session.snapshot import Snapshot


def watch_document(
    snap: Snapshot, finding_document: Callable[[Finding], Mapping[str, Any]], kind: str = "watch"
) -> dict[str, Any]:
    """The document of one moment; ``finding_document`` turns a finding into JSON with dates."""
    reasons = codes(snap.standing.bits)
    return document(
        kind,
        {
            "utc": snap.utc,
            "verdict": snap.standing.word,
            "verdict_since_utc": snap.verdict_since_utc,
            "reasons": reasons,
            "reason_texts": [BY_CODE[code].text for code in reasons],
            "next_step": snap.next_step,
            "clearance_m": snap.clearance_m(),
            "best_possible": {"verdict": snap.best_possible, "vertical_m": snap.best_vertical_95_m},
            "checked": None if snap.checked is None else {"utc": snap.checked[0], "up_m": snap.checked[1]},
            "fix_type": FIX_TYPES[snap.fix].key,
            "correction_age_s": snap.age_s,
            "baseline_m": snap.baseline_m,
            "baseline_bearing_deg": snap.baseline_bearing_deg,
            "up_from_base_m": snap.up_from_base_m,
            "heading_deg": snap.heading_deg,
            "heading_sigma_deg": snap.heading_sigma_deg,
            "heading_grid_deg": snap.heading_grid_deg(),
            "heading_effect_95_m": snap.heading_effect_95_m(),
            "edge_error_95_m": {"vertical": snap.edge_vertical_95_m, "horizontal": snap.edge_horizontal_95_m},
            "tolerance_95_m": {"vertical": snap.tolerance_vertical_95_m, "horizontal": snap.tolerance_horizontal_95_m},
            "job_class": snap.job_class,
            "satellites": _count(snap.satellites),
            "hdop": snap.hdop,
            "pdop": snap.pdop,
            "pdop_computed": snap.pdop_computed,
            "sky_sectors": list(snap.sectors),
            "base": {"id": snap.base_id, "distance_m": snap.baseline_m, "computed": snap.base_computed},
            "link": {
                "bits_per_s": snap.link.bits_per_s,
                "frames": snap.link.frames,
                "bad_crc": snap.link.bad_crc,
                "last_frame_age_s": snap.link.last_frame_age_s,
            },
            "source_troubles": {safe_text(role, 40): safe_text(text, 400) for role, text in snap.notices.items()},
            "findings": [finding_document(finding) for finding in snap.findings],
        },
    )


def _count(value: float) -> int | None:
    return None if math.isnan(value) else int(value)
