"""Good inputs to start from, by target: small ones, so that many can be tried; and how often each target is tried."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from tests.link_stream import Base, sent, stream
from tests.rover_text import good_rows

from hubtack.capture import layout
from hubtack.control.record import CSV_COLUMNS
from hubtack.framing.splitter import Kind, Splitter

ROOT = Path(__file__).parents[2]
_SMALL = 700  # [byte]


def _records() -> Iterator[bytes]:
    """One record of each kind in the sample logs: a sentence of each formatter, a frame of each message."""
    seen: set[bytes] = set()
    for path in sorted(p for p in (ROOT / "sample_logs").glob("*/*") if p.suffix in (".nmea", ".rtcm3")):
        for piece in Splitter().feed(path.read_bytes()[:300_000]):
            kind = piece.data[1:6] if piece.kind is Kind.SENTENCE else piece.data[3:5]
            known = piece.kind in (Kind.SENTENCE, Kind.FRAME)
            if known and kind not in seen and len(piece.data) < _SMALL:
                seen.add(kind)
                yield piece.data + (b"\r\n" if piece.kind is Kind.SENTENCE else b"")


def _site_example() -> bytes:
    """The example of the page on the site file, which has every key."""
    page = (ROOT / "docs/site-file.md").read_text(encoding="utf-8")
    return page.partition("```toml\n")[2].partition("```")[0].encode()


_ROWS = good_rows(36_000_000, 1)
_STREAM = stream(sent(Base(), 1))
_RECORDS = tuple(_records())
_SITE = _site_example()
_CHECK = dict.fromkeys(CSV_COLUMNS, 0.01) | {
    "point": "CP3", "utc": "2026-01-01T00:00:00Z", "what": "check", "result": "pass", "crs": "EPSG:32759", "machine": "Digger 7",
    "base_id": 412, "base_computed": False, "datum_fit": None, "source": "rover.nmea", "site_sha256": "00",
}  # fmt: skip
_ROW = "STR;A;B;RTCM 3.2;1005(10),1077(1);2;GPS+GAL;N;NZL;-45.0;170.0;1;0;s;none;B;N;9600;\r\n"
_SHOWN = '{"shown_utc": "2026-01-01T00:00:0%dZ", "verdict": "%s", "prev": "0"}\n'

_LINK = json.dumps({
    "schema": "hubtack/1", "kind": "link", "rtk_ready": True, "format": "rtcm3", "bits_per_s": 4444.7, "latency_s": {"median": 0.4},
    "ledger": {"complete": 299, "incomplete": 0, "lost": 1},
    "stations": [{"id": 590, "arp_ecef_m": [-4446723.8538, 783085.1443, -4489810.615], "antenna": "A", "receiver": "R",
                  "antenna_height_m": 0.0, "computed": False}],
    "messages": [{"type": 1005, "interval_s": 20.0}, {"type": 1074, "interval_s": 1.0}],
    "systems": [{"system": "GPS", "satellites": 7.0, "signals": ["1C", "2W"], "median_cn0_dbhz": 40.0}],
    "findings": [{"code": "burst_loss"}],
})  # fmt: skip

SEEDS: dict[str, tuple[bytes, ...]] = {
    "framing": (*_RECORDS, _ROWS + _STREAM),
    "decoding": (*_RECORDS, _ROWS + _STREAM),
    "decoding_of_blocks": (*_RECORDS, _ROWS),
    "session": (
        _ROWS + _STREAM, good_rows(36_000_000, 3) + stream(sent(Base(), 2)), *(b"".join(_RECORDS[i::4]) + _ROWS for i in range(4)),
    ),
    "ntrip_head": (
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n5\r\nabcde\r\n0\r\n\r\n",
        b"ICY 200 OK\r\n\r\n\xd3\x00\x13",
        b"HTTP/1.0 404 Not Found\r\nContent-Length: 5\r\nContent-Type: text/plain\r\n\r\nabcde",
        b"SOURCETABLE 200 OK\r\nServer: x\r\n\r\nENDSOURCETABLE\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Encoding: gzip\r\nConnection: close\r\n\r\n\x1f\x8b",
    ),
    "ntrip_exchange": (
        b'HTTP/1.1 401 No\r\nWWW-Authenticate: Digest realm="a", nonce="b", qop="auth"\r\n\r\n',
        b'HTTP/1.1 401 No\r\nWWW-Authenticate: Basic realm="a"\r\nContent-Length: 0\r\n\r\n',
        b"ICY 200 OK\r\n\r\n" + _RECORDS[-1][:60],
        b"HTTP/1.1 301 Moved\r\nLocation: http://other.example/M\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Type: gnss/data\r\nTransfer-Encoding: chunked\r\n\r\n3\r\nabc\r\n",
    ),
    "source_table": (
        b"SOURCETABLE 200 OK\r\n\r\n" + _ROW.encode() + b"ENDSOURCETABLE\r\n",
        _ROW.encode() + b"CAS;h;2101;n;o;0;NZL;-45.0;170.0;0.0.0.0;0;m\r\nNET;n;o;B;N;w;w;m;none\r\n",
    ),
    "site_file": (
        (ROOT / "sample_logs/good_day/site.toml").read_bytes(), _SITE[: len(_SITE) // 2].rpartition(b"\n[")[0] + b"\n",
        b"\n[" + _SITE[len(_SITE) // 2 :].partition(b"\n[")[2], b'[rover]\nsource = "tcp://10.0.0.5:9000"\n',
    ),
    "capture_index": (layout.HEAD.encode() + b"0,rover,1,1,bytes,0,5,,\n1,rover,2,2,ended,0,0,,\n", b'2,rover,,,failed,0,0,c,"a, b"\n'),
    "control_file": (b'{"point": "CP3", "utc": "2026-01-01T00:00:00Z", "result": "pass"}\n', json.dumps(_CHECK).encode() + b"\n"),
    "verdict_log": ((_SHOWN % (0, "GRADE")).encode(), (_SHOWN % (0, "GRADE") + _SHOWN % (7, "HOLD")).encode()),
    "saved_link": (_LINK.encode(),),
    "memory": (
        b'{"version": 1, "base": {"station_id": 412, "arp_ecef_m": [-4446723.8, 783085.1, -4489810.6], "antenna": "A", "utc": '
        b'"2026-01-01T00:00:00Z"}, "machines": {"Digger 7": {"ecef_m": [-4446723.8, 783085.1, -4489810.6], "heading_deg": 12.5, '
        b'"n": 60, "utc": "2026-01-01T00:00:00Z"}}}',
    ),
    "marks": (
        b"name,easting_m,northing_m,height_m,latitude_deg,longitude_deg,h_ellipsoid_m,use\nCP1,1.0,2.0,3.0,-45.0,170.0,15.0,both\n",
        b"name;easting_m;northing_m;height_m;measured_easting_m;measured_northing_m;measured_height_m\nA;1;2;3;1.01;2;3\n",
    ),
    "profile": (b"distance_m,height_m\n0,10\n500,12.5\n1000,9\n", b"0;1\n1000;2\n"),
    "url": (
        b"ntrip+tls://user:pw@caster.example:2101/MOUNT?baud=9600", b"serial:///dev/ttyUSB0?baud=115200", b"udp://:9000",
        b"tcp://[::1]:9000", b"file:day/rover.nmea", b"-",
    ),
}  # fmt: skip

# Of a run of all: in proportion to what a target takes from strangers, less where one input takes milliseconds.
SHARE: dict[str, float] = {
    "framing": 0.28, "decoding": 0.03, "decoding_of_blocks": 0.0006, "session": 0.0004, "ntrip_head": 0.25, "ntrip_exchange": 0.14,
    "source_table": 0.16, "site_file": 0.02, "capture_index": 0.02, "control_file": 0.02, "verdict_log": 0.01,
    "saved_link": 0.01, "memory": 0.01, "marks": 0.01, "profile": 0.01, "url": 0.029,
}  # fmt: skip
