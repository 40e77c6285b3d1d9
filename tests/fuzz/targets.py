"""What is fuzzed: functions of bytes that must take anything. Each returns nothing and raises only what it may.

``TARGETS`` serves hypothesis (every run), the runs by hand (``python -m tests.fuzz.run``) and those guided by coverage.
Each target imports what it needs when it is called: what is imported is instrumented, and all of it would take half a minute.
"""

from __future__ import annotations

import contextlib
import functools
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

_FOLDER = Path(tempfile.mkdtemp(prefix="fuzz"))


def framing(data: bytes) -> None:
    """Bytes out plus bytes pending are bytes in, and the cut does not matter."""
    from hubtack.framing.splitter import Splitter

    whole, cut = Splitter(), Splitter()
    pieces = whole.feed(data) + whole.flush()
    middle = data[0] * len(data) // 256 if data else 0
    again = cut.feed(data[:middle]) + cut.feed(data[middle:]) + cut.flush()
    assert sum(len(p.data) for p in pieces) == len(data)
    assert b"".join(p.data for p in pieces) == data
    assert [p for p in pieces if p.kind] == [p for p in again if p.kind]


def decoding(data: bytes) -> None:
    """Any bytes become tables, never an exception; all are accounted for."""
    from hubtack.decode.decoder import Decoder

    decoder = Decoder(observables=len(data) % 2 == 1, keep_payloads={1019, 1020})
    decoder.feed(data)
    decoder.release()
    decoder.flush()
    assert decoder.pending == 0


@functools.cache
def _lines() -> bytes:
    from tests.rover_text import good_rows

    return good_rows(36_000_000, 30)  # twice, it is enough for the reader by columns


def decoding_of_blocks(data: bytes) -> None:
    """The reader by columns says what the reader by sentences says, of anything between good lines."""
    from tests.decode.test_columns import assert_equal_to_scalar

    assert_equal_to_scalar(_lines() + data + _lines())


def session(data: bytes) -> None:
    """A whole session over any bytes: rows, looks and findings."""
    from hubtack.engine.link import LinkSetup
    from hubtack.engine.setup import Setup
    from hubtack.readers.chunk import Chunk
    from hubtack.session.session import Session

    one = Session(Setup(assumed_baseline_m=1000.0), LinkSetup(), link_role="rover")
    one.expect("rover")
    middle = data[-1] * len(data) // 256 if data else 0
    one.feed(Chunk("rover", data[:middle]))
    one.peek(allow_partial=True)
    one.feed(Chunk("rover", data[middle:]))
    one.close()
    one.findings()


def ntrip_head(data: bytes) -> None:
    """The head and body of a caster's answer."""
    from hubtack.ntrip.answer import AnswerHead, BadAnswer, BodyDecoder

    head = AnswerHead()
    with contextlib.suppress(BadAnswer):
        for i in range(0, len(data), 7):
            if head.feed(data[i : i + 7]) is not None:
                break
    body = BodyDecoder(announced=True)
    body.feed(data)
    body.feed(b"", end=True)


def ntrip_exchange(data: bytes) -> None:
    """A whole exchange, with time passing."""
    from hubtack.ntrip.exchange import Exchange, Wanted

    exchange = Exchange(Wanted("h", 2101, "M"), version=2, challenge=None, cnonce="0")
    exchange.start(0, 0, (1.0, 2.0, 3.0))
    for i in range(0, len(data), 11):
        if exchange.done:
            break
        exchange.receive(data[i : i + 11], i * 10**8)
        exchange.tick(i * 10**8, i * 10**8, (1.0, 2.0, 3.0))
    if not exchange.done:
        exchange.eof(10**12)


def source_table(data: bytes) -> None:
    """A source table of anything."""
    from hubtack.ntrip.sourcetable import parse_table

    parse_table(data)


def site_file(data: bytes) -> None:
    """A site file of anything gives a site or one error that says what is wrong."""
    from hubtack.errors import HubtackError
    from hubtack.site import load_site

    path = _FOLDER / "site.toml"
    path.write_bytes(data)
    with contextlib.suppress(HubtackError):
        load_site(path)


