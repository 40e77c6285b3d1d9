"""One source of a session, and what has been counted of it."""

from __future__ import annotations

from dataclasses import dataclass, field

from hubtack.decode.decoder import Decoder
from hubtack.decode.tables import Decoded
from hubtack.readers.chunk import SourceState
from hubtack.session.arrivals import ArrivalLog
from hubtack.session.outages import Outages


@dataclass(slots=True)
class Source:
    """One source of a session: its decoder, its arrivals, and what has become of it."""

    role: str
    decoder: Decoder = field(default_factory=Decoder)
    arrivals: ArrivalLog = field(default_factory=ArrivalLog)
    outages: Outages = field(default_factory=Outages)
    state: SourceState | None = None
    message: str = ""
    code: str | None = None
    sentences: dict[str, int] = field(default_factory=dict)
    bad_checksums: int = 0
    frames: int = 0
    bad_crc: int = 0
    other_bytes: int = 0

    def count(self, decoded: Decoded) -> None:
        """Add what a stretch held."""
        counts = decoded.counts
        for formatter, n in counts.by_formatter.items():
            self.sentences[formatter] = self.sentences.get(formatter, 0) + n
        self.bad_checksums += counts.bad_checksums
        self.frames += counts.frames
        self.bad_crc += counts.bad_crc
        self.other_bytes += counts.other_bytes
