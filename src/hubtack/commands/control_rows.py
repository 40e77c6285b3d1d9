"""From sources to the rows of an occupation: a log through the audit's driver, a live source through the live one.

The same session and engine as watch and audit use; what is kept are the columns a check needs and the stream's own
messages on datum and projection.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from hubtack.capture.reading import is_capture
from hubtack.control.mean import occupation_mean
from hubtack.control.occupation import OccupationRows, choose_stretch, standing_stretches
from hubtack.control.stream_crs import DatumMessage, KeepingDecoder, messages_of
from hubtack.engine.rover import JudgedRows
from hubtack.errors import LogFormatError, SourceError, UsageError
from hubtack.knowledge.control_limits import CONTROL_BY_KEY
from hubtack.knowledge.control_words import ENDED
from hubtack.live.opening import find_site, open_sources
from hubtack.live.run import LiveRun
from hubtack.logs.discover import SessionFiles, discover
from hubtack.logs.drive import run_files, session_for
from hubtack.readers.hub import Hub
from hubtack.readers.urls import parse_source
from hubtack.safe import safe_text
from hubtack.session.session import Session
from hubtack.site import Site

LISTEN_S = CONTROL_BY_KEY["listen_s"]
LOOK_S = 1.0
GIVE_UP_S = CONTROL_BY_KEY["give_up_s"]


@dataclass(slots=True)
class Gathered:
    """What came of the sources: all rover rows, the session they went through, and what to call it all."""

    session: Session
    site: Site
    source: str
    is_live: bool
    parts: list[OccupationRows] = field(default_factory=list)
    kept: dict[int, bytes] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    ended_why: str = ""

    def take(self, rows: JudgedRows) -> None:
        """Add a block of committed rows."""
        if len(rows.epochs):
            self.parts.append(OccupationRows.of(rows))

    def rows(self) -> OccupationRows:
        """All rows so far."""
        if len(self.parts) > 1:
            self.parts = [OccupationRows.concat(self.parts)]
        return OccupationRows.concat(self.parts)

    def keep_datum_messages(self) -> None:
        """Have the stream's decoder keep what it says of its coordinate system; before the first byte only."""
        self.session.expect(self.session.link_role)
        self.session.sources[self.session.link_role].decoder = KeepingDecoder(self.kept)

    def stream_messages(self) -> tuple[DatumMessage, ...]:
        """What the stream says of its coordinate system."""
        return tuple(messages_of(self.kept))


def site_of(args: argparse.Namespace) -> Site:
    """The site file that is named, or lies beside the log."""
    return find_site(args.site, args.source)


def gather(args: argparse.Namespace, site: Site, place: tuple[float, float] | None) -> Gathered:
    """Run the sources that the command line or the site file names to their end, or until the mean is stable.

    ``place``: latitude and longitude of the mark, for a live run to know which stretch is on it. [deg]

    Raises
    ------
    UsageError, SourceError, LogFormatError
        As ``open_sources``; a source that is refused while live is in ``refused``.
    """
    if args.source is not None and not any((args.rover, args.corrections, args.second_antenna)) and args.speed == 0:
        spec = parse_source(args.source)
        if spec.kind == "file" and not is_capture(Path(spec.path)):
            return _log(Path(spec.path), site)
    return _live(args, place)


def _log(path: Path, site: Site) -> Gathered:
    files = one_session(path)
    gathered = Gathered(session_for(files, site), site, str(path), False)
    gathered.keep_datum_messages()
    if not files.rover:
        raise UsageError(
            f"{safe_text(str(path))} holds corrections only; a check needs the rover's log (NMEA sentences with GGA)"
        )
    try:
        run_files(gathered.session, files, gathered.take, _progress(files))
    except SourceError as err:
        if not gathered.parts:
            raise
        gathered.warnings.append(f"{err}; what was read before it is used")
        gathered.take(gathered.session.close())
    return gathered


def one_session(path: Path) -> SessionFiles:
    """The one session that a file or folder holds.

    Raises
    ------
    LogFormatError, UsageError
        If it holds none, or several.
    """
    found = discover([path])
    if not found.sessions:
        skipped = found.skipped[0] if found.skipped else None
        raise LogFormatError(
            f"{safe_text(str(skipped.path))}: {skipped.reason}"
            if skipped
            else f"{safe_text(str(path))}: holds no log; expected NMEA or RTCM 3 files"
        )
    rovers = [s for s in found.sessions if s.rover]
    if len(found.sessions) > 1 and len(rovers) != 1:
        names = ", ".join(safe_text(s.name, 40) for s in found.sessions[:4])
        raise UsageError(f"{safe_text(str(path))} holds {len(found.sessions)} sessions ({names} ...); name one of them")
    return rovers[0] if rovers else found.sessions[0]


