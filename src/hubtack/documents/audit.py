"""An audited session as the JSON contract's ``audit`` document."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import IO, Any

import numpy as np

from hubtack.engine.quantities import best_possible
from hubtack.json_out import document, to_json
from hubtack.logs.discover import SessionFiles, SkippedFile
from hubtack.safe import safe_text
from hubtack.session.session import Session

_HEADING_SOURCES: Mapping[int, str | None] = {0: None, 1: "HDT", 2: "THS", 3: "positions"}


def session_document(
    session: Session,
    files: SessionFiles,
    findings: Iterable[Mapping[str, Any]],
    link: Mapping[str, Any] | None,
    machine: str | None,
) -> dict[str, Any]:
    """One row of the audit: everything a closed session adds up to."""
    tally = session.rover.tally
    setup = session.setup
    baseline_median_m = tally.baseline.quantile(0.5)
    best, best_m = best_possible(setup, baseline_median_m)
    start_ns, end_ns = session.first_ns(), session.last_ns()
    sentences: dict[str, int] = {}
    for source in session.sources.values():
        for formatter, n in source.sentences.items():
            sentences[formatter] = sentences.get(formatter, 0) + n
    total = {
        name: sum(getattr(source, name) for source in session.sources.values())
        for name in ("bad_checksums", "frames", "bad_crc", "other_bytes")
    }
    first_fixed_s = (
        math.nan if tally.first_fixed_run_ns is None else (tally.first_fixed_run_ns - tally.run_first_ns) / 1e9
    )
    return {
        "name": safe_text(files.name),
        "machine": None if machine is None else safe_text(machine),
        "files": [safe_text(str(path)) for path in files.paths],
        "start_utc": session.axis.utc_iso(start_ns) if start_ns is not None else None,
        "end_utc": session.axis.utc_iso(end_ns) if end_ns is not None else None,
        "time_basis": session.axis.time_basis,
        "duration_s": tally.duration_s(),
        "epochs": tally.epochs,
        "interval_s": tally.interval_s(),
        "sentences": dict(sorted(sentences.items())),
        **total,
        "fix_seconds": tally.fix_seconds(),
        "fix_losses": tally.fix_losses,
        "time_to_first_fixed_s": first_fixed_s,
        "correction_age_s": {
            "median": tally.age.quantile(0.5),
            "p95": tally.age.quantile(0.95),
            "max": tally.age.largest(),
        },
        "baseline_m": {"median": baseline_median_m, "max": tally.baseline.largest()},
        "satellites": {"median": tally.satellites.quantile(0.5), "min": tally.satellites.smallest()},
        "hdop": {"median": tally.hdop.quantile(0.5), "max": tally.hdop.largest()},
        "dop_computed": _dop_computed(session),
        "high_cn0_dbhz": _high_cn0_dbhz(session),
        "heading": {
            "epochs": tally.heading_epochs,
            "source": _HEADING_SOURCES[tally.heading_source],
            "separation_m": setup.pair_separation_m,
            "sigma_deg": tally.heading_sigma_deg,
        },
        "edge_error_95_m": {
            "vertical_median": tally.edge_vertical.quantile(0.5),
            "vertical_p95": tally.edge_vertical.quantile(0.95),
            "horizontal_median": tally.edge_horizontal.quantile(0.5),
            "horizontal_p95": tally.edge_horizontal.quantile(0.95),
            "epochs": tally.edge_vertical.total,
        },
        "tolerance_95_m": {
            "vertical": setup.tolerance_vertical_95_m,
            "horizontal": setup.tolerance_horizontal_95_m,
        },
        "verdict_seconds": tally.verdict_seconds(),
        "workable": tally.workable(),
        "best_possible": {
            "verdict": best,
            "vertical_m": best_m,
        },
        "working_s": tally.working_ms / 1000.0,
        "lost_working_s": tally.lost_working_ms / 1000.0,
        "findings": list(findings),
        **({"link": link} if link is not None else {}),
    }


def _high_cn0_dbhz(session: Session) -> float:
    """Signal strength of the rover's high satellites in the middle of the session; NaN without GSV. [dB-Hz]"""
    _, _, strength = session.rover_sky.sectors.table()
    known = strength[~np.isnan(strength)]
    return round(float(np.median(known)), 2) if len(known) else math.nan


def _dop_computed(session: Session) -> dict[str, float]:
    """DOP of the satellites used, one clock a constellation, once a minute; beside the receiver's own."""
    _, pdop, hdop = session.rover_sky.geometry.table(session.rover_sky.used)
    known = pdop[~np.isnan(pdop)]
    if not len(known):
        return {"pdop_median": math.nan, "pdop_max": math.nan, "hdop_median": math.nan}
    return {
        "pdop_median": round(float(np.median(known)), 2),
        "pdop_max": round(float(known.max()), 2),
        "hdop_median": round(float(np.nanmedian(hdop)), 2),
    }


def audit_document(
    sessions: Sequence[Mapping[str, Any]], skipped: Iterable[SkippedFile], notices: Iterable[str] = ()
) -> dict[str, Any]:
    """The whole audit."""
    return document(
        "audit",
        {
            "sessions": sessions,
            "skipped_files": [
                {"file": safe_text(str(s.path)), "offset": s.offset, "reason": safe_text(s.reason)} for s in skipped
            ],
            "notices": [safe_text(notice, 400) for notice in notices],
        },
    )


def write_audit_json(
    out: IO[str], sessions: Iterable[Mapping[str, Any]], skipped: Iterable[SkippedFile], notices: Iterable[str] = ()
) -> None:
    """The whole audit as JSON text, one session in memory at a time; ``sessions`` are plain already."""
    head, _, tail = to_json(audit_document([], skipped, notices)).partition('"sessions": []')
    out.write(head + '"sessions": [')
    first = True
    for session in sessions:
        text = to_json(session).replace("\n", "\n    ")
        out.write(("\n    " if first else ",\n    ") + text)
        first = False
    out.write(("]" if first else "\n  ]") + tail + "\n")
