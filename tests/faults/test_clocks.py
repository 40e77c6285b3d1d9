"""Clocks that step, days that end, weeks that roll over, seconds that leap: the verdict errs to HOLD and comes back."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from tests.faults.test_safety import SETUP
from tests.rover_text import LAT_DEG, gga, gst, sentence, wobble
from tests.session.test_session import arp, msm

from hubtack.engine.judge import VERDICTS
from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session, join_rows

DAY_MS = 86_400_000
UTC_0_NS = 1_790_000_000 * 1_000_000_000


def row(tod_ms: int, i: int, quality: int = 4) -> bytes:
    return gga(tod_ms % DAY_MS, quality=quality, lat_deg=LAT_DEG + wobble(i)) + gst(tod_ms % DAY_MS)


def verdicts(rows: list[bytes], setup: Setup = SETUP, utc_ns: list[int] | None = None) -> list[str]:
    session = Session(setup, LinkSetup(has_arrival=utc_ns is not None), link_role="rover")
    parts = [
        session.feed(Chunk("rover", data, None if utc_ns is None else utc_ns[i], i * 10**9 if utc_ns else None))
        for i, data in enumerate(rows)
    ]
    parts.append(session.close())
    session.findings()
    joined = join_rows([p for p in parts if len(p.epochs)])
    assert len(rows) - len(joined.epochs) in (0, 1)  # a time that is repeated is no new row
    return [VERDICTS[v] for v in joined.judged.verdict]


@pytest.mark.parametrize("step_s", [-7200.0, -60.0, -1.0, 18.0, 60.0, 7200.0])
def test_a_rover_whose_clock_steps_is_held_and_settles_again(step_s: float) -> None:
    times = [36_000_000 + i * 1000 + (int(step_s * 1000) if i >= 40 else 0) for i in range(120)]
    found = verdicts([row(t, i) for i, t in enumerate(times)])
    assert found[39] == "GRADE"
    # A step of one second back repeats a time; anything larger is a restart or a silence.
    if step_s != -1.0:
        assert set(found[40:50]) == {"HOLD"}
    assert found[-1] == "GRADE"


def test_midnight_is_no_event() -> None:
    found = verdicts([row(DAY_MS - 40_000 + i * 1000, i) for i in range(80)])
    assert set(found[12:]) == {"GRADE"}


def test_a_leap_second_written_as_second_sixty_costs_no_more_than_itself() -> None:
    rows = [row(DAY_MS - 30_000 + i * 1000, i) for i in range(30)]
    leap = rows[-1].replace(b",235959.00,", b",235960.00,")
    lines = [line.partition(b"*")[0][1:].decode() for line in leap.split(b"\r\n") if line]
    rows.append(b"".join(sentence(body) for body in lines))
    rows += [row(i * 1000, 30 + i) for i in range(40)]
    session = Session(SETUP, LinkSetup(), link_role="rover")
    parts = [session.feed(Chunk("rover", data)) for data in rows] + [session.close()]
    joined = join_rows([p for p in parts if len(p.epochs)])
    assert len(joined.epochs) in (70, 71)  # second 60 is a row of its own, or none at all
    assert VERDICTS[joined.judged.verdict[-1]] == "GRADE"


def test_the_end_of_a_gps_week_is_no_event_for_the_age_of_corrections() -> None:
    # Saturday 23:59:42 UTC is the week's last second before the roll-over: GPS is 18 s ahead of UTC (IS-GPS-200, 20.3.3.5.2.4).
    start = DAY_MS - 60_000
    parts = [arp()]
    for i in range(120):
        tod = start + i * 1000
        parts.append(msm(tod - DAY_MS))  # as on a Saturday night: the time of week wraps within the log
        parts.append(row(tod, i))
    session = Session(SETUP, LinkSetup(), link_role="rover")
    rows = join_rows([p for p in (session.feed(Chunk("rover", b"".join(parts))), session.close()) if len(p.epochs)])
    ages = rows.q.age_stream_s[2:]
    assert np.nanmax(np.abs(ages)) <= 2.0
    assert not {f.code for f in session.findings()} & {"base_clock", "clock_mismatch", "link_stalled"}
    assert VERDICTS[rows.judged.verdict[-1]] == "GRADE"


@pytest.mark.parametrize("step_s", [-3600.0, -5.0])
def test_this_computers_clock_set_back_does_not_matter(step_s: float) -> None:
    utc = [UTC_0_NS + i * 10**9 + (int(step_s * 1e9) if i >= 40 else 0) for i in range(90)]
    found = verdicts([row(36_000_000 + i * 1000, i) for i in range(90)], utc_ns=utc)
    assert set(found[12:]) == {"GRADE"}


def test_this_computers_clock_set_forward_errs_to_hold() -> None:
    utc = [UTC_0_NS + i * 10**9 + (60 * 10**9 if i >= 40 else 0) for i in range(90)]
    found = verdicts([row(36_000_000 + i * 1000, i) for i in range(90)], utc_ns=utc)
    assert found[39] == "GRADE"
    assert found[40] == "HOLD"


def test_a_backlog_of_half_a_minute_cannot_settle_into_grade() -> None:
    utc = [UTC_0_NS + i * 10**9 for i in range(40)] + [UTC_0_NS + 70 * 10**9] * 30
    found = verdicts([row(36_000_000 + i * 1000, i) for i in range(70)], utc_ns=utc)
    assert found[39] == "GRADE"
    assert set(found[40:66]) == {"HOLD"}


def test_the_computers_time_zone_and_its_summer_time_change_nothing(tmp_path: Path) -> None:
    log = tmp_path / "rover.nmea"
    log.write_bytes(b"".join(row(36_000_000 + i * 1000, i) for i in range(40)))
    outputs = [
        subprocess.run(
            [sys.executable, "-m", "hubtack", "watch", str(log), "--speed", "0", "--json", "--no-log"],
            env={**os.environ, "TZ": name}, capture_output=True, check=False, timeout=60,
        ).stdout
        for name in ("UTC", "Pacific/Auckland")
    ]  # fmt: skip
    assert outputs[0].count(b"GRADE")
    assert len(set(outputs)) == 1
