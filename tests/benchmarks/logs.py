"""Logs for the benchmarks: a simulated day, and the plain library loops that the audit is measured beside."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pynmeagps
import pyrtcm

from hubtack.knowledge.fix_types import FIX_TYPES, QUALITY_TO_FIX
from hubtack.logs.discover import SessionFiles
from hubtack.logs.drive import run_files, session_for
from hubtack.session.session import Session
from hubtack.simulate.session import simulate
from hubtack.site import default_site


@dataclass(frozen=True)
class Day:
    """A rover log at 5 Hz and the correction log (four systems, MSM at 1 Hz) of one simulated session."""

    rover: Path
    corrections: Path


def make_day(folder: Path, minutes: int) -> Day:
    """Write both logs; the same minutes give the same bytes."""
    made = simulate([], "tidy", 3, minutes * 60, 5.0)
    day = Day(folder / "rover.nmea", folder / "corrections.rtcm3")
    day.rover.write_bytes(b"".join(data for _, data in made.rover))
    day.corrections.write_bytes(b"".join(h.data for h in made.heard))
    return day


def audited(rover: Path | None, corrections: Path | None) -> Session:
    """The whole session of a log: every row judged, findings worked out."""
    files = SessionFiles("log", rover, (corrections,) if corrections else ())
    session = session_for(files, default_site())
    run_files(session, files)
    session.findings()
    return session


@dataclass(frozen=True)
class RoverAnswers:
    """What both ways must agree on for a rover log."""

    sentences: dict[str, int]
    epochs_by_fix: dict[str, int]
    oldest_age_s: float
    least_satellites: float


def rover_answers_of(session: Session) -> RoverAnswers:
    """Ours, out of the audit."""
    tally = session.rover.tally
    counts = tally.steps.sum(axis=1)
    counts[tally.last_fix] += 1
    return RoverAnswers(
        dict(session.sources["rover"].sentences),
        {fix.key: int(n) for fix, n in zip(FIX_TYPES, counts, strict=True) if n},
        round(tally.age.largest(), 1),
        session.rover.evidence.fewest_satellites,
    )


def rover_answers_by_library(data: bytes) -> RoverAnswers:
    """Theirs: a plain loop over the lines."""
    sentences: Counter[str] = Counter()
    fixes: Counter[str] = Counter()
    ages: list[float] = []
    satellites: list[float] = []
    for line in data.splitlines(keepends=True):
        try:
            message = pynmeagps.NMEAReader.parse(line)
        except pynmeagps.NMEAParseError:
            continue  # a damaged line: its checksum does not agree, and neither counts it
        sentences[message.msgID] += 1
        if message.msgID == "GGA":
            fixes[FIX_TYPES[QUALITY_TO_FIX[message.quality]].key] += 1
            satellites.append(message.numSV)
            if message.diffAge != "":
                ages.append(float(message.diffAge))
    return RoverAnswers(dict(sentences), dict(fixes), round(max(ages), 1), min(satellites))


@dataclass(frozen=True)
class LinkAnswers:
    """What both ways must agree on for a correction log."""

    messages: dict[int, int]
    stations: frozenset[int]
    arp_m: tuple[float, ...]
    cells: int


def link_answers_of(session: Session) -> LinkAnswers:
    """Ours, out of the audit."""
    tally = session.link.tally
    arp = session.link.arp_ecef_m or (np.nan,) * 3
    return LinkAnswers(
        {kind: m.count for kind, m in tally.messages.items()},
        frozenset(tally.stations),
        tuple(round(v, 4) for v in arp),
        sum(m.cells for m in tally.messages.values()),
    )


def link_answers_by_library(data: bytes) -> LinkAnswers:
    """Theirs: a plain loop over whole frames."""
    messages: Counter[int] = Counter()
    stations: set[int] = set()
    arp: tuple[float, ...] = ()
    cells = at = 0
    while at < len(data):
        length = 6 + ((data[at + 1] & 3) << 8 | data[at + 2])
        message = pyrtcm.RTCMReader.parse(data[at : at + length])
        at += length
        kind = int(message.identity)
        messages[kind] += 1
        if hasattr(message, "DF003"):
            stations.add(message.DF003)
        if kind in (1005, 1006):
            arp = (round(message.DF025, 4), round(message.DF026, 4), round(message.DF027, 4))
        cells += getattr(message, "NCell", 0)
    return LinkAnswers(dict(messages), frozenset(stations), arp, cells)


def cpu_s(work: Callable[[], object], repeat: int = 3) -> float:
    """Least processor time of a few runs: other work on the machine only ever adds. [s]"""
    best = float("inf")
    for _ in range(repeat):
        begin = time.process_time()
        work()
        best = min(best, time.process_time() - begin)
    return best


def wall_s(work: Callable[[], object], repeat: int = 3) -> float:
    """Least time of a few runs by the clock, all threads at once: as good as the machine is idle. [s]"""
    best = float("inf")
    for _ in range(repeat):
        begin = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - begin)
    return best
