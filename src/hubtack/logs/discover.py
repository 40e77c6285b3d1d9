"""Which files make up which session? Found by looking inside, never by the name's ending.

Each file is one session; a folder that holds exactly one rover log beside its correction logs is one session too. What
cannot be read, or is nothing Hubtack knows, is listed with the reason and costs nothing else.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from hubtack.capture.reading import is_capture
from hubtack.errors import HubtackError, LogFormatError, SourceError
from hubtack.readers.files import open_bytes
from hubtack.site import Site, default_site, load_site

SNIFF_BYTES = 65_536
_CORRECTION_ENDINGS = frozenset({".rtcm", ".rtcm2", ".rtcm3"})
_RECORDS = frozenset({"control.jsonl", "control.csv", "verdicts.jsonl"})  # written beside the logs by other commands
NEVER_LOGS = frozenset({"site.toml", "truth.json", "README.md", "make.sh", "capture.json", "verdicts.jsonl"}) | _RECORDS
_INDEX = re.compile(r"index-\d{4,}\.csv")  # beside the logs of a capture (docs/capture.md)


@dataclass(frozen=True, slots=True)
class SkippedFile:
    """A file that is in no session: where reading it ended, and why."""

    path: Path
    offset: int | None
    reason: str

    @classmethod
    def because(cls, path: Path, err: Exception) -> SkippedFile:
        """Skipped for an error, whose text names the file as well: once is enough."""
        return cls(path, None, str(err).removeprefix(f"{path}: "))


@dataclass(frozen=True, slots=True)
class SessionFiles:
    """The files of one session, by role. ``site`` is the site file in the same folder, where there is one.

    ``spans`` are the bytes of a file that belong to the session (start, end or None), where that is not all of it.
    ``capture`` is the folder of a capture, which then is the session by itself.
    """

    name: str
    rover: Path | None
    corrections: tuple[Path, ...] = ()
    second_antenna: Path | None = None
    site: Path | None = None
    spans: Mapping[Path, tuple[int, int | None]] = field(default_factory=dict)
    capture: Path | None = None

    @property
    def paths(self) -> tuple[Path, ...]:
        """All files, rover first."""
        if self.capture is not None:
            return (self.capture,)
        rover = (self.rover,) if self.rover else ()
        second = (self.second_antenna,) if self.second_antenna else ()
        return (*rover, *second, *self.corrections)


@dataclass(slots=True)
class Found:
    """What a search has brought up."""

    sessions: list[SessionFiles] = field(default_factory=list)
    skipped: list[SkippedFile] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Contents:
    """What the first bytes of a file hold: rover sentences, correction frames, or both (a mixed log)."""

    sentences: int
    frames: int


def look_inside(path: Path) -> Contents:
    """Count rover sentences and good frames in the first 64 kB.

    Raises
    ------
    SourceError
        If the file cannot be read.
    LogFormatError
        If it is empty, or holds neither NMEA nor RTCM 3.
    """
    from hubtack.decode.decoder import Decoder

    with open_bytes(path) as stream:
        head = stream.read(SNIFF_BYTES)
    if not head:
        raise LogFormatError(f"{path}: offset 0: the file is empty; expected NMEA sentences or RTCM 3 frames")
    decoder = Decoder()
    first, last = decoder.feed(head), decoder.flush()
    sentences = sum(sum(d.counts.by_formatter.get(f, 0) for f in ("GGA", "GNS", "RMC", "GST")) for d in (first, last))
    frames = first.counts.frames + last.counts.frames
    if not sentences and not frames:
        raise LogFormatError(
            f"{path}: offset 0: neither NMEA sentences nor RTCM 3 frames in the first {len(head)} bytes; "
            "expected a rover log or a correction log"
        )
    return Contents(sentences, frames)


def discover(paths: Iterable[Path]) -> Found:
    """Sessions under ``paths``, in the order of the paths and of the names below them.

    Raises
    ------
    SourceError
        If a path that was named does not exist.
    """
    found = Found()
    for path in paths:
        if not path.exists():
            raise SourceError(f"{path}: no such file or folder; check the path")
        if path.is_dir():
            for folder in folders_under(path, found):
                take_folder(folder, found)
        else:
            take_file(path, found)
    return found


def folders_under(top: Path, found: Found) -> Iterator[Path]:
    """``top`` and the folders below it, hidden ones left out, by name; those that cannot be read are skipped files."""

    def complain(err: OSError) -> None:
        found.skipped.append(SkippedFile(Path(err.filename or top), None, f"cannot be read: {err.strerror}"))

    for folder, names, _ in os.walk(top, onerror=complain):
        names.sort()
        names[:] = [name for name in names if not name.startswith(".")]
        yield Path(folder)


def take_folder(folder: Path, found: Found) -> None:
    """Add the sessions whose files lie in ``folder`` itself."""
    if is_capture(folder):
        site = folder / "site.toml"
        found.sessions.append(SessionFiles(_name(folder), None, site=site if site.is_file() else None, capture=folder))
        return
    try:
        files = sorted(
            p
            for p in folder.iterdir()
            if p.is_file() and not p.name.startswith(".") and p.name not in NEVER_LOGS and not _INDEX.fullmatch(p.name)
        )
    except OSError as err:
        found.skipped.append(SkippedFile(folder, None, f"cannot be read: {err.strerror}"))
        return
    inside: dict[Path, Contents] = {}
    for path in files:
        contents = _contents(path, found)
        if contents is not None:
            inside[path] = contents
    site = folder / "site.toml"
    site_path = site if site.is_file() else None
    rovers = [p for p, c in inside.items() if c.sentences]
    only_frames = tuple(p for p, c in inside.items() if not c.sentences)
    if rovers and not only_frames:
        only_frames = _meant_as_corrections(files, inside, found)
    second = next((p for p in rovers if "second" in p.stem.lower()), None) if len(rovers) == 2 else None
    main = [p for p in rovers if p != second]
    if len(main) == 1:
        found.sessions.append(SessionFiles(_name(folder), main[0], only_frames, second, site_path))
    else:
        found.sessions.extend(SessionFiles(_name(p), p, site=site_path) for p in rovers)
        found.sessions.extend(SessionFiles(_name(p), None, (p,), site=site_path) for p in only_frames)


def _meant_as_corrections(files: list[Path], inside: dict[Path, Contents], found: Found) -> tuple[Path, ...]:
    """Files beside a rover log that their names call corrections, though they hold no frame, or nothing at all.

    That a correction log is empty, or full of something else, is what the audit is to say: no reason to pass it over.
    """
    meant = tuple(
        p
        for p in files
        if p not in inside and (p.stem.lower().startswith("corrections") or p.suffix.lower() in _CORRECTION_ENDINGS)
    )
    found.skipped[:] = [s for s in found.skipped if s.path not in meant]
    return meant


def take_file(path: Path, found: Found) -> None:
    """Add the session that one file makes."""
    contents = _contents(path, found)
    if contents is None:
        return
    site = path.parent / "site.toml"
    site_path = site if site.is_file() else None
    if contents.sentences:
        found.sessions.append(SessionFiles(_name(path), path, site=site_path))
    else:
        found.sessions.append(SessionFiles(_name(path), None, (path,), site=site_path))


def _contents(path: Path, found: Found) -> Contents | None:
    try:
        return look_inside(path)
    except LogFormatError as err:
        found.skipped.append(SkippedFile(path, 0, str(err).partition(": offset 0: ")[2] or str(err)))
    except (HubtackError, OSError) as err:
        found.skipped.append(SkippedFile.because(path, err))
    return None


def _name(path: Path) -> str:
    return path.name or str(path)


def site_of(files: SessionFiles) -> Site:
    """The site file beside the logs, or the defaults; raises ``UsageError`` where it cannot be used."""
    return load_site(files.site) if files.site is not None else default_site()