@functools.cache
def _capture() -> Path:
    folder = _FOLDER / "cap"
    folder.mkdir()
    (folder / "capture.json").write_text(
        '{"format": "hubtack-capture/1", "start_utc": "2026-01-01T00:00:00Z", "sources": {"rover": {"label": "x"}}}'
    )
    (folder / "rover-0001.log").write_bytes(b"0123456789")
    return folder


def capture_index(data: bytes) -> None:
    """The index of a capture: no line of it makes bytes that are not in the source's file, or loses one that is."""
    from hubtack.capture.reading import iter_capture
    from hubtack.errors import HubtackError
    from hubtack.readers.chunk import Chunk

    folder = _capture()
    (folder / "index-0001.csv").write_bytes(data)
    with contextlib.suppress(HubtackError):
        parts = [event.data for event in iter_capture(folder) if isinstance(event, Chunk) and event.source == "rover"]
        assert all(part in b"0123456789" for part in parts)
        assert not parts or any(part.endswith(b"9") for part in parts)


def control_file(data: bytes) -> None:
    """The record of control checks."""
    from hubtack.control.record import read_record
    from hubtack.errors import HubtackError

    path = _FOLDER / "control.jsonl"
    path.write_bytes(data)
    with contextlib.suppress(HubtackError):
        read_record(path)


def verdict_log(data: bytes) -> None:
    """The log of what a screen said."""
    from hubtack.live.verdict_log import read_verdict_log

    path = _FOLDER / "verdicts.jsonl"
    path.write_bytes(data)
    read_verdict_log(path)


def saved_link(data: bytes) -> None:
    """A document that ``link --json`` printed, to compare with."""
    import json

    from hubtack.documents.expect import changes
    from hubtack.errors import HubtackError
    from hubtack.live.linking import _read_expected

    path = _FOLDER / "link.json"
    path.write_bytes(data)
    with contextlib.suppress(HubtackError):
        before = _read_expected(path)
        json.dumps(changes(before, _link_document()))
        json.dumps(changes(_link_document(), before))


@functools.cache
def _link_document() -> dict[str, Any]:
    import json

    from tests.fuzz.seeds import SEEDS

    return dict(json.loads(SEEDS["saved_link"][0]))


def memory(data: bytes) -> None:
    """What is kept from one day to the next."""
    import datetime as dt

    from hubtack.live.memory import FILE_NAME, age_s, recall, remember

    (_FOLDER / FILE_NAME).write_bytes(data)
    found = recall(_FOLDER, "Digger 7")
    now = dt.datetime(2026, 1, 2, tzinfo=dt.UTC)
    for part in (found.base, found.stand):
        if part is not None:
            age_s(part.utc, now)
    if found.stand is not None:
        found.stand.stand()
        remember(_FOLDER, "Digger 7", found)
        assert recall(_FOLDER, "Digger 7") == found


def marks(data: bytes) -> None:
    """Lists of control marks as CSV."""
    from hubtack.control.tables import read_check_points, read_fit_points
    from hubtack.errors import HubtackError

    path = _FOLDER / "marks.csv"
    path.write_bytes(data)
    for read in (read_fit_points, read_check_points):
        with contextlib.suppress(HubtackError):
            read(path)


def profile(data: bytes) -> None:
    """The terrain between base and rover as CSV."""
    from hubtack.errors import HubtackError
    from hubtack.radio.checks import read_profile

    path = _FOLDER / "profile.csv"
    path.write_bytes(data)
    with contextlib.suppress(HubtackError):
        heights = read_profile(path, 1000.0)
        assert heights[-1][0] == 1000.0


def url(data: bytes) -> None:
    """A source as it is written on the command line."""
    from hubtack.errors import HubtackError
    from hubtack.readers.urls import parse_source

    with contextlib.suppress(HubtackError):
        parse_source(data.decode("utf-8", "surrogateescape"))


TARGETS: dict[str, Callable[[bytes], None]] = {
    f.__name__: f
    for f in (
        framing, decoding, decoding_of_blocks, session, ntrip_head, ntrip_exchange, source_table, site_file, capture_index,
        control_file, verdict_log, saved_link, memory, marks, profile, url,
    )
}  # fmt: skip
