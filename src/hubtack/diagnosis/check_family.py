"""``not_checked``: the machine works on a site with control marks, and no passed check counts any more."""

from __future__ import annotations

from hubtack.control.latest import LatestCheck
from hubtack.diagnosis.episode import Episode


def check_episodes(
    *, expected: bool, checked: bool, newest: LatestCheck | None, start_ns: int | None, require: bool
) -> list[Episode]:
    """One episode while no check counts; a site without marks and without a record is not told of it in every log."""
    if not expected or checked or start_ns is None:
        return []
    why = "none on record"
    if newest is not None:
        why = f"the last, at {newest.point}, failed" if not newest.passed else "it is too old, or the base has changed"
    evidence = {"last_utc": newest.utc if newest is not None else None, "why": why}
    return [Episode("not_checked", start_ns, None, severity="warn" if require else "note", evidence=evidence)]
