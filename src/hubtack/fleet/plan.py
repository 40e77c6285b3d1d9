"""From the logs of one folder to the sessions in them: paired by time, cut at gaps, named, and keyed by content.

A plan reads each file once, quickly (hash, and the time here and there); the sessions are then audited one by one, in any
process. Everything here can be pickled.
"""

from __future__ import annotations

import hashlib
import itertools
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from hubtack import __version__
from hubtack.control.latest import record_folder
from hubtack.control.record import paths_of
from hubtack.errors import SourceError
from hubtack.logs.discover import Found, SessionFiles, SkippedFile, take_file, take_folder
from hubtack.logs.split import (
    ABSOLUTE,
    LogTimes,
    Mark,
    Stretch,
    elapsed_ms,
    file_sha256,
    iter_range,
    look_through,
    marks_in,
)
from hubtack.safe import safe_text

LEDGER_SCHEMA = "hubtack-ledger/1"
VERDICT_LOG = "verdicts.jsonl"
DEFAULT_GAP_S = 1800.0
LEAD_MS = 60_000.0  # corrections from a minute before the rover starts: a base says its position every 10 to 60 s


@dataclass(frozen=True, slots=True)
class Settings:
    """What the result of a session depends on beside its bytes; its hash says whether a ledger's row still holds."""

    gap_s: float = DEFAULT_GAP_S
    site_path: str | None = None
    machine_pattern: str | None = None
    software: str = __version__
    navigation: tuple[str, str] | None = None  # path of a navigation file, and the hash of what it holds

    def digest(self, *sha256: str | None) -> str:
        """Hash of these settings with what else a session depends on: site file, verdict log, control record, names."""
        text = repr((LEDGER_SCHEMA, self.software, self.gap_s, self.machine_pattern, sha256, self._held()))
        return hashlib.sha256(text.encode()).hexdigest()[:32]

    def _held(self) -> str:
        """Hash of the navigation file; where it lies does not matter."""
        return "" if self.navigation is None else self.navigation[1]


@dataclass(frozen=True, slots=True)
class Place:
    """One folder (its own files only) or one file to look into; ``top`` is the PATH it was found under."""

    path: Path
    top: Path
    is_folder: bool


@dataclass(frozen=True, slots=True)
class FileFact:
    """A file of a session as it lies on disk."""

    path: str
    size: int
    mtime_ns: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Task:
    """One session to audit: everything a worker must know. ``key`` is stable over reruns (content and start)."""

    key: str
    files: SessionFiles
    facts: tuple[FileFact, ...]
    settings: Settings
    settings_sha256: str  # with site file, verdict log and names: whether a row in a ledger still holds
    machine: str | None = None  # from the pattern
    folder_name: str | None = None  # stands in where neither pattern nor site file names the machine
    not_covered: tuple[str, ...] = ()

    @property
    def size(self) -> int:
        """Bytes to read, about. [byte]"""
        total = 0
        for fact in self.facts:
            start, end = self.files.spans.get(Path(fact.path), (0, None))
            total += (fact.size if end is None else end) - start
        return max(total, 1)


@dataclass(slots=True)
class Plan:
    """The sessions of one place, and the files that are in none."""

    place: Place
    tasks: list[Task] = field(default_factory=list)
    skipped: list[SkippedFile] = field(default_factory=list)


def plan_place(place: Place, settings: Settings) -> Plan:
    """Look into a place and lay out its sessions. Raises nothing that a file could cause: it becomes a skipped row."""
    found = Found()
    if place.is_folder:
        take_folder(place.path, found)
    else:
        take_file(place.path, found)
    plan = Plan(place, skipped=found.skipped)
    times: dict[Path, LogTimes] = {}
    readable: list[SessionFiles] = []
    for files in found.sessions:
        if files.capture is None and not _look(files, settings, times, plan):
            continue
        readable.append(files)
    for files in paired(readable, times):
        try:
            parts = [(files, ())] if files.capture else list(cut(files, times))
            for part, not_covered in parts:
                plan.tasks.append(_task(part, place, settings, times, not_covered))
        except (OSError, SourceError) as err:
            plan.skipped.append(SkippedFile.because(files.paths[0], err))
    return plan


def _look(files: SessionFiles, settings: Settings, times: dict[Path, LogTimes], plan: Plan) -> bool:
    for path in files.paths:
        try:
            if path not in times:
                times[path] = look_through(path, settings.gap_s)
        except (OSError, SourceError) as err:  # it went away, or may not be read, since it was listed
            plan.skipped.append(SkippedFile.because(path, err))
            return False
    return True


