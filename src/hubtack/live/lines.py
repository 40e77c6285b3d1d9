"""``watch --json``: one line an epoch when it is ready, one when silence changes the verdict, at least one a second."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field

from hubtack.diagnosis.episode import Finding
from hubtack.engine.judge import HOLD, Judged, Standing
from hubtack.engine.rover import JudgedRows
from hubtack.live.keeping import Keeper
from hubtack.live.shown import Shown
from hubtack.session.snapshot import Snapshot
from hubtack.session.snapshots import of_row, row_standings

_AT_LEAST_EVERY_S = 1.0
_OF_A_NEW_ROW_NS = 300_000_000  # so soon after the newest row a look shows the row itself
_KEPT = 8  # newest lines that may still be replaced


@dataclass(slots=True)
class Lines:
    """Lines as they are written. A line with the ``utc`` of an earlier one replaces it.

    A live row has its line when it is looked at, which is as soon as its last byte has come; when it closes it has
    another only if it was judged otherwise then.
    """

    shown: Shown
    write: Callable[[str], None]
    keeper: Keeper
    last: Standing | None = None  # of the line written last
    last_at_s: float = 0.0
    _written: dict[int, tuple[str, Judged | None]] = field(default_factory=dict)
    _closed: tuple[int, int] | None = None  # verdict of the newest closed row, and since when

    def rows(self, rows: JudgedRows) -> None:
        """Closed rows."""
        n = len(rows.epochs)
        if not n:
            return
        verdict, since_ns = self._closed or (HOLD, int(rows.epochs.time_ns[0]))
        standings = row_standings(since_ns, verdict, rows)
        self._closed = standings[-1].verdict, standings[-1].since_ns
        if n == 1 and self._judged(int(rows.epochs.time_ns[0])) is rows.judged:
            return  # the line it has says so already
        session = self.shown.session
        for i, standing in enumerate(standings):
            findings = self.shown.findings if i < n - 1 else self.shown.renewed(0)
            snap = of_row(session, rows, i, standing, 0, findings, session.link_line(0))
            self.emit(int(rows.epochs.time_ns[i]), snap, rows.judged if n == 1 else None)
            self.last = standing

    def look(self, elapsed_ns: int, partial: bool, now_s: float) -> None:
        """A live source, now. The findings come after the line, since the verdict must not wait for them."""
        at_ns = 0 if elapsed_ns < _OF_A_NEW_ROW_NS else elapsed_ns
        snap = self.shown.current(at_ns, partial, renew=False)
        rows = self.shown.rows
        judged = rows.judged if rows is not None and not at_ns else None
        news = judged is not None and self._judged(snap.time_ns) is not judged
        if news or self._changed(snap) or now_s - self.last_at_s >= _AT_LEAST_EVERY_S:
            self.emit(snap.time_ns, snap, judged, beat=now_s - self.last_at_s >= _AT_LEAST_EVERY_S)
            self.last, self.last_at_s = snap.standing, now_s
        if self.shown.due(elapsed_ns):
            before = _marks(self.shown.findings)
            if _marks(self.shown.renewed(elapsed_ns)) != before:
                self.emit(snap.time_ns, self.shown.current(at_ns, partial, renew=False), judged)

    def emit(self, time_ns: int, snap: Snapshot, judged: Judged | None, *, beat: bool = False) -> None:
        """Write a line, unless the one of this moment says the same and no sign of life is due (``beat``)."""
        text = json.dumps(self.shown.document(snap), allow_nan=False)
        known = self._written.get(time_ns)
        # Told without a date it is told again, for it says null where it could say when.
        self._written[time_ns] = text, judged if snap.utc is not None else None
        if beat or known is None or known[0] != text:
            self.keeper.look(snap)
            while len(self._written) > _KEPT:
                self._written.pop(next(iter(self._written)))
            self.write(text)

    def _changed(self, snap: Snapshot) -> bool:
        return self.last is None or snap.standing.verdict != self.last.verdict

    def _judged(self, time_ns: int) -> Judged | None:
        """What the line of that moment was made from."""
        return self._written.get(time_ns, ("", None))[1]


def _marks(findings: tuple[Finding, ...]) -> tuple[tuple[str, str, bool], ...]:
    """What a reader must hear of at once; figures that only go on can wait for the next line."""
    return tuple((finding.code, finding.severity, finding.open_at_end) for finding in findings)
