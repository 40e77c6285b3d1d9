"""What a live run keeps and is reminded of: the verdict log, the site's last base, the parked place, control checks.

All of it lies in one folder, beside the site file. Nothing here can stop a run: what cannot be read or written is
said once, and the run goes on without it.
"""

from __future__ import annotations

import argparse
import datetime as dt
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from hubtack.control.latest import all_checks, record_folder
from hubtack.control.record import paths_of
from hubtack.errors import HubtackError
from hubtack.knowledge.reasons import codes
from hubtack.live.last_base import BesideLast
from hubtack.live.memory import LastStand, Remembered, age_s, recall, remember, state_folder
from hubtack.live.opening import Opened
from hubtack.live.verdict_log import FILE_NAME, VerdictLog
from hubtack.session.session import Session
from hubtack.session.snapshot import Snapshot
from hubtack.site import Site

_CHECKS_EVERY_S = 5.0  # how soon a check made by another program counts here
_KEEP_EVERY_S = 60.0


@dataclass(slots=True)
class Keeper:
    """The keeper of one run. ``log`` is None where nothing is to be written down."""

    session: Session
    site: Site
    folder: Path
    log: VerdictLog | None
    remembers: bool
    mono: Callable[[], float] = time.monotonic
    utc: Callable[[], dt.datetime] = field(default=lambda: dt.datetime.now(dt.UTC))
    complaints: list[str] = field(default_factory=list)
    beside_last: BesideLast = field(default_factory=BesideLast)
    _checks_at_s: float = -math.inf
    _checks_seen: tuple[int, int] | None = None
    _kept_at_s: float | None = None

    def start(self) -> None:
        """Tell the session what is known from before."""
        self.session.checking.know((), expected=self.site.works_with_marks)
        known = recall(self.folder, self.site.machine.name) if self.remembers else Remembered()
        # Without a site file the folder is the user's, who may have come to another site: distance alone would lie.
        if known.base is not None and self.site.path is not None:
            self.session.link.known_arp_ecef_m = known.base.arp_ecef_m
            self.beside_last.last = known.base
        self._read_checks()
        now = self.utc()
        if known.stand is not None:
            apart_s = age_s(known.stand.utc, now)
            if apart_s > 0:
                self.session.rover.parked.before = (known.stand.stand(), apart_s)

    def look(self, snap: Snapshot) -> None:
        """Called whenever the state is shown."""
        now_s = self.mono()
        if self._base_changed() or now_s - self._checks_at_s >= _CHECKS_EVERY_S:
            self._read_checks()
        if self.log is not None:
            self.log.show(_as_shown(snap))
            self._complain(self.log.failed)
        if self._kept_at_s is None or now_s - self._kept_at_s >= _KEEP_EVERY_S:
            self._keep()

    def confirm(self, how: str) -> None:
        """A person confirms the base that is heard, and it is written down."""
        self.session.confirm()
        if self.log is not None:
            arp = self.session.link.arp_ecef_m
            self.log.note("base confirmed", how=how, base_id=self.session.base_id(), arp_ecef_m=arp)

    def end(self) -> None:
        """Keep the newest state."""
        self._base_changed()
        self._keep()

    def _base_changed(self) -> bool:
        """Another station ID or antenna than before is said; checks made on another antenna do not count any more."""
        # A log that is played again speaks of its own time, not of now.
        said = self.beside_last.look(self.session.link, self._now()) if self.remembers else []
        for sentence in said:
            self._complain(sentence)
            self._checks_seen = None  # to be read anew
            if self.log is not None:
                self.log.note("base changed", says=sentence)
        return bool(said)

    def _now(self) -> str:
        return self.utc().isoformat(timespec="seconds").replace("+00:00", "Z")

    def _read_checks(self) -> None:
        self._checks_at_s = self.mono()
        try:
            state = paths_of(self.folder)[0].stat()
        except OSError:
            return
        seen = (state.st_mtime_ns, state.st_size)
        if seen == self._checks_seen:
            return
        self._checks_seen = seen
        since = self.beside_last.antenna_since
        try:
            checks = all_checks(self.folder, machine=self.site.machine.name)
            self.session.checking.know([check for check in checks if since is None or check.at >= since])
        except HubtackError as err:
            self._complain(str(err))

    def _keep(self) -> None:
        self._kept_at_s = self.mono()
        if not self.remembers:
            return
        now, parked = self._now(), self.session.rover.parked
        base = self.beside_last.to_keep(self.session.link, now)
        last = None if parked.contradicts else parked.last()
        stand = None
        if last is not None:
            heading = None if math.isnan(last.heading_deg) else last.heading_deg
            stand = LastStand(last.ecef_m, heading, last.n, now)
        if base is not None or stand is not None:
            self._complain(remember(self.folder, self.site.machine.name, Remembered(base, stand)))

    def _complain(self, sentence: str | None) -> None:
        if sentence is not None and sentence not in self.complaints:
            self.complaints.append(sentence)


def keeper_for(args: argparse.Namespace, opened: Opened) -> Keeper:
    """The keeper of a run: of a live one with everything, of a log that is played with its control checks only."""
    site, live = opened.site, opened.is_live
    if live:
        where = state_folder(site)
    else:
        source = Path(args.source) if args.source else Path()
        where = record_folder(site.path, source if source.is_dir() else source.parent)
    path: Path | None = args.log
    if path is None and live and not args.no_log:
        path = where / FILE_NAME
        _make(where)
    writer = None if path is None or args.no_log else VerdictLog(path, site.sha256, site.machine.name)
    keeper = Keeper(opened.session, site, where, writer, remembers=live)
    keeper.start()
    if args.accept_base:
        keeper.confirm("option --accept-base")
    return keeper


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError:
        return  # the log's own first line will say why it cannot be written


def _as_shown(snap: Snapshot) -> dict[str, object]:
    """What the verdict log keeps of a screen."""
    return {
        "utc": snap.utc,
        "verdict": snap.standing.word,
        "reasons": codes(snap.standing.bits),
        "tolerance_95_m": {"vertical": snap.tolerance_vertical_95_m, "horizontal": snap.tolerance_horizontal_95_m},
        "clearance_m": snap.clearance_m(),
        "checked": None if snap.checked is None else {"utc": snap.checked[0], "up_m": _finite(snap.checked[1])},
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