# Pairing -------------------------------------------------------------------------------------------------------------


def paired(sessions: Sequence[SessionFiles], times: Mapping[Path, LogTimes]) -> list[SessionFiles]:
    """Several rover logs and correction logs of one folder: those go together whose times overlap.

    A correction log serves every rover log that it overlaps; one that overlaps none stays a session of its own.
    """
    rovers = [s for s in sessions if s.rover is not None and not s.corrections]
    lone = [s for s in sessions if s.rover is None and s.capture is None]
    if len(rovers) < 2 or not lone:
        return list(sessions)
    used: set[Path] = set()
    out: list[SessionFiles] = []
    for session in sessions:
        if session in rovers and session.rover is not None:
            mine = [s.corrections[0] for s in lone if overlap_ms(times[session.rover], times[s.corrections[0]]) > 0]
            used.update(mine)
            out.append(replace(session, corrections=tuple(sorted(mine))))
        elif session not in lone:
            out.append(session)
    out.extend(s for s in lone if s.corrections[0] not in used)
    return out


def overlap_ms(a: LogTimes, b: LogTimes) -> float:
    """How long two logs overlap by the times they speak of; 0 where either tells none. [ms]"""
    if a.span is None or b.span is None:
        return 0.0
    length_a = _durations(a.marks)[-1]
    first = _shifted(elapsed_ms(a.span[0], b.span[0]), b, length_a, _period(a.marks[0], b.marks[0]))
    length_b = _durations(b.marks)[-1]
    # A log of one moment has no length: it overlaps where it lies inside.
    return min(length_a, first + length_b) - max(0.0, first) + 1.0


def _durations(marks: Sequence[Mark]) -> list[float]:
    """Time of each mark since the first, run on over midnight. [ms]"""
    return list(itertools.accumulate((elapsed_ms(a, b) for a, b in itertools.pairwise(marks)), initial=0.0))


def _period(a: Mark, b: Mark) -> int:
    return min((p for p in (a.period_ms, b.period_ms) if p != ABSOLUTE), default=0)


