"""What decoding gives: tables of records, each row with its place in the source's bytes. NaN is "not said".

Short text (a station ID, mode letters, a talker) stands in number columns: up to six bytes fit a float64 exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from hubtack.knowledge.sentences import COLUMNS as SENTENCE_COLUMNS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
PACKED_BYTES = 6
MOST_FAILURES = 1000
_LINE_END = 2  # bytes, after which another line may follow
_FEW = 40  # rows that are put between others one by one

FRAME_COLUMNS = (
    "type", "station_id", "length", "epoch_ms", "utc_ms_of_week", "more", "n_satellites", "n_signals", "n_cells",
    "crc24", "iods",
)  # fmt: skip
SATELLITE_COLUMNS = (
    "frame", "system", "satellite", "signal", "cn0_dbhz", "lock_ms", "half_cycle", "has_phase", "has_code",
    "pseudorange_m", "phase_range_m", "glonass_channel",
)  # fmt: skip
STATION_COLUMNS = (
    "type", "station_id", "x_m", "y_m", "z_m", "antenna_height_m", "computed", "gps", "glonass", "galileo",
    "physical_id",
)  # fmt: skip
TABLE_COLUMNS = {
    **SENTENCE_COLUMNS,
    "frames": FRAME_COLUMNS,
    "satellites": SATELLITE_COLUMNS,
    "stations": STATION_COLUMNS,
}
_INDEX = {kind: {name: i for i, name in enumerate(columns)} for kind, columns in TABLE_COLUMNS.items()}


def pack_text(text: bytes) -> float:
    """The first six bytes of ``text`` as a number; NaN for none."""
    return float(int.from_bytes(text[:PACKED_BYTES], "big")) if text else float("nan")


def unpack_text(value: float) -> str:
    """Text of a packed number; "" for NaN. Bytes outside ASCII come out as Latin-1."""
    if value != value:
        return ""
    return int(value).to_bytes(PACKED_BYTES, "big").lstrip(b"\0").decode("latin-1")


@dataclass(slots=True)
class Rows:
    """Records of one kind in the order of their bytes.

    Attributes
    ----------
    kind : str
        Key of ``TABLE_COLUMNS``.
    pos, end : (n,) int64
        Offset of the first byte and one past the last, in the source's stream.
    values : (n, k) float64
        One column a field; each column lies in one piece where a block was decoded.
    """

    kind: str
    pos: Ints
    end: Ints
    values: Floats

    def __len__(self) -> int:
        return len(self.pos)

    def __getitem__(self, column: str) -> Floats:
        """One column by name; KeyError for a name the kind does not have."""
        return self.values[:, _INDEX[self.kind][column]]

    def columns(self, first: str, n: int, step: int = 1) -> Floats:
        """``n`` columns from ``first`` on, ``step`` apart, as (rows, n)."""
        at = _INDEX[self.kind][first]
        return self.values[:, at : at + n * step : step]

    def newest_before(self, places: Ints, *, by_end: bool = False) -> Ints:
        """Index of the newest of ``places`` (k,), in order, not after the start of each row, or its end; -1 for none."""
        at = self.end if by_end else self.pos
        # Between two lines that touch there is no other: what holds for the first holds for the next.
        leads = np.concatenate(([True], self.pos[1:] - self.end[:-1] > _LINE_END)) if len(at) else np.zeros(0, bool)
        first = np.flatnonzero(leads)
        found = np.searchsorted(places, at[first], side="right") - 1
        return np.repeat(found, np.diff(first, append=len(at)))

    def take(self, index: slice | NDArray[np.bool_] | Ints) -> Rows:
        """The rows that ``index`` picks."""
        if isinstance(index, slice):
            return Rows(self.kind, self.pos[index], self.end[index], self.values[index])
        if index.dtype == np.bool_:
            index = np.flatnonzero(index)
        return Rows(self.kind, self.pos[index], self.end[index], self.values.T.take(index, axis=1).T)

    @classmethod
    def empty(cls, kind: str) -> Rows:
        """No rows of a kind."""
        none = np.zeros(0, dtype=np.int64)
        return cls(kind, none, none, np.zeros((0, len(TABLE_COLUMNS[kind]))))

    @classmethod
    def of(cls, kind: str, records: Sequence[tuple[int, int, Sequence[float]]]) -> Rows:
        """Rows of (pos, end, values) records."""
        if not records:
            return cls.empty(kind)
        return cls(
            kind,
            np.array([r[0] for r in records], dtype=np.int64),
            np.array([r[1] for r in records], dtype=np.int64),
            np.array([r[2] for r in records], dtype=np.float64),
        )

    @classmethod
    def concat(cls, parts: Sequence[Rows]) -> Rows:
        """All rows of ``parts``, which are of one kind, in order."""
        if len(parts) == 1:
            return parts[0]
        return cls(
            parts[0].kind,
            np.concatenate([p.pos for p in parts]),
            np.concatenate([p.end for p in parts]),
            np.concatenate([p.values.T for p in parts], axis=1).T,  # each column in one piece
        )


@dataclass(frozen=True, slots=True)
class TextRecord:
    """A message that carries text or session-wide settings: 1007, 1008, 1033, 1029 and 1013, fields by name."""

    pos: int
    end: int
    type: int
    station_id: int
    fields: dict[str, str | int | float]


@dataclass(slots=True)
class Counts:
    """What was met, in numbers. ``failures`` are (offset, what) of the first damaged records."""

    bytes: int = 0
    frames: int = 0
    bad_crc: int = 0
    sentences: int = 0
    bad_checksums: int = 0
    no_checksum: int = 0
    other_bytes: int = 0
    by_formatter: dict[str, int] = field(default_factory=dict)
    failures: list[tuple[int, str]] = field(default_factory=list)

    def add(self, other: Counts) -> None:
        """Add the counts of another stretch."""
        for name in ("bytes", "frames", "bad_crc", "sentences", "bad_checksums", "no_checksum", "other_bytes"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for formatter, n in other.by_formatter.items():
            self.by_formatter[formatter] = self.by_formatter.get(formatter, 0) + n
        self.failures = sorted((*self.failures, *other.failures))[:MOST_FAILURES]


@dataclass(slots=True)
class Span:
    """A stretch of bytes that is neither sentence nor frame ("other"), or a failed frame's preamble ("bad_crc")."""

    pos: int
    end: int
    kind: str


