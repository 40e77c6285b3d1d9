"""A finding as the JSON contract has it: times with dates, evidence in figures."""

from __future__ import annotations

from typing import Any

from hubtack.diagnosis.episode import Finding
from hubtack.engine.axis import SessionAxis
from hubtack.safe import safe_text


def finding_document(finding: Finding, axis: SessionAxis) -> dict[str, Any]:
    """``finding`` with its times on the calendar of ``axis`` (null while no date is known)."""
    evidence = {key: _evidence(value, axis) for key, value in finding.evidence.items()}
    return {
        "code": finding.code,
        "severity": finding.severity,
        "start_utc": axis.utc_iso(finding.start_ns),
        "end_utc": axis.utc_iso(finding.end_ns),
        "summary": safe_text(finding.summary, 400),
        "evidence": evidence,
        "next_steps": [safe_text(step, 400) for step in finding.next_steps],
        "open_at_end": finding.open_at_end,
        "hold_s": finding.hold_ns / 1e9,
    }


def _evidence(value: Any, axis: SessionAxis) -> Any:
    if isinstance(value, dict):
        out: dict[str, Any] = {}
        for key, item in value.items():
            if key in ("start_ns", "end_ns"):
                out[key.replace("_ns", "_utc")] = axis.utc_iso(item)
            else:
                out[str(key)] = _evidence(item, axis)
        return out
    if isinstance(value, list | tuple):
        return [_evidence(item, axis) for item in value]
    return safe_text(value, 400) if isinstance(value, str) else value
