"""Logs of one session through the same engine as a live run, in blocks, as fast as they can be read."""

from __future__ import annotations

import functools
import multiprocessing
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from hubtack.decode.tables import Decoded
from hubtack.engine.from_site import setup_of
from hubtack.engine.rover import JudgedRows
from hubtack.errors import SourceError
from hubtack.logs.discover import SessionFiles
from hubtack.logs.split import iter_range
from hubtack.readers.chunk import Chunk, Event, SourceState
from hubtack.session.from_site import link_setup_of
from hubtack.session.session import Session
from hubtack.site import Site

# Large enough that the fixed cost of a step over a block no longer counts. A byte of corrections makes six times the
# tables of a byte of sentences, so their blocks are smaller.
BLOCK = {"rover": 4 << 20, "second_antenna": 4 << 20, "corrections": 1 << 20}

# Of a recording: so much is handed over at once, some minutes of a working day.
RUN_BYTES, RUN_CHUNKS = 1 << 20, 4096
FIRST_CHUNKS = 2000  # a date that has not come by then does not come
# How a frame of message 1005 or 1006 begins (RTCM 10403: preamble, length under 256, number in 12 bits).
_ARP, _ARP_STARTS = re.compile(rb"\xd3\x00[\x00-\xff]\x3e[\xd0-\xef]", re.DOTALL), 5


def session_for(files: SessionFiles, site: Site) -> Session:
    """An empty session for those files; separate logs are merged by the time they speak of."""
    has_corrections = bool(files.corrections)
    session = Session(
        setup_of(site, has_corrections=has_corrections),
        link_setup_of(site, "mixed" if files.rover and not has_corrections else "file", has_arrival=False),
        link_role="corrections" if has_corrections else "rover",
        by_content=bool(files.rover and (has_corrections or files.second_antenna)),
    )
    if files.rover:
        session.expect("rover")
    if files.second_antenna:
        session.expect("second_antenna")
    if has_corrections:
        session.expect("corrections")
    return session


def run_files(
    session: Session,
    files: SessionFiles,
    on_rows: Callable[[JudgedRows], None] = lambda rows: None,
    on_bytes: Callable[[int], None] = lambda n: None,
) -> None:
    """Feed all files of a session to the end and close it.

    Of two logs the one that is behind in the time it speaks of is read next, so that little waits in memory.

    Raises
    ------
    SourceError
        Where a file cannot be read or is damaged; what was read before stays in the session.
    """
    # A log's next block is decoded while its last one is judged.
    left = {
        role: _ahead(_blocks(paths, files.spans, BLOCK[role]), functools.partial(session.decode, role))
        for role, paths in (
            ("corrections", files.corrections),
            ("second_antenna", (files.second_antenna,) if files.second_antenna else ()),
            ("rover", (files.rover,) if files.rover else ()),
        )
        if paths
    }
    while left:
        role = _behind(session, tuple(left))
        got = next(left[role], None)
        if got is None:
            del left[role]
            on_rows(session.end_source(role))
            continue
        block, decoded = got
        on_bytes(len(block))
        on_rows(session.feed(Chunk(role, block), decoded))
    on_rows(session.close())


def run_events(session: Session, events: Iterable[Event], on_rows: Callable[[JudgedRows], None]) -> None:
    """Feed a recording's events with the arrivals they had, many at a time, to their end; the session stays open.

    One by one where the order of single chunks could matter: until the date is known, where a second antenna has a log of
    its own, where the rover sends frames of its own beside the corrections, and while a caster's base says where it is, since
    it is a computed one where the rover is beside it at that moment.

    Raises
    ------
    SourceError, LogFormatError
        Where the recording cannot be read or is damaged; what was read before is in the session.
    """
    run: list[Chunk] = []
    held = fed = 0
    places = _Places(session)

    def tell(rows: JudgedRows) -> None:
        if len(rows.epochs):
            on_rows(rows)

    def hand_over() -> None:
        nonlocal held
        if run:
            rows = session.feed_run(run)
            run.clear()
            held = 0
            tell(rows)

    try:
        for event in events:
            if not isinstance(event, Chunk):
                hand_over()
                session.notice(event)
                if event.state is SourceState.ENDED:
                    tell(session.end_source(event.source))
                continue
            singly = places.may_come(event)
            if singly:
                hand_over()
            run.append(event)
            held += len(event.data)
            fed += 1
            if singly or held >= RUN_BYTES or len(run) >= RUN_CHUNKS or not _in_runs(session, fed):
                hand_over()
    finally:
        hand_over()


