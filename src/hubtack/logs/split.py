"""Where in a log does the time stand, and where does it break off? Found by looking at the bytes here and there.

A log of a day is read once, quickly: its hash is taken, and every quarter of a megabyte one short window is decoded for
the time it speaks of. Only where two windows lie further apart in time than the gap is it searched in between, down to
the first byte of the sentence with which the new session begins. The rest of the audit then reads plain byte ranges.

Times are compared by what is known: with a date in full, by the week (RTCM), or by the time of day alone. Of a time of
day alone a step of fourteen hours forward and one of ten back look the same; both end a session. The limits of this:
without dates, a gap of whole days is not seen.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from hubtack.decode.decoder import Decoder
from hubtack.decode.nmea import Sentence, parse_sentence, time_ms
from hubtack.decode.tables import Decoded
from hubtack.errors import SourceError
from hubtack.readers.files import iter_log, open_bytes

DAY_MS = 86_400_000
WEEK_MS = 7 * DAY_MS
ABSOLUTE = 0  # a mark's period where its date is known
_SUNDAY_MS = 4 * DAY_MS  # 1970-01-01 was a Thursday, four days after the start of a GPS week
_BLOCK = 1 << 18
_WINDOW = 4096
_FINE = 8192
_MOST_CARRIED = 1 << 22
MOST_CUTS = 200  # a clock that flaps must not make a session of every sentence
_TIMED = re.compile(rb"\$[A-Z]{2}(?:GGA|GNS|RMC|GST|GBS|ZDA),\d{6}[^$\r\n*]{0,200}\*[0-9A-Fa-f]{2}")
_EXCURSION_MS = 60_000
_TIME_OF_DAY = (1009, 1010, 1011, 1012)  # GLONASS before MSM: 27 bits of the day (DF034), and no day
_EPOCH = dt.date(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class Mark:
    """A place in a log and the time there: ms since 1970, of the GPS week or of the day, as ``period_ms`` says."""

    pos: int
    time_ms: int
    period_ms: int

    def at(self, pos: int) -> Mark:
        """The same time at another place."""
        return Mark(pos, self.time_ms, self.period_ms)


def elapsed_ms(a: Mark, b: Mark) -> int:
    """Time from ``a`` to ``b`` as far as it can be told; modulo what is not known, nearest to zero. [ms]"""
    if a.period_ms == b.period_ms == ABSOLUTE:
        return b.time_ms - a.time_ms
    period = min(p for p in (a.period_ms, b.period_ms) if p != ABSOLUTE)
    return (_within(b, period) - _within(a, period) + period // 2) % period - period // 2


def _within(mark: Mark, period_ms: int) -> int:
    from_monday = _SUNDAY_MS if mark.period_ms == ABSOLUTE and period_ms == WEEK_MS else 0
    return (mark.time_ms + from_monday) % period_ms


@dataclass(frozen=True, slots=True)
class Stretch:
    """A piece of a log without a gap in it: its bytes, and its first and last time (None where there is none)."""

    start: int
    end: int
    first: Mark | None = None
    last: Mark | None = None


@dataclass(slots=True)
class LogTimes:
    """What a look through a whole log has brought up.

    ``stretches`` cover all its unpacked bytes. ``marks`` are one each quarter of a megabyte. ``sha256`` and ``size``
    are those of the file as it lies on disk, packed or not. ``damage`` says where and why it could not be read on.
    """

    path: Path
    size: int = 0
    mtime_ns: int = 0
    sha256: str = ""
    unpacked: int = 0
    stretches: list[Stretch] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    damage: str | None = None
    cut_short: bool = False  # more breaks than are followed: the rest is one stretch

    @property
    def span(self) -> tuple[Mark, Mark] | None:
        """First and last time in the log; None where no time was found."""
        return (self.marks[0], self.marks[-1]) if self.marks else None


def look_through(path: Path, gap_s: float) -> LogTimes:
    """Hash, times and gaps of a log.

    Raises
    ------
    SourceError
        If the file cannot be opened at all; one that breaks off half way comes back with ``damage``.
    """
    found = LogTimes(path)
    stat = _stat(path)
    found.size, found.mtime_ns = stat.st_size, stat.st_mtime_ns
    found.sha256 = file_sha256(path)
    cuts: list[tuple[Mark, Mark]] = []
    if found.size:
        try:
            _scan(found, gap_s, cuts)
        except SourceError as err:
            found.damage = str(err)
    start, first = 0, found.marks[0] if found.marks else None
    for before, after in _without_excursions(cuts, gap_s * 1000.0):
        found.stretches.append(Stretch(start, after.pos, first, before))
        start, first = after.pos, after
    found.stretches.append(Stretch(start, found.unpacked, first, found.marks[-1] if found.marks else None))
    return found


def _without_excursions(cuts: list[tuple[Mark, Mark]], gap_ms: float) -> list[tuple[Mark, Mark]]:
    """Without pairs of jumps between which the clock was away for less than a minute: that is a wrong time, no gap."""
    kept: list[tuple[Mark, Mark]] = []
    for before, after in cuts:
        if kept:
            left, gone = kept[-1]
            if abs(elapsed_ms(gone, before)) <= _EXCURSION_MS and -_EXCURSION_MS <= elapsed_ms(left, after) <= gap_ms:
                kept.pop()
                continue
        kept.append((before, after))
    return kept


def _stat(path: Path) -> os.stat_result:
    try:
        return path.stat()
    except OSError as err:
        raise SourceError(f"{path}: cannot be read: {err.strerror}") from err


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes as they lie on disk; raises ``SourceError`` where it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as err:
        raise SourceError(f"{path}: cannot be read: {err.strerror}") from err


def _scan(found: LogTimes, gap_s: float, cuts: list[tuple[Mark, Mark]]) -> None:
    """Walk the blocks; ``held`` are the bytes from the newest mark on, so that a gap between blocks can be searched."""
    gap_ms = gap_s * 1000.0
    held, last = b"", None
    for block in iter_log(found.path, _BLOCK):
        base = found.unpacked - len(held)
        buffer = held + block
        found.unpacked += len(block)
        for mark in _ends(buffer, base, last):
            if last is not None and abs(elapsed_ms(last, mark)) > gap_ms:
                _search(buffer, base, last, mark, gap_ms, cuts)
            last = mark
            found.marks.append(mark)
        if len(cuts) >= MOST_CUTS:
            del cuts[MOST_CUTS:]
            gap_ms = float("inf")
            found.cut_short = True
        keep_from = last.pos if last is not None else found.unpacked
        held = buffer[keep_from - base :] if found.unpacked - keep_from <= _MOST_CARRIED else b""


def _ends(buffer: bytes, base: int, last: Mark | None) -> list[Mark]:
    """The first time in the buffer after ``last`` (where there is no last one yet), and the last time in it."""
    out = []
    if last is None:
        first = _from(buffer, base, base)
        if first is None:
            return []
        out.append(first)
        last = first
    size = _WINDOW
    while True:
        start = max(0, len(buffer) - size)
        marks = marks_in(buffer[start:], base + start)
        if marks and marks[-1].pos > last.pos:
            out.append(marks[-1])
            return out
        if start == 0 or base + start <= last.pos:
            return out
        size *= 4


def _from(buffer: bytes, base: int, pos: int) -> Mark | None:
    """The first time at or after ``pos``."""
    start, size = pos - base, _WINDOW
    while start < len(buffer):
        marks = marks_in(buffer[start : start + size], base + start)
        if marks:
            return marks[0]
        # A record may lie across the window's end: look again with a longer one rather than from there on.
        if start + size >= len(buffer):
            return None
        size *= 4
    return None


def _search(buffer: bytes, base: int, low: Mark, high: Mark, gap_ms: float, cuts: list[tuple[Mark, Mark]]) -> None:
    """Gaps between two marks of which it is known that they lie more than a gap apart."""
    if len(cuts) >= MOST_CUTS or abs(elapsed_ms(low, high)) <= gap_ms:
        return
    if high.pos - low.pos > _FINE and low.pos >= base:
        middle = _from(buffer, base, (low.pos + high.pos) // 2)
        if middle is not None and low.pos < middle.pos < high.pos:
            _search(buffer, base, low, middle, gap_ms, cuts)
            _search(buffer, base, middle, high, gap_ms, cuts)
            return
    start = max(low.pos, base)
    marks = marks_in(buffer[start - base : high.pos - base + 256], start)
    before = low
    for mark in [m for m in marks if low.pos < m.pos < high.pos] + [high]:
        if abs(elapsed_ms(before, mark)) > gap_ms:
            cuts.append((before, mark))
        before = mark


def marks_in(data: bytes, base: int) -> list[Mark]:
    """Every place in ``data`` at which a time is told, in order; of a mixed log the rover's times count."""
    marks = _sentence_marks(data, base)
    if marks:
        return marks
    decoder = Decoder()
    frames = Decoded.joined([decoder.feed(data), decoder.flush()]).frames
    if not len(frames):
        return []
    known = ~np.isnan(frames["utc_ms_of_week"])
    of_day = np.isin(frames["type"], _TIME_OF_DAY)
    # Where others name the day of the week as well, a time of day beside them would only look like a jump.
    chosen = known & ~of_day if (known & ~of_day).any() else known
    period_ms = WEEK_MS if (known & ~of_day).any() else DAY_MS
    times = frames["utc_ms_of_week"][chosen].tolist()
    return [Mark(base + int(p), int(t), period_ms) for p, t in zip(frames.pos[chosen].tolist(), times, strict=True)]


