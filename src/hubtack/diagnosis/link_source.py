"""What the source itself said: a caster's refusals and the drops on the way to it, with what they did."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from hubtack.diagnosis.episode import Episode, Severity
from hubtack.diagnosis.link_view import S_NS, LinkView

_SAME_NS = 2 * S_NS  # an outage is told by arrival, a gap by content: they agree within the epochs at both ends
Said = tuple[str, int, int | None, Mapping[str, Any]]


def source_family(view: LinkView) -> list[Episode]:
    """Episodes of what the reader of the corrections has said, those that are over included."""
    explains = _explains(view)
    return [episode for outage in _outages(view.source_codes) for episode in _of_outage(view, outage, explains)]


def _outages(said: tuple[Said, ...]) -> list[list[Said]]:
    """Reasons that follow each other without a byte between them belong to one outage."""
    found: list[list[Said]] = []
    for row in said:
        if found and found[-1][-1][2] == row[1]:
            found[-1].append(row)
        else:
            found.append([row])
    return found


def _of_outage(view: LinkView, outage: list[Said], explains: bool) -> list[Episode]:
    """One reason owns the outage: what is said now, since each try teaches more; afterwards what was said longest."""
    since_ns, until_ns = outage[0][1], outage[-1][2]
    if until_ns is None:
        owner = len(outage) - 1
    else:
        lengths_ns = [(until_ns if end is None else end) - start for _, start, end, _ in outage]
        owner = max(range(len(outage)), key=lengths_ns.__getitem__)
    hold_ns = view.lost_fix_ns(since_ns, until_ns)
    found = []
    for i, (code, start, end, figures) in enumerate(outage):
        owns = i == owner
        found.append(
            Episode(
                code,
                start,
                end,
                hold_ns=hold_ns if owns else 0,
                severity=_severity(view, since_ns, until_ns, hold_ns) if owns else "note",
                evidence=dict(figures),
                explains=explains or until_ns is None,
            )
        )
    return found


def _severity(view: LinkView, start_ns: int, end_ns: int | None, hold_ns: int) -> Severity | None:
    """As the table has it while it lasts; of what is over, by what it did."""
    if hold_ns:
        return "stop"
    if end_ns is None:
        return None
    noticed = end_ns - start_ns > view.limit("link_stalled_s") * S_NS and not view.well
    return "warn" if noticed else "note"


def _explains(view: LinkView) -> bool:
    """Whether at least half of the time without corrections lies in outages: a single drop is no cause of a bad radio."""
    if not view.source_codes:
        return False
    gaps = [(start, end) for start, end, _ in view.tally.gaps()]
    if view.tally.ledger.last_ns is not None:
        gaps.append((view.tally.ledger.last_ns, view.now_ns))
    start_ns, end_ns = np.array(gaps, dtype=np.int64).reshape(-1, 2).T
    inside = 0
    for _, since, until, _ in view.source_codes:
        until = view.now_ns if until is None else until
        shared = np.minimum(end_ns, until + _SAME_NS) - np.maximum(start_ns, since - _SAME_NS)
        inside += int(np.maximum(shared, 0).sum())
    return inside > 0 and 2 * inside >= int((end_ns - start_ns).sum())