def _live(args: argparse.Namespace, place: tuple[float, float] | None) -> Gathered:
    opened = open_sources(args)
    named = [args.source, args.rover, args.corrections]
    source = ", ".join(safe_text(parse_source(n).label, 100) for n in named if n) or "the sources of the site file"
    gathered = Gathered(opened.session, opened.site, source, opened.is_live, warnings=list(opened.warnings))
    gathered.keep_datum_messages()
    watcher = _Occupying(gathered, place, args.for_s, live=opened.is_live)
    with Hub(opened.readers) as hub:
        run = LiveRun(
            opened.session, hub, gathered.take, watcher.look,
            for_s=LISTEN_S if args.for_s is None and opened.is_live else args.for_s if opened.is_live else None,
            time_scale=1.0 if opened.is_live else args.speed,
        )  # fmt: skip
        try:
            run.loop()
        except KeyboardInterrupt:  # whoever stands on the mark may end it: what was taken till then is the answer
            watcher.why = ENDED["by_hand"]
    watcher.clear()
    gathered.take(opened.session.close())
    gathered.refused = run.troubles()
    gathered.ended_why = watcher.why or ENDED["time_given" if opened.is_live else "log"]
    session = opened.session
    if opened.is_live and session.axis.day0 is None and session.last_arrival_utc_ns is not None:
        _date_by_arrival(session)
    return gathered


def _date_by_arrival(session: Session) -> None:
    """Sentences without a date, live: the day on which this computer received them, near midnight the nearest."""
    last_ns = session.last_ns()
    if last_ns is None or session.last_arrival_utc_ns is None:
        return
    day_ns = 86_400_000_000_000
    day = round((session.last_arrival_utc_ns - last_ns % day_ns) / day_ns)
    session.axis.learn_date(day, last_ns - last_ns % day_ns, "arrival")


@dataclass(slots=True)
class _Occupying:
    """Looks at a live occupation once a second, and ends it when its mean is stable or long enough."""

    gathered: Gathered
    place: tuple[float, float] | None
    for_s: float | None
    live: bool
    why: str = ""
    looked_s: float = float("-inf")
    lines: bool = False
    began_s: float | None = None

    def look(self, elapsed_ns: int, partial: bool) -> bool:
        now_s = time.monotonic()
        if not self.live or now_s - self.looked_s < LOOK_S:
            return True
        self.looked_s = now_s
        rows = self.gathered.rows()
        text, self.why = occupation_state(rows, self.place)
        self.began_s = now_s if self.began_s is None else self.began_s
        bad = list(self.gathered.session.notices().values())
        if bad and not len(rows):
            text = bad[0]
            if now_s - self.began_s > GIVE_UP_S:
                return False
        if sys.stderr.isatty():
            print(f"\r\x1b[K{safe_text(text, 78)}", end="", file=sys.stderr, flush=True)
            self.lines = True
        if self.for_s is not None:  # a set time was asked for
            self.why = ""
        return not self.why

    def clear(self) -> None:
        if self.lines:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def occupation_state(rows: OccupationRows, place: tuple[float, float] | None) -> tuple[str, str]:
    """One line on how a running occupation stands, and why it may end now ("" while it may not)."""
    fixed = rows.fixed()
    if not len(rows):
        return "waiting for the rover", ""
    stretch = choose_stretch(standing_stretches(fixed, place)) if len(fixed) else None
    if stretch is None or int(rows.time_ns[-1]) - int(fixed.time_ns[-1]) > CONTROL_BY_KEY["no_fix_s"] * 1e9:
        return "no RTK fix now: wait", ""
    part = fixed.take(slice(stretch.start, stretch.end))
    mean = occupation_mean(part.enu_m(stretch.latitude_deg, stretch.longitude_deg), part.time_ns, np.zeros(3))
    sigma = mean.mean_sigma_m
    far = "" if np.isnan(stretch.distance_m) or stretch.distance_m < 1.0 else f", {stretch.distance_m:,.0f} m off"
    text = (
        f"{mean.used} of {mean.epochs} epochs in {mean.duration_s:.0f} s{far}; mean to "
        f"{1000 * float(np.fmax(sigma[0], sigma[1])):.1f} mm, up {1000 * float(sigma[2]):.1f} mm (keep still)"
    )
    limit = CONTROL_BY_KEY["stable_m"]
    stable = bool((sigma[:2] < limit).all()) and not sigma[2] >= 2 * limit
    if mean.duration_s >= CONTROL_BY_KEY["live_most_s"]:
        return text, ENDED["longest"]
    if stable and mean.duration_s >= CONTROL_BY_KEY["live_least_s"]:
        return text, ENDED["stable"]
    return text, ""


def given_date(text: str, session: Session) -> None:
    """Apply ``--date``: the UTC day of the first datum, where the log has none of its own."""
    first_ns = session.first_ns()
    day = (dt.date.fromisoformat(text) - dt.date(1970, 1, 1)).days
    session.axis.learn_date(day, first_ns or 0, "given")


def _progress(files: SessionFiles) -> Callable[[int], None]:
    """A share on standard error where that is a terminal and the reading takes over two seconds."""
    total = sum(path.stat().st_size for path in files.paths if path.exists())
    if not sys.stderr.isatty() or not total:
        return lambda n: None
    began, done, shown = time.monotonic(), 0, False

    def show(n: int) -> None:
        nonlocal done, shown
        done += n
        if time.monotonic() - began > 2.0 and done < total:
            print(f"\rreading {100 * done / total:3.0f} %", end="", file=sys.stderr, flush=True)
            shown = True
        elif shown:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
            shown = False

    return show
