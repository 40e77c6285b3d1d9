"""JSON lines of a live source: one a row as soon as it is judged, one more only where there is something new."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tests.rover_text import LAT_DEG, gga, gst, sentence, wobble

from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.live.keeping import Keeper
from hubtack.live.lines import Lines
from hubtack.live.shown import Shown
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session
from hubtack.site import default_site

START_MS = 36_000_000
SETUP = Setup(job_class="trench", assumed_baseline_m=1000.0)


def rmc(tod_ms: int) -> bytes:
    s = tod_ms // 1000
    clock = f"{s // 3600:02d}{s % 3600 // 60:02d}{s % 60:02d}.{tod_ms % 1000 // 10:02d}"
    return sentence(f"GPRMC,{clock},A,,,,,0.00,0.0,020326,,,R")


class Live:
    """A live run with nothing but its session and its lines."""

    def __init__(self, folder: Path) -> None:
        self.session = Session(SETUP, LinkSetup(has_arrival=True), link_role="rover")
        self.session.expect("rover")
        self.session.is_live = self.session.rover.sums_up_later = True
        self.texts: list[str] = []
        keeper = Keeper(self.session, default_site(), folder, None, remembers=False)
        self.lines = Lines(Shown(self.session), self.texts.append, keeper)
        self.now_s = 0.0

    def feed(self, data: bytes) -> None:
        self.lines.rows(self.session.feed(Chunk("rover", data)))

    def look(self, elapsed_s: float = 0.002, *, partial: bool = False) -> None:
        self.lines.look(int(elapsed_s * 1e9), partial, self.now_s)

    def second(self, i: int, quality: int = 4) -> None:
        tod = START_MS + i * 1000
        self.feed(rmc(tod) + gga(tod, quality=quality, lat_deg=LAT_DEG + wobble(i)) + gst(tod))
        self.look()
        self.now_s += 1.0

    def documents(self) -> list[dict[str, Any]]:
        return [json.loads(text) for text in self.texts]


def test_a_live_row_has_one_line_with_its_own_time(tmp_path: Path) -> None:
    live = Live(tmp_path)
    for i in range(30):
        live.second(i)
    # The date is learnt when the first row closes: the rows before it say null, and are told again with it.
    found = [d["utc"] for d in live.documents() if d["utc"] is not None]
    expected = [f"2026-03-02T10:00:{i:02d}Z" for i in range(30)]
    assert sorted(set(found)) == expected
    assert len(found) <= 30 + 3  # a finding that begins or ends says its row again


def test_the_line_of_a_row_is_written_before_the_next_row_comes(tmp_path: Path) -> None:
    live = Live(tmp_path)
    for i in range(2):
        live.second(i)
    for i in range(2, 20):
        live.second(i)
        assert live.documents()[-1]["utc"] == f"2026-03-02T10:00:{i:02d}Z"


def test_a_row_that_closes_otherwise_than_it_was_looked_at_is_told_again(tmp_path: Path) -> None:
    live = Live(tmp_path)
    for i in range(20):
        live.second(i)
    before = len(live.texts)
    tod = START_MS + 20_000
    live.feed(rmc(tod) + gga(tod, lat_deg=LAT_DEG + wobble(20)))
    live.look(0.15, partial=True)  # GST does not come in time
    live.feed(gst(tod, up_m=0.5))
    for i in (21, 22):
        live.second(i)
    told = [d for d in live.documents()[before:] if d["utc"] == "2026-03-02T10:00:20Z"]
    assert len(told) == 2
    assert told[0]["verdict"] == "GRADE"
    # The same moment again replaces: what stands at the end is what the row was judged to be.
    assert told[1]["edge_error_95_m"]["vertical"] >= told[0]["edge_error_95_m"]["vertical"]


def test_silence_is_told_when_it_changes_the_verdict_and_once_a_second(tmp_path: Path) -> None:
    live = Live(tmp_path)
    for i in range(20):
        live.second(i)
    before = len(live.texts)
    for tenth in range(1, 61):
        live.now_s = 20.0 + tenth / 10
        live.look(tenth / 10, partial=True)
    told = live.documents()[before:]
    assert 5 <= len(told) <= 10
    verdicts = [d["verdict"] for d in told]
    assert verdicts[-1] == "HOLD"
    first = told[verdicts.index("HOLD")]
    assert "no_rover" in first["reasons"]
    assert first["utc"] <= "2026-03-02T10:00:22.2Z"  # the limit is 3 s, and the look after it


def test_a_finding_that_begins_is_told_with_the_row_it_began_at(tmp_path: Path) -> None:
    live = Live(tmp_path)
    for i in range(20):
        live.second(i)
    for i in range(20, 60):
        live.second(i, quality=0)
    held = [d for d in live.documents() if d["fix_type"] == "none"]
    assert held
    assert {d["verdict"] for d in held} == {"HOLD"}
    last_of = {d["utc"]: d for d in live.documents()}
    assert last_of["2026-03-02T10:00:59Z"]["findings"] == live.documents()[-1]["findings"]


def test_closed_rows_of_a_log_have_the_moment_since_which_their_verdict_holds(tmp_path: Path) -> None:
    live = Live(tmp_path)
    data = b"".join(
        rmc(START_MS + i * 1000) + gga(START_MS + i * 1000, lat_deg=LAT_DEG + wobble(i)) + gst(START_MS + i * 1000)
        for i in range(30)
    )
    live.feed(data)
    told = live.documents()
    assert [d["utc"] for d in told] == [f"2026-03-02T10:00:{i:02d}Z" for i in range(28)]
    turned = next(i for i, d in enumerate(told) if d["verdict"] == "GRADE")
    assert {d["verdict_since_utc"] for d in told[turned:]} == {told[turned]["utc"]}
    assert {d["verdict_since_utc"] for d in told[:turned]} == {told[0]["utc"]}
