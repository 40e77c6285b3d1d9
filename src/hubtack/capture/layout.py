"""How a capture lies on disk: names, the lines of its index, its description. Pure; the page is docs/capture.md.

    FOLDER/capture.json           format, start, sources and their labels
    FOLDER/site.toml              copy of the site file without passwords
    FOLDER/rover-0001.log         the bytes of one source, exactly as they came, part 1
    FOLDER/index-0001.csv         a line for each chunk and each change of a source's state, part 1
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from hubtack.readers.chunk import Chunk, Event, Notice, SourceState

FORMAT = "hubtack-capture/1"
DESCRIPTION = "capture.json"
HEAD = "sequence,source,t_utc_ns,t_mono_ns,what,offset,length,code,message\n"
BYTES = "bytes"
# Numbers of an index beyond this are damage: sums and differences of two must fit into 64 bits, as seek and numpy have them.
_MOST = 1 << 62


def raw_name(source: str, part: int) -> str:
    """File name of a source's bytes."""
    return f"{source}-{part:04d}.log"


def index_name(part: int) -> str:
    """File name of a part's index."""
    return f"index-{part:04d}.csv"


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of an index: ``length`` bytes at ``offset`` of the source's file of the same part, or a notice."""

    sequence: int
    source: str
    t_utc_ns: int | None
    t_mono_ns: int | None
    what: str
    offset: int = 0
    length: int = 0
    code: str = ""
    message: str = ""


def entry_of(event: Event, offset: int) -> Entry:
    """The index line of an event whose bytes go to ``offset``."""
    if isinstance(event, Chunk):
        return Entry(event.sequence, event.source, event.t_utc_ns, event.t_mono_ns, BYTES, offset, len(event.data))
    return Entry(
        event.sequence, event.source, event.t_utc_ns, event.t_mono_ns, event.state.value, code=event.code or "",
        message=event.message,
    )


def to_line(entry: Entry) -> str:
    """The entry as a CSV line (RFC 4180 quoting, LF at the end, no line break inside)."""
    out = io.StringIO()
    message = " ".join(entry.message.split())
    csv.writer(out, lineterminator="\n").writerow([
        entry.sequence, entry.source, _text(entry.t_utc_ns), _text(entry.t_mono_ns), entry.what, entry.offset,
        entry.length, entry.code, message,
    ])
    return out.getvalue()


def parse_line(line: str) -> Entry | None:
    """The entry of a line; None for one that is cut or damaged, as the last one after a power cut."""
    if not line.endswith("\n"):
        return None
    try:
        (row,) = csv.reader([line], strict=True)
        sequence, source, utc, mono, what, offset, length, code, message = row
        entry = Entry(
            int(sequence), source, int(utc) if utc else None, int(mono) if mono else None, what, int(offset),
            int(length), code, message,
        )
    except (ValueError, csv.Error):
        return None
    known = what == BYTES or what in {state.value for state in SourceState}
    whole = min(entry.offset, entry.length) >= 0 and all(
        abs(n or 0) < _MOST for n in (entry.sequence, entry.t_utc_ns, entry.t_mono_ns, entry.offset, entry.length)
    )
    return entry if known and whole and source and "\0" not in line else None


def notice_of(entry: Entry) -> Notice:
    """The notice that an entry stands for."""
    return Notice(
        entry.source, SourceState(entry.what), entry.message, entry.code or None, entry.t_utc_ns, entry.t_mono_ns,
        entry.sequence,
    )


def _text(value: int | None) -> str:
    return "" if value is None else str(value)