def _shifted(first_ms: float, log: LogTimes, length_ms: float, period_ms: int) -> float:
    """Start of ``log`` against a stretch from 0 to ``length_ms``, on the day (or week) on which they overlap the most."""
    if not period_ms:
        return first_ms
    long = _durations(log.marks)[-1]
    days = range(-int((long + period_ms) // period_ms), int((length_ms + period_ms) // period_ms) + 1)
    return max(
        (first_ms + k * period_ms for k in days),
        key=lambda start: min(length_ms, start + long) - max(0.0, start),
    )


# Gaps ----------------------------------------------------------------------------------------------------------------


def cut(files: SessionFiles, times: Mapping[Path, LogTimes]) -> Iterable[tuple[SessionFiles, tuple[str, ...]]]:
    """The sessions in these files, and what each does not cover: cut where the rover's log (or the log alone) breaks off."""
    main = files.rover or files.corrections[0]
    log = times[main]
    notes = tuple(f"{safe_text(str(p))}: {safe_text(t.damage, 300)}" for p in files.paths if (t := times[p]).damage)
    if log.cut_short:
        notes = (
            *notes,
            f"{safe_text(str(main))}: the clock breaks off more often than is followed; the rest is one session",
        )
    if len(log.stretches) == 1:
        yield files, notes
        return
    for number, stretch in enumerate(log.stretches, start=1):
        spans: dict[Path, tuple[int, int | None]] = {main: (stretch.start, stretch.end)}
        gone: list[Path] = []
        for path in files.paths:
            if path == main:
                continue
            window = window_of(times[path], stretch, log)
            if window is None:
                gone.append(path)
            else:
                spans[path] = window
        name = files.name if number == 1 else f"{files.name} {number}"
        second = None if files.second_antenna in gone else files.second_antenna
        corrections = tuple(p for p in files.corrections if p not in gone)
        apart = tuple(f"{safe_text(str(p))}: nothing of it lies in the time of this session" for p in gone)
        yield replace(
            files, name=name, spans=spans, second_antenna=second, corrections=corrections
        ), (*notes, *apart)  # fmt: skip


def window_of(log: LogTimes, stretch: Stretch, main: LogTimes) -> tuple[int, int | None] | None:
    """The bytes of ``log`` that belong to a stretch of the rover's log, a minute before and after it included.

    None where the two do not overlap, or where ``log`` tells no time.
    """
    if not log.marks or stretch.first is None or stretch.last is None:
        return None
    inside = [stretch.first, *(m for m in main.marks if stretch.start < m.pos < stretch.last.pos), stretch.last]
    length_ms = _durations(inside)[-1]
    period = _period(log.marks[0], stretch.first)
    offset = _shifted(elapsed_ms(stretch.first, log.marks[0]), log, length_ms, period)
    at = [offset + t for t in _durations(log.marks)]
    if at[-1] < -LEAD_MS or at[0] > length_ms + LEAD_MS:
        return None
    is_first, is_last = stretch.start == 0, stretch.end >= main.unpacked
    start = 0 if is_first and at[0] > -1000.0 * DEFAULT_GAP_S else _byte_at(log, at, -LEAD_MS)
    after_ms = at[-1] - length_ms
    end = None if is_last and after_ms < 1000.0 * DEFAULT_GAP_S else _byte_at(log, at, length_ms + LEAD_MS)
    return start, end


def _byte_at(log: LogTimes, at: Sequence[float], target_ms: float) -> int:
    """The first byte of the first record that speaks of ``target_ms`` or later; the log's end where there is none."""
    after = next((i for i, t in enumerate(at) if t >= target_ms), None)
    if after is None:
        return log.unpacked
    if after == 0:
        return 0
    low = log.marks[after - 1]
    data = b"".join(iter_range(log.path, low.pos, log.marks[after].pos + 4096))
    for mark in marks_in(data, low.pos):
        if at[after - 1] + elapsed_ms(low, mark) >= target_ms:
            return mark.pos
    return log.marks[after].pos


# Names and keys ------------------------------------------------------------------------------------------------------


def machine_by_pattern(pattern: str | None, path: Path) -> str | None:
    """The machine's name that a pattern finds in a path: its group ``machine``, else its first group, else all of it."""
    match = re.search(pattern, str(path)) if pattern else None
    if match is None:
        return None
    named = match.groupdict().get("machine")
    text = named if named is not None else (match[1] if match.re.groups else match[0])
    return text.strip() or None if text else None


_ONLY_NUMBERS = re.compile(r"[\d\W_]*\Z")  # a folder named by a date says nothing of the machine


def folder_machine(place: Place) -> str | None:
    """The nearest folder, up to the one that was named, whose name is more than a date; None for a file named itself."""
    if not place.is_folder:
        return None
    for folder in (place.path, *place.path.parents):
        name = folder.name or folder.resolve().name
        if name and not _ONLY_NUMBERS.match(name):
            return name
        if folder == place.top:
            break
    return None


def _task(
    files: SessionFiles, place: Place, settings: Settings, times: Mapping[Path, LogTimes], notes: Sequence[str]
) -> Task:
    facts = tuple(
        FileFact(str(p), times[p].size, times[p].mtime_ns, times[p].sha256) for p in files.paths
    ) if files.capture is None else capture_facts(files.capture)  # fmt: skip
    site = Path(settings.site_path) if settings.site_path is not None else files.site
    machine, folder_name = machine_by_pattern(settings.machine_pattern, files.paths[0]), folder_machine(place)
    return Task(
        key=session_key(files, facts),
        files=files,
        facts=facts,
        settings=settings,
        settings_sha256=settings.digest(
            _sha256_if(site),
            _sha256_if(beside(files) / VERDICT_LOG),
            _sha256_if(paths_of(record_folder(site, beside(files)))[0]),
            files.name,
            machine,
            folder_name,
        ),
        machine=machine,
        folder_name=folder_name,
        not_covered=tuple(notes),
    )


def beside(files: SessionFiles) -> Path:
    """The folder in which the session's site file and verdict log lie."""
    return files.capture if files.capture is not None else files.paths[0].parent


def _sha256_if(path: Path | None) -> str | None:
    return file_sha256(path) if path is not None and path.is_file() else None


def session_key(files: SessionFiles, facts: Sequence[FileFact]) -> str:
    """Hash over the content and the byte range of every file; where the files lie does not count."""
    parts = [(fact.sha256, files.spans.get(Path(fact.path), (0, None))) for fact in facts]
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:32]


def capture_facts(folder: Path) -> tuple[FileFact, ...]:
    """The files of a capture with their hashes."""
    facts = []
    for path in sorted(folder.iterdir()):
        if path.is_file() and (path.suffix in (".log", ".csv") or path.name == "capture.json"):
            stat = path.stat()
            facts.append(FileFact(str(path), stat.st_size, stat.st_mtime_ns, file_sha256(path)))
    return tuple(facts)
