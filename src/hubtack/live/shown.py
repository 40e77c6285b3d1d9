"""What a live command shows of a session: findings once a second, the newest row, and the two as a document."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from hubtack.diagnosis.episode import Finding
from hubtack.documents.finding import finding_document
from hubtack.documents.watch import watch_document
from hubtack.engine.rover import JudgedRows
from hubtack.live.sky_strip import SkyStrip
from hubtack.session.session import Session
from hubtack.session.snapshot import Snapshot
from hubtack.session.snapshots import newest, shown_as

FINDINGS_EVERY_NS = 1_000_000_000


@dataclass(slots=True)
class Shown:
    """The state of a session as it was shown last. ``rows`` is the block whose last row that was."""

    session: Session
    every_ns: int = FINDINGS_EVERY_NS
    findings: tuple[Finding, ...] = ()
    found_at_ns: int | None = None
    sky: SkyStrip | None = None
    rows: JudgedRows | None = None
    _told: dict[int, tuple[Finding, Mapping[str, Any]]] = field(default_factory=dict)
    _told_day0: int | None = None

    def due(self, elapsed_ns: int) -> bool:
        """Whether the findings at hand are older than ``every_ns`` of content."""
        if self.found_at_ns is None:
            return True
        return not 0 <= self.session.now_ns(elapsed_ns) - self.found_at_ns < self.every_ns

    def renewed(self, elapsed_ns: int) -> tuple[Finding, ...]:
        """Findings, worked out anew where they are due."""
        if self.due(elapsed_ns):
            self.findings = tuple(self.session.findings(elapsed_ns))
            self.found_at_ns = self.session.now_ns(elapsed_ns)
        return self.findings

    def current(self, elapsed_ns: int, partial: bool, *, renew: bool = True) -> Snapshot:
        """The newest snapshot; without ``renew`` with the findings at hand, which is sooner."""
        if renew or self.found_at_ns is None:
            self.renewed(elapsed_ns)
        session = self.session
        self.rows, standing = newest(session, elapsed_ns, allow_partial=partial)
        snap = shown_as(session, self.rows, standing, elapsed_ns, self.findings, session.link_line(elapsed_ns))
        return snap if self.sky is None else dataclasses.replace(snap, sky=self.sky.line(session))

    def document(self, snap: Snapshot) -> dict[str, Any]:
        """The snapshot as JSON."""
        return watch_document(snap, self._finding)

    def _finding(self, finding: Finding) -> Mapping[str, Any]:
        """A finding is told twenty times before it is worked out anew: its document is made once."""
        day0 = self.session.axis.day0
        if day0 != self._told_day0 or len(self._told) > 200:
            self._told, self._told_day0 = {}, day0
        known = self._told.get(id(finding))
        if known is None or known[0] is not finding:
            known = self._told[id(finding)] = finding, finding_document(finding, self.session.axis)
        return known[1]
