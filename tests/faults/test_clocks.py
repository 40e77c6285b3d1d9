"""Clocks that step, days that end, weeks that roll over, seconds that leap: the verdict errs to HOLD and comes back."""

from __future__ import annotations

import itertools
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
from hubtack.engine.lateness import delays_ns
from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session, join_rows

DAY_MS = 86_400_000
UTC_0_NS = 1_790_000_000 * 1_000_000_000


def row(tod_ms: int, i: int, quality: int = 4) -> bytes:
    return gga(tod_ms % DAY_MS, quality=quality, lat_deg=LAT_DEG + wobble(i)) + gst(tod_ms % DAY_MS)


def verdicts(
    rows: list[bytes], setup: Setup = SETUP, utc_ns: list[int] | None = None, mono_ns: list[int] | None = None
) -> list[str]:
    session = Session(setup, LinkSetup(has_arrival=utc_ns is not None), link_role="rover")
    mono_ns = mono_ns or [i * 10**9 for i in range(len(rows))]
    parts = [
        session.feed(Chunk("rover", data, None if utc_ns is None else utc_ns[i], mono_ns[i] if utc_ns else None))
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


@pytest.mark.parametrize("step_s", [4.0, 60.0, 7200.0])
def test_this_computers_clock_set_forward_is_held_and_settles_by_itself(step_s: float) -> None:
    utc = [UTC_0_NS + i * 10**9 + (int(step_s * 1e9) if i >= 40 else 0) for i in range(90)]
    found = verdicts([row(36_000_000 + i * 1000, i) for i in range(90)], utc_ns=utc)
    assert found[39] == "GRADE"
    assert set(found[40:60]) == {"HOLD"}  # ten seconds in step, and ten to settle
    assert set(found[61:]) == {"GRADE"}


def test_a_clock_that_is_set_forward_and_back_again_is_as_if_nothing_had_been() -> None:
    utc = [UTC_0_NS + i * 10**9 + (60 * 10**9 if 40 <= i < 45 else 0) for i in range(90)]
    found = verdicts([row(36_000_000 + i * 1000, i) for i in range(90)], utc_ns=utc)
    assert set(found[40:45]) == {"HOLD"}
    assert set(found[56:]) == {"GRADE"}


def test_a_backlog_of_half_a_minute_cannot_settle_into_grade() -> None:
    utc = [UTC_0_NS + i * 10**9 for i in range(40)] + [UTC_0_NS + 70 * 10**9] * 30
    found = verdicts([row(36_000_000 + i * 1000, i) for i in range(70)], utc_ns=utc)
    assert found[39] == "GRADE"
    assert set(found[40:66]) == {"HOLD"}


def came(rows: list[tuple[int, float, float]]) -> list[str]:
    """Verdicts of rows given as (second of the row, arrival by this computer's clock, by its steady one) [s]."""
    return verdicts(
        [row(36_000_000 + i * 1000, i) for i, _, _ in rows],
        utc_ns=[UTC_0_NS + round(utc_s * 1e9) for _, utc_s, _ in rows],
        mono_ns=[10**12 + round(mono_s * 1e9) for _, _, mono_s in rows],
    )


def test_a_backlog_after_a_sleep_is_held_although_the_steady_clock_has_slept_as_well() -> None:
    before = [(i, i, i) for i in range(40)]
    backlog = [(i, 3640.0 + i / 100, 40.0 + i / 100) for i in range(40, 100)]  # an hour old, poured out in a second
    after = [(3600 + i, 3600.0 + i, float(i)) for i in range(42, 80)]
    found = came([*before, *backlog, *after])
    assert found[39] == "GRADE"
    assert set(found[40:100]) == {"HOLD"}
    assert set(found[100:109]) == {"HOLD"}
    assert found[-1] == "GRADE"


def test_a_slow_backlog_after_a_sleep_is_held_until_it_is_over() -> None:
    before = [(i, i, i) for i in range(40)]
    # An hour old, at twice the pace of time: it is in step with no clock.
    backlog = [(i, 3640.0 + (i - 40) / 2, 40.0 + (i - 40) / 2) for i in range(40, 200)]
    found = came([*before, *backlog])
    assert set(found[40:]) == {"HOLD"}


def test_rows_that_come_late_after_the_clock_was_set_are_late_all_the_same() -> None:
    before = [(i, i, i) for i in range(40)]
    set_on = [(i, i + 60.0, i) for i in range(40, 80)]
    stalled = [(i, 120.0 + 60.0, 120.0) for i in range(80, 110)]  # forty seconds at once: thirty of them late
    found = came([*before, *set_on, *stalled])
    assert found[79] == "GRADE"
    assert set(found[80:]) == {"HOLD"}


@pytest.mark.parametrize("seed", range(4))
def test_a_step_of_the_clock_is_judged_the_same_for_any_cut_into_blocks(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 200
    time_ns = np.arange(n, dtype=np.int64) * 10**9
    mono = time_ns + 10**12 + rng.integers(0, 300_000_000, n)
    utc = mono + UTC_0_NS + np.cumsum(np.where(rng.random(n) < 0.02, rng.integers(-90, 90, n), 0)) * 10**9
    utc[rng.random(n) < 0.05], mono[rng.random(n) < 0.05] = -1, -1
    delay, least, clock = delays_ns(time_ns, utc, mono, None, None)
    bounds = [0, *sorted(rng.integers(0, n, 30).tolist()), n]
    parts, at, known = [], None, None
    for a, b in itertools.pairwise(bounds):
        part, at, known = delays_ns(time_ns[a:b], utc[a:b], mono[a:b], at, known)
        parts.append(part)
    np.testing.assert_array_equal(np.concatenate(parts), delay)
    assert (at, known) == (least, clock)


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