class CellSource(Protocol):
    """Frames that can give their cells with ranges."""

    def __len__(self) -> int:
        """Number of frames."""

    def cells(self, frames: Ints) -> Floats:
        """Cells (n, columns) of frames in ascending order."""


@dataclass(slots=True)
class Decoded:
    """Everything decoded from one stretch of a source."""

    sentences: dict[str, Rows] = field(default_factory=dict)
    frames: Rows = field(default_factory=lambda: Rows.empty("frames"))
    satellites: Rows = field(default_factory=lambda: Rows.empty("satellites"))
    stations: Rows = field(default_factory=lambda: Rows.empty("stations"))
    texts: list[TextRecord] = field(default_factory=list)
    payloads: list[tuple[int, int, int, bytes]] = field(default_factory=list)
    counts: Counts = field(default_factory=Counts)
    spans: list[Span] = field(default_factory=list)
    # Stretches of frames whose ranges can be read on request, with the number of each stretch's first frame.
    ranged: list[tuple[int, CellSource]] = field(default_factory=list)

    def cells_of(self, frames: Ints) -> Floats:
        """Cells (n, columns) of frames (numbers in ``frames``, ascending), with ranges where the decoder can give them."""
        if not self.ranged:
            chosen = np.zeros(len(self.frames), dtype=bool)
            chosen[frames] = True
            return self.satellites.values[chosen[self.satellites["frame"].astype(np.int64)]]
        parts = []
        for first, source in self.ranged:
            a, b = np.searchsorted(frames, (first, first + len(source)))
            if b > a:
                cells = source.cells(frames[a:b] - first)
                cells[:, 0] += first
                parts.append(cells)
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    @classmethod
    def joined(cls, parts: Sequence[Decoded]) -> Decoded:
        """Stretches of one source as one, each kind in the order of its bytes; frame numbers count through."""
        whole = cls()
        by_kind: dict[str, list[Rows]] = {}
        satellites = []
        n_frames = 0
        for part in parts:
            for kind, rows in part.sentences.items():
                by_kind.setdefault(kind, []).append(rows)
            if len(part.satellites):
                rows = part.satellites
                if n_frames:
                    rows = Rows(rows.kind, rows.pos, rows.end, rows.values.copy(order="K"))
                    rows.values[:, 0] += n_frames
                satellites.append(rows)
            whole.ranged.extend((first + n_frames, source) for first, source in part.ranged)
            n_frames += len(part.frames)
            whole.texts.extend(part.texts)
            whole.payloads.extend(part.payloads)
            whole.spans.extend(part.spans)
            whole.counts.add(part.counts)
        whole.sentences = {kind: _in_order(tables) for kind, tables in by_kind.items()}
        whole.frames = _joined([part.frames for part in parts if len(part.frames)], "frames")
        whole.stations = _joined([part.stations for part in parts if len(part.stations)], "stations")
        whole.satellites = _joined(satellites, "satellites")
        whole.spans.sort(key=lambda span: span.pos)
        return whole


def _joined(parts: list[Rows], kind: str) -> Rows:
    return Rows.concat(parts) if parts else Rows.empty(kind)


def _in_order(tables: list[Rows]) -> Rows:
    """Tables of one kind as one in the order of their bytes; each is in order by itself."""
    if len(tables) == 2 and len(tables[1]) <= _FEW and len(tables[0]):
        return _with_few(tables[0], tables[1])
    rows = Rows.concat(tables)
    return rows if len(tables) == 1 or bool(np.all(rows.pos[1:] > rows.pos[:-1])) else rows.take(np.argsort(rows.pos))


def _with_few(rows: Rows, few: Rows) -> Rows:
    """The odd lines of a block in their places: what lies between them is copied in one piece each."""
    n, k = len(rows) + len(few), rows.values.shape[1]
    pos, end = np.empty(n, dtype=np.int64), np.empty(n, dtype=np.int64)
    values = np.empty((k, n))
    old, odd, done = rows.values.T, few.values.T, 0
    for i, at in enumerate([*np.searchsorted(rows.pos, few.pos).tolist(), len(rows)]):
        here, there = slice(done, at), slice(done + i, at + i)
        pos[there], end[there], values[:, there] = rows.pos[here], rows.end[here], old[:, here]
        if i < len(few):
            pos[at + i], end[at + i], values[:, at + i] = few.pos[i], few.end[i], odd[:, i]
        done = at
    return Rows(rows.kind, pos, end, values.T)
