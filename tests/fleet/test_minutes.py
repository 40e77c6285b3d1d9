"""Minutes of machine time and losses of the fix, against the session's own sums and against a plain loop."""

from __future__ import annotations

import random
import statistics
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
from tests.rover_text import cuts, gga, good_rows, gst

from hubtack.engine.judge import silent_limit_ns
from hubtack.engine.rover import JudgedRows
from hubtack.fleet.account import MINUTE_COLUMNS
from hubtack.fleet.minutes import MINUTE_NS, MinuteRows
from hubtack.knowledge.fix_types import FIX_TYPES
from hubtack.logs.discover import SessionFiles, discover
from hubtack.logs.drive import session_for
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session
from hubtack.site import default_site, load_site

SAMPLES = Path(__file__).parents[2] / "sample_logs"


def minutes_of(data: list[bytes]) -> tuple[Session, MinuteRows, list[JudgedRows]]:
    session = session_for(SessionFiles("x", Path("rover.nmea")), default_site())
    minutes = MinuteRows(session.setup.limit("working_moved_s"))
    blocks = []
    for piece in data:
        rows = session.feed(Chunk("rover", piece))
        minutes.add(rows)
        blocks.append(rows)
    rows = session.close()
    minutes.add(rows)
    minutes.close(session.rover.tally.interval_s())
    return session, minutes, [*blocks, rows]


def rough_day(seed: int, seconds: int = 400, start_ms: int = 36_030_000) -> bytes:
    """Rows with float spells, gaps of all lengths and, now and then, movement."""
    rng = random.Random(seed)
    out, t, quality, lat = [], start_ms, 4, -45.031
    for i in range(seconds):
        if rng.random() < 0.03:
            quality = rng.choice((0, 1, 4, 4, 4, 5))
        t += rng.choice((1000,) * 40 + (2000, 3000, 4000, 70_000, 130_000))
        lat += rng.choice((0.0, 0.0, 2e-6)) + (i % 7) * 1e-9
        out.append(
            gga(t, quality=quality, lat_deg=lat, age_s=rng.choice((0.8, 1.0, 2.4)), satellites=rng.randrange(8, 30))
        )
        out.append(gst(t))
    return b"".join(out)


@pytest.mark.parametrize("seed", range(4))
def test_minutes_add_up_to_the_sessions_own_sums(seed: int) -> None:
    session, minutes, _ = minutes_of([rough_day(seed)])
    columns, tally = minutes.columns(None), session.rover.tally
    assert set(columns) == set(MINUTE_COLUMNS) and len({len(c) for c in columns.values()}) == 1
    for name, seconds in tally.verdict_seconds().items():
        assert sum(columns[f"{name}_s"]) == pytest.approx(seconds, abs=1e-6)
    assert sum(columns["covered_s"]) + sum(columns["no_data_s"]) == pytest.approx(tally.duration_s(), abs=1e-6)
    assert sum(sum(columns[f"{f.key}_s"]) for f in FIX_TYPES) == pytest.approx(sum(columns["covered_s"]), abs=1e-6)
    assert sum(columns["working_s"]) == pytest.approx(tally.working_ms / 1000.0, abs=1e-6)
    assert sum(columns["lost_working_s"]) == pytest.approx(tally.lost_working_ms / 1000.0, abs=1e-6)
    assert sum(columns["epochs"]) == tally.epochs
    assert len(minutes.losses) == tally.fix_losses
    # No minute holds more than a minute, and silence lies in the minutes in which nothing came.
    assert max(c + n for c, n in zip(columns["covered_s"], columns["no_data_s"], strict=True)) <= 60.0 + 1e-9
    assert columns["minute_ns"] == sorted(set(columns["minute_ns"]))


@pytest.mark.parametrize("seed", range(2))
def test_the_cut_into_blocks_does_not_matter(seed: int) -> None:
    data = rough_day(seed + 10)
    _, whole, _ = minutes_of([data])
    rng = random.Random(seed)
    for n in (3, 100):
        places = sorted(rng.sample(range(1, len(data)), n))
        _, parts, _ = minutes_of(cuts(data, places))
        assert parts.columns(None) == whole.columns(None)
        assert parts.losses == whole.losses