def _sentence_marks(data: bytes, base: int) -> list[Mark]:
    timed: list[tuple[int, int]] = []
    apart: list[tuple[int, int]] = []  # of GST and GBS, which say nothing by themselves
    dated: list[tuple[int, int]] = []  # place, ms since 1970: RMC with valid data, and ZDA
    for match in _TIMED.finditer(data):
        sentence = parse_sentence(match[0])
        if sentence.checksum is False:
            continue
        tod_ms = time_ms(sentence.fields[1])
        if tod_ms != tod_ms:
            continue
        day = _day_said(sentence)
        if day is not None:
            dated.append((match.start(), day * DAY_MS + int(tod_ms)))
        if sentence.formatter in ("GST", "GBS"):
            apart.append((match.start(), int(tod_ms)))
        elif sentence.formatter != "ZDA":  # its time differs from GGA's in real logs
            timed.append((match.start(), int(tod_ms)))
    # GST may come first in its epoch, so it may mark where one begins; but only together with a position.
    times = {tod // 1000 for _, tod in timed}
    timed = sorted(timed + [(p, t) for p, t in apart if times & set(range(t // 1000 - 5, t // 1000 + 6))])
    if not dated:
        return [Mark(base + p, t, DAY_MS) for p, t in timed]
    marks = []
    for pos, tod in timed:
        # The date that goes with a sentence is the one said at the time nearest to its own.
        _, _, at_ms = min((abs(_wrap(tod - ms)), abs(pos - p), ms) for p, ms in dated)
        marks.append(Mark(base + pos, at_ms + _wrap(tod - at_ms), ABSOLUTE))
    return marks


def _day_said(sentence: Sentence) -> int | None:
    """Days since 1970 that RMC (with valid data) or ZDA says; None for any other."""
    fields = sentence.fields
    if sentence.formatter == "RMC" and len(fields) > 9 and fields[2] == b"A" and re.fullmatch(rb"\d{6}", fields[9]):
        year = int(fields[9][4:])
        return _day(2000 + year if year < 80 else 1900 + year, int(fields[9][2:4]), int(fields[9][:2]))
    if sentence.formatter == "ZDA" and len(fields) > 4 and all(f.isdigit() for f in fields[2:5]):
        return _day(int(fields[4]), int(fields[3]), int(fields[2]))
    return None


def _wrap(step_ms: int) -> int:
    return (step_ms + DAY_MS // 2) % DAY_MS - DAY_MS // 2


def _day(year: int, month: int, day: int) -> int | None:
    try:
        return (dt.date(year, month, day) - _EPOCH).days
    except ValueError:
        return None


def iter_range(path: Path, start: int, end: int | None, block: int = 1 << 20) -> Iterator[bytes]:
    """The unpacked bytes ``start`` to ``end`` (None: to the end) of a log, in blocks.

    Raises
    ------
    SourceError
        As ``iter_log``.
    """
    left = float("inf") if end is None else end - start
    if left <= 0:
        return
    skip = start
    if start:
        with open_bytes(path) as probe:
            plain = hasattr(probe, "peek") and type(probe).__name__ == "BufferedReader"
        if plain:
            yield from _iter_plain(path, start, left, block)
            return
    for data in iter_log(path, block):
        if skip:
            cut = min(skip, len(data))
            skip -= cut
            data = data[cut:]
        if data:
            data = data if len(data) <= left else data[: int(left)]
            left -= len(data)
            yield data
        if left <= 0:
            return


def _iter_plain(path: Path, start: int, left: float, block: int) -> Iterator[bytes]:
    try:
        with path.open("rb") as file:
            file.seek(start)
            while left > 0 and (data := file.read(min(block, int(min(left, block))))):
                left -= len(data)
                yield data
    except OSError as err:
        raise SourceError(f"{path}: cannot be read: {err.strerror}") from err
