"""A recording handed over many chunks at a time comes to the same as chunk by chunk."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from hubtack.capture.reading import iter_capture, read_description
from hubtack.cli.main import main
from hubtack.documents.finding import finding_document
from hubtack.engine.rover import JudgedRows
from hubtack.errors import SourceError
from hubtack.json_out import to_json
from hubtack.logs import drive
from hubtack.readers.chunk import Chunk, Event
from hubtack.session.from_site import session_of_capture
from hubtack.session.session import Session, join_rows
from hubtack.site import default_site, load_site


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("runs") / "recording"
    made = ["simulate", "--fault", "two_bases,clock_mismatch", "--seed", "11", "--minutes", "1", "--rate", "1"]
    assert main([*made, "--arrivals", "--out", str(folder)]) == 0
    return folder


def heard(folder: Path, events: list[Event]) -> tuple[Session, str]:
    """The session after those events, and its rows and findings as text."""
    session = session_of_capture(load_site(folder / "site.toml"), read_description(folder).labels)
    parts = []
    drive.run_events(session, events, parts.append)
    parts.append(session.close())
    rows = join_rows([p for p in parts if len(p.epochs)])
    found = [finding_document(f, session.axis) for f in session.findings()]
    figures = {
        "time_ns": rows.epochs.time_ns, "verdict": rows.judged.verdict, "bits": rows.judged.bits, "age_s": rows.judged.age_s,
        "edge_m": rows.q.edge_vertical_95_m,
    }  # fmt: skip
    told = {key: [repr(v) for v in column.tolist()] for key, column in figures.items()}
    return session, to_json(told | {"findings": found, "seconds": session.rover.tally.verdict_seconds()})


def test_a_recording_comes_to_the_same_by_any_number_of_chunks_at_a_time(
    recording: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    events = list(iter_capture(recording))
    monkeypatch.setattr(drive, "RUN_CHUNKS", 1)
    _, singly = heard(recording, events)
    assert len(json.loads(singly)["verdict"]) == 60 and "two_bases" in singly
    for many in (5, 4096):
        monkeypatch.setattr(drive, "RUN_CHUNKS", many)
        session, told = heard(recording, events)
        assert told == singly
        assert session.first_arrival_utc_ns == events[2].t_utc_ns


def test_a_casters_base_says_where_it_is_in_a_chunk_by_itself(recording: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Whether it is a computed one is judged beside the rover of that moment.
    events = list(iter_capture(recording))
    labels = dict(read_description(recording).labels) | {"corrections": "ntrip://caster.example:2101/BANK1"}
    runs: list[list[Chunk]] = []
    feed_run = Session.feed_run

    def counted(self: Session, chunks: list[Chunk]) -> JudgedRows:
        runs.append([c for c in chunks if c.source == "corrections"])
        return feed_run(self, chunks)

    monkeypatch.setattr(Session, "feed_run", counted)
    told = []
    for many in (1, 4096):
        monkeypatch.setattr(drive, "RUN_CHUNKS", many)
        runs.clear()
        session = session_of_capture(load_site(recording / "site.toml"), labels)
        drive.run_events(session, events, lambda rows: None)
        told.append([session.link.join(np.array([place])).base_kind.tolist() for place in range(0, 50_000, 500)])
    assert told[0] == told[1] and max(len(run) for run in runs) > 5
    places = [run for run in runs if any(re.search(rb"\xd3\x00[\x13\x15]\x3e[\xd0-\xef]", c.data) for c in run)]
    assert len(places) >= 4 and all(len(run) == 1 for run in places)


def test_what_came_before_the_damage_is_in_the_session(recording: Path) -> None:
    events = [e for e in iter_capture(recording) if isinstance(e, Chunk)][:150]

    def damaged() -> Iterator[Event]:
        yield from events
        raise SourceError("the disk is gone")

    session = session_of_capture(load_site(recording / "site.toml"), dict.fromkeys(("rover", "corrections"), ""))
    with pytest.raises(SourceError, match="disk"):
        drive.run_events(session, damaged(), lambda rows: None)
    for role in ("rover", "corrections"):
        assert session.sources[role].arrivals.total == sum(len(e.data) for e in events if e.source == role)


def test_a_second_antenna_is_asked_row_by_row(recording: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session = session_of_capture(load_site(recording / "site.toml"), dict.fromkeys(("rover", "corrections", "second_antenna"), ""))
    sizes: list[int] = []
    monkeypatch.setattr(Session, "feed_run", lambda self, chunks: sizes.append(len(chunks)) or self.feed(chunks[0]))
    drive.run_events(session, list(iter_capture(recording))[:60], lambda rows: None)
    assert set(sizes) == {1}


@pytest.mark.parametrize(
    ("label", "kind"),
    [
        ("ntrip://user@caster.example:2101/BANK1", "ntrip"),
        ("ntrip+tls://caster.example:443/BANK1", "ntrip"),
        ("serial:///dev/ttyUSB0", "capture"),
    ],
)
def test_a_recording_of_a_caster_is_judged_as_one(label: str, kind: str) -> None:
    # A base beside the rover is a network's there, live and in the recording alike.
    session = session_of_capture(default_site(), {"rover": "x", "corrections": label})
    assert (session.link.setup.source_kind, session.link_role) == (kind, "corrections")
