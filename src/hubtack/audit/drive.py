"""Logs of one session through the same engine as a live run, in blocks, as fast as they can be read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from hubtack.audit.discover import SessionFiles
from hubtack.engine.from_site import setup_of
from hubtack.engine.rover import JudgedRows
from hubtack.live.opening import link_setup_of
from hubtack.readers.chunk import Chunk
from hubtack.readers.files import iter_log
from hubtack.session.session import Session
from hubtack.site import Site

BLOCK = 1 << 20


def session_for(files: SessionFiles, site: Site) -> Session:
    """An empty session for those files; separate logs are merged by the time they speak of."""
    has_corrections = bool(files.corrections)
    session = Session(
        setup_of(site, has_corrections=has_corrections),
        link_setup_of(site, "mixed" if files.rover and not has_corrections else "file", has_arrival=False),
        link_role="corrections" if has_corrections else "rover",
        by_content=bool(files.rover and has_corrections),
    )
    if files.rover:
        session.expect("rover")
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
    rover = _blocks((files.rover,) if files.rover else ())
    corrections = _blocks(files.corrections)
    rover_left, corrections_left = bool(files.rover), bool(files.corrections)
    while rover_left or corrections_left:
        if corrections_left and (not rover_left or _link_behind(session)):
            block = next(corrections, None)
            role = "corrections"
            corrections_left = block is not None
        else:
            block = next(rover, None)
            role = "rover"
            rover_left = block is not None
        if block is None:
            on_rows(session.end_source(role))
            continue
        on_bytes(len(block))
        on_rows(session.feed(Chunk(role, block)))
    on_rows(session.close())


def _link_behind(session: Session) -> bool:
    reached = session.link.reached_ns()
    return reached is None or reached <= session.rover_reached_ns()


def _blocks(paths: tuple[Path, ...]) -> Iterator[bytes]:
    for path in paths:
        if path.stat().st_size:  # an empty correction log is a source from which nothing came
            yield from iter_log(path, BLOCK)