def test_minutes_are_what_a_plain_loop_over_the_rows_gives() -> None:
    session, minutes, blocks = minutes_of([rough_day(77)])
    silent_ns = silent_limit_ns(session.rover.track, session.setup)
    rows = [
        (int(b.epochs.time_ns[i]), int(b.judged.verdict[i]), float(b.q.age_used_s[i]), float(b.epochs.satellites[i]))
        for b in blocks
        for i in range(len(b.epochs))
    ]
    sums: dict[int, list[int]] = defaultdict(lambda: [0, 0, 0, 0, 0])  # covered, no data, verdicts
    values: dict[int, list[tuple[float, float]]] = defaultdict(list)
    for (t, verdict, age, satellites), after in zip(rows, [*rows[1:], None], strict=True):
        step = 1_000_000_000 if after is None else after[0] - t
        for at in range(t, t + step, 1_000_000_000):
            quiet = at - t >= silent_ns
            sums[at // MINUTE_NS][1 if quiet else 0] += 1
            sums[at // MINUTE_NS][2 + (2 if quiet else verdict)] += 1
        values[t // MINUTE_NS].append((age, satellites))
    columns = minutes.columns(None)
    assert [m // MINUTE_NS for m in columns["minute_ns"]] == sorted(sums)
    names = ("covered_s", "no_data_s", "grade_s", "rough_s", "hold_s")
    for k, minute in enumerate(sorted(sums)):
        assert [columns[name][k] for name in names] == sums[minute]
        ages = [a for a, _ in values[minute] if not np.isnan(a)]
        assert columns["age_median_s"][k] == (pytest.approx(statistics.median(ages)) if ages else None)
        assert columns["age_max_s"][k] == (max(ages) if ages else None)
        seen = [s for _, s in values[minute]]
        assert columns["satellites_median"][k] == (statistics.median(seen) if seen else None)


def test_a_loss_knows_when_where_and_to_what(tmp_path: Path) -> None:
    fixed, loose = good_rows(36_000_000, 60), good_rows(36_060_000, 20, quality=5)
    _, minutes, _ = minutes_of([fixed + loose + good_rows(36_080_000, 30) + good_rows(36_120_000, 5)])
    assert [(m["start_ns"], m["end_ns"], m["to_fix"]) for m in minutes.losses] == [
        (36_060 * 10**9, 36_080 * 10**9, "rtk_float"),
        (36_109 * 10**9, 36_120 * 10**9, "no_data"),
    ]
    assert minutes.losses[0]["latitude_deg"] == pytest.approx(-45.031, abs=1e-6)
    assert minutes.losses[0]["from_fix"] == "rtk_fixed" and minutes.losses[0]["working"] is False


def test_a_loss_that_is_never_regained_stays_open() -> None:
    _, minutes, _ = minutes_of([good_rows(36_000_000, 30) + good_rows(36_030_000, 30, quality=1)])
    assert minutes.losses[-1]["end_ns"] is None and minutes.losses[-1]["to_fix"] == "autonomous"


def test_a_clock_that_steps_back_loses_no_time_and_does_not_crash() -> None:
    data = good_rows(36_000_000, 100) + good_rows(35_000_000, 100)
    session, minutes, _ = minutes_of([data])
    columns = minutes.columns(None)
    assert sum(columns["epochs"]) == 200 == session.rover.tally.epochs
    assert sum(columns["grade_s"]) + sum(columns["rough_s"]) + sum(columns["hold_s"]) == pytest.approx(
        session.rover.tally.duration_s()
    )


def test_minutes_have_a_date_where_the_session_has_one() -> None:
    _, minutes, _ = minutes_of([good_rows(36_000_000, 90)])
    dated, undated = minutes.columns(20_761), minutes.columns(None)  # 2026-11-04
    assert dated["minute_utc"] == ["2026-11-04T10:00:00Z", "2026-11-04T10:01:00Z"]
    assert dated["minute_ns"][0] == (20_761 * 86_400 + 36_000) * 10**9
    assert undated["minute_utc"] == [None, None] and undated["minute_ns"][0] == 36_000 * 10**9


def test_a_session_without_rows_has_no_minutes() -> None:
    _, minutes, _ = minutes_of([b""])
    assert all(column == [] for column in minutes.columns(None).values())


def test_a_sample_with_corrections_adds_up_too() -> None:
    from hubtack.logs.drive import run_files

    (files,) = discover([SAMPLES / "link_stalled"]).sessions
    assert files.site is not None
    session = session_for(files, load_site(files.site))
    minutes = MinuteRows(session.setup.limit("working_moved_s"))
    run_files(session, files, minutes.add)
    minutes.close(session.rover.tally.interval_s())
    columns = minutes.columns(session.axis.day0)
    for name, seconds in session.rover.tally.verdict_seconds().items():
        assert sum(columns[f"{name}_s"]) == pytest.approx(seconds)
    assert max(a for a in columns["age_max_s"] if a is not None) > 50.0
