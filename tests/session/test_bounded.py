"""What a session keeps of a stream does not grow with it: a link may be watched for weeks."""

from __future__ import annotations

import pytest
from tests.link_session import utc_ns
from tests.link_stream import GPS, Base, by_epoch, sent

from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session


@pytest.fixture(autouse=True)
def few_are_many(monkeypatch: pytest.MonkeyPatch) -> None:
    """Chunks are let go once there are fifty, so that a short stream shows it."""
    monkeypatch.setattr("hubtack.session.arrivals._TRIM_AT", 50)
    monkeypatch.setattr("hubtack.engine.events._TRIM_AT", 50)


@pytest.mark.parametrize("roles", [("corrections",), ("rover", "corrections")])
def test_chunks_and_events_of_a_long_stream_are_let_go(roles: tuple[str, ...]) -> None:
    session = Session(Setup(has_arrival=True, has_corrections=True), LinkSetup(has_arrival=True, source_kind="serial"))
    for role in roles:
        session.expect(role)
    for at, frames in by_epoch(sent(Base(systems=(GPS,)), 150)):
        for frame in frames:
            session.feed(Chunk("corrections", frame, utc_ns(at), utc_ns(at)))
    tally = session.link.tally
    assert tally.epochs == 150
    assert len(session.sources["corrections"].arrivals._start) < 100
    if "rover" not in roles:
        assert len(session.link._obs.key) < 100


def test_noise_alone_is_let_go_too() -> None:
    session = Session(Setup(has_arrival=True, has_corrections=True), LinkSetup(has_arrival=True, source_kind="serial"))
    session.expect("corrections")
    for i in range(200):
        session.feed(Chunk("corrections", bytes((i * 7 + k) % 200 for k in range(100)), i, i))
    assert session.link.tally.bytes == 20_000
    assert len(session.sources["corrections"].arrivals._start) < 100