def _in_runs(session: Session, fed: int) -> bool:
    if "second_antenna" in session.expected or (session.axis.day0 is None and fed < FIRST_CHUNKS):
        return False
    rover = session.sources.get("rover")
    return rover is None or session.link_role == "rover" or not rover.frames


class _Places:
    """Chunks of a caster's stream that may hold a base's position, or the end of one; of any other source none."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._tail = b""
        self._open = False

    def may_come(self, chunk: Chunk) -> bool:
        """Whether ``chunk``, the next of all, may complete a message that says where the base is."""
        session = self._session
        if session.link.setup.source_kind != "ntrip" or session.link_role == "rover":
            return False
        link = session.sources.get(session.link_role)
        if self._open and link is not None and not link.decoder.pending:
            self._open = False  # what was begun has been handed over whole
        if chunk.source == session.link_role:
            data = self._tail + chunk.data
            self._tail = data[-(_ARP_STARTS - 1) :]
            self._open = self._open or _ARP.search(data) is not None
        return self._open


def _behind(session: Session, roles: tuple[str, ...]) -> str:
    """The log to read next: one that the rover's rows wait for, else the rover's own."""
    reached = {"corrections": session.link.reached_ns(), "second_antenna": session.pair.reached_ns()}
    for role in roles:
        if role == "rover":
            continue
        so_far = reached[role]
        if "rover" not in roles or so_far is None or so_far <= session.rover_reached_ns():
            return role
    return "rover"


def _blocks(paths: tuple[Path, ...], spans: Mapping[Path, tuple[int, int | None]], size: int) -> Iterator[bytes]:
    for path in paths:
        try:
            on_disk = path.stat().st_size
        except OSError as err:
            raise SourceError(f"{path}: cannot be read: {err.strerror}") from err
        if on_disk:  # an empty correction log is a source from which nothing came
            yield from _gathered(iter_range(path, *spans.get(path, (0, None)), block=size), size)


def _ahead(blocks: Iterator[bytes], decode: Callable[[bytes], Decoded]) -> Iterator[tuple[bytes, Decoded]]:
    """Blocks with their tables, one of them read and decoded ahead in a second thread.

    Where many logs are read by as many processes there is no core to spare: then one after the other. What is read
    does not depend on it, since a source's decoder sees the same bytes in the same order.
    """

    def step() -> tuple[bytes, Decoded] | None:
        block = next(blocks, None)
        return None if block is None else (block, decode(block))

    if multiprocessing.parent_process() is not None or (os.cpu_count() or 1) < 2:
        yield from iter(step, None)
        return
    with ThreadPoolExecutor(1, "decode") as pool:
        coming = pool.submit(step)
        while (got := coming.result()) is not None:
            coming = pool.submit(step)
            yield got


def _gathered(pieces: Iterator[bytes], block: int) -> Iterator[bytes]:
    """Whole blocks: an archive gives some kB at a time, for which no step over a block would pay."""
    held: list[bytes] = []
    size = 0
    try:
        for piece in pieces:
            held.append(piece)
            size += len(piece)
            if size >= block:
                whole, held, size = b"".join(held), [], 0
                yield whole
    except SourceError:
        if held:
            yield b"".join(held)  # what could be unpacked before the damage counts
        raise
    if held:
        yield b"".join(held)
