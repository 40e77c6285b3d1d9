"""A stream through a session, with arrivals or without, and what was found on it."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterable, Sequence

from hubtack.diagnosis.episode import Finding
from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.knowledge.findings import LINK_CODES
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session

DAY_NS = 86_400 * 1_000_000_000
WEDNESDAY_NS = 20_416 * DAY_NS  # 2025-11-24 is a Monday; any date will do, the stream says only the day of the week
STREAM_START_S = 3 * 86_400  # seconds of the week at which link_stream's Wednesday begins


def utc_ns(second_of_week: float) -> int:
    """UTC of a second of the stream's week."""
    return WEDNESDAY_NS + round((second_of_week - STREAM_START_S) * 1e9)


def session_of(setup: LinkSetup | None = None) -> Session:
    """An empty session that expects a correction stream and nothing else."""
    session = Session(Setup(has_corrections=True), setup or LinkSetup())
    session.expect("corrections")
    return session


def fed(arrived: Iterable[tuple[float, bytes]], setup: LinkSetup | None = None, *, clock_s: float = 0.0) -> Session:
    """A session after a live stream: (arrival [s of week], bytes), with this computer's clock off by ``clock_s``."""
    session = session_of(setup or LinkSetup(has_arrival=True, source_kind="serial"))
    for at, data in arrived:
        ns = utc_ns(at + clock_s)
        session.feed(Chunk("corrections", data, ns, ns))
    session.close()
    return session


def read(data: bytes, setup: LinkSetup | None = None, cuts: Sequence[int] = ()) -> Session:
    """A session after a log, cut where told."""
    session = session_of(setup)
    bounds = [0, *sorted(c for c in cuts if 0 < c < len(data)), len(data)]
    for a, b in itertools.pairwise(bounds):
        session.feed(Chunk("corrections", data[a:b]))
    session.close()
    return session


def random_cuts(data: bytes, n: int, seed: int) -> list[int]:
    """Places to cut at."""
    rng = random.Random(seed)
    return [rng.randrange(len(data)) for _ in range(n)]


def found(session: Session, elapsed_s: float = 0.0) -> dict[str, Finding]:
    """Findings on the link by code, in their order."""
    return {f.code: f for f in session.findings(round(elapsed_s * 1e9)) if f.code in LINK_CODES}


def ready(session: Session, elapsed_s: float = 0.0) -> bool | None:
    """Whether a rover could fix on it."""
    elapsed_ns = round(elapsed_s * 1e9)
    return session.rtk_ready([f for f in session.findings(elapsed_ns) if f.code in LINK_CODES], elapsed_ns)
