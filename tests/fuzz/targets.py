"""What is fuzzed: functions of bytes that must take anything. Each returns nothing and raises only what it may.

``TARGETS`` serves hypothesis (every run) and atheris (behind a marker); ``SEEDS`` are good inputs to start from.
"""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.link_stream import Base, sent, stream
from tests.rover_text import good_rows

from hubtack.capture import layout
from hubtack.capture.reading import iter_capture
from hubtack.control.record import read_record
from hubtack.decode.decoder import Decoder
from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.errors import HubtackError
from hubtack.framing.splitter import Splitter
from hubtack.live.verdict_log import read_verdict_log
from hubtack.ntrip.answer import AnswerHead, BadAnswer, BodyDecoder
from hubtack.ntrip.exchange import Exchange, Wanted
from hubtack.ntrip.sourcetable import parse_table
from hubtack.readers.chunk import Chunk
from hubtack.readers.urls import parse_source
from hubtack.session.session import Session
from hubtack.site import load_site

ROOT = Path(__file__).parents[2]
_FOLDER = Path(tempfile.mkdtemp(prefix="fuzz"))


def framing(data: bytes) -> None:
    """Bytes out plus bytes pending are bytes in, and the cut does not matter."""
    whole, cut = Splitter(), Splitter()
    pieces = whole.feed(data) + whole.flush()
    middle = data[0] * len(data) // 256 if data else 0
    again = cut.feed(data[:middle]) + cut.feed(data[middle:]) + cut.flush()
    assert sum(len(p.data) for p in pieces) == len(data)
    assert b"".join(p.data for p in pieces) == data
    assert [p for p in pieces if p.kind] == [p for p in again if p.kind]


def decoding(data: bytes) -> None:
    """Any bytes become tables, never an exception; all are accounted for."""
    decoder = Decoder()
    decoder.feed(data)
    decoder.release()
    decoder.flush()


def session(data: bytes) -> None:
    """A whole session over any bytes: rows, looks and findings."""
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
    parse_table(data)


def site_file(data: bytes) -> None:
    """A site file of anything gives a site or one error that says what is wrong."""
    path = _FOLDER / "site.toml"
    path.write_bytes(data)
    with contextlib.suppress(HubtackError):
        load_site(path)


def capture_index(data: bytes) -> None:
    """The index of a capture."""
    for line in data.decode("utf-8", "replace").split("\n"):
        layout.parse_line(line + "\n")
    folder = _FOLDER / "cap"
    folder.mkdir(exist_ok=True)
    (folder / "capture.json").write_text(
        '{"format": "hubtack-capture/1", "start_utc": "2026-01-01T00:00:00Z", "sources": {"rover": {"label": "x"}}}'
    )
    (folder / "index-0001.csv").write_bytes(data)
    (folder / "rover-0001.log").write_bytes(b"0123456789")
    with contextlib.suppress(HubtackError):
        for _ in iter_capture(folder):
            pass


def control_file(data: bytes) -> None:
    """The record of control checks."""
    path = _FOLDER / "control.jsonl"
    path.write_bytes(data)
    with contextlib.suppress(HubtackError):
        read_record(path)


def verdict_log(data: bytes) -> None:
    """The log of what a screen said."""
    path = _FOLDER / "verdicts.jsonl"
    path.write_bytes(data)
    read_verdict_log(path)


def url(data: bytes) -> None:
    """A source as it is written on the command line."""
    with contextlib.suppress(HubtackError):
        parse_source(data.decode("utf-8", "surrogateescape"))


TARGETS: dict[str, Callable[[bytes], None]] = {
    f.__name__: f
    for f in (
        framing, decoding, session, ntrip_head, ntrip_exchange, source_table, site_file, capture_index, control_file,
        verdict_log, url,
    )
}  # fmt: skip
_MIXED = good_rows(36_000_000, 3) + stream(sent(Base(), 2))
SEEDS: dict[str, bytes] = {
    "framing": _MIXED, "decoding": _MIXED, "session": _MIXED,
    "ntrip_head": b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n5\r\nabcde\r\n0\r\n\r\n",
    "ntrip_exchange": b'HTTP/1.1 401 No\r\nWWW-Authenticate: Digest realm="a", nonce="b", qop="auth"\r\n\r\n',
    "source_table": b"SOURCETABLE 200 OK\r\n\r\nSTR;A;B;RTCM 3.2;1005(10),1077(1);2;GPS;N;NZL;-45.0;170.0;1;0;s;none;B;N;0;\r\n"
    b"ENDSOURCETABLE\r\n",
    "site_file": (ROOT / "sample_logs/good_day/site.toml").read_bytes(),
    "capture_index": layout.HEAD.encode() + b"0,rover,1,1,bytes,0,5,,\n1,rover,2,2,ended,0,0,,\n",
    "control_file": b'{"point": "CP3", "utc": "2026-01-01T00:00:00Z", "result": "pass"}\n',
    "verdict_log": b'{"shown_utc": "2026-01-01T00:00:00Z", "verdict": "GRADE", "prev": "0"}\n',
    "url": b"ntrip+tls://user:pw@caster.example:2101/MOUNT?baud=9600",
}  # fmt: skip
