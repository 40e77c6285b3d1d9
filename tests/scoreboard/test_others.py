"""What casters do, checks on marks, this computer's clock: is the first finding what was done? From fresh seeds.

A sample runs with every test run; ``python -m tests.scoreboard.run --others 20`` prints the table at any size.
"""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest
from tests.scoreboard import caster, caster_ways, clock, control
from tests.scoreboard.confusion import Row, confusion_table
from tests.scoreboard.made_time import MadeTime
from tests.scoreboard.others import one_check, run_others

# Over in an instant: nothing streams for minutes. The others are behind the marker.
_QUICK = ("wrong_login", "nobody_there", "wrong_mount", "wants_position", "faulty", "throttled")


def test_a_sample_of_casters_marks_and_clocks_is_told_right(tmp_path: Path, rng: np.random.Generator) -> None:
    cases = [caster.draw_caster_case(rng, str(way)) for way in [*rng.choice(_QUICK, 2, replace=False), "works"]]
    rows = [caster.caster_row(caster.run_caster_case(c, tmp_path / f"caster{i}", 45)) for i, c in enumerate(cases)]
    checks = [str(rng.choice(sorted(ways))) for ways in (control.WAYS, {*control.CHANGES, *clock.CLOCKS})]
    rows += [one_check(control.draw_control_case(rng, way), tmp_path / f"check{i}") for i, way in enumerate(checks)]
    # One in twenty may be wrong: two of five are one run in fifty, three are a fault.
    assert sum(row.right for row in rows) >= 3, confusion_table(rows)


@pytest.mark.slow
def test_of_all_of_them_nineteen_in_twenty_are_named(tmp_path: Path, rng: np.random.Generator) -> None:
    rows = run_others(rng, 20, tmp_path)
    print(confusion_table(rows))
    assert sum(row.right for row in rows) >= 0.95 * len(rows), confusion_table(rows)


def test_the_table_tells_what_was_said_in_place_of_what_was_done() -> None:
    rows = [Row("a", "a", True, ""), Row("a", "b", False, "how to have it again"), Row("c", "c", True, "")]
    lines = confusion_table(rows).splitlines()
    assert lines[1].split() == ["a", "2", "1", "b", "1"]
    assert "right first: 2 of 3 (66.7 %)" in lines
    assert lines[-1] == "  a -> b: how to have it again"


def test_every_way_of_a_caster_has_its_codes_and_a_drawn_way_is_the_same_again() -> None:
    codes = set()
    for name, draw in caster_ways.WAYS.items():
        ways = [draw(np.random.Generator(np.random.PCG64(seed))) for seed in range(3)]
        codes |= {code for way in ways for code in way.right}
        again = draw(np.random.Generator(np.random.PCG64(0)))
        assert (again.about, again.right) == (ways[0].about, ways[0].right), name
    assert {c for c in codes if c.startswith("caster_")} == {
        "caster_auth", "caster_unreachable", "caster_mount", "caster_throttled", "caster_needs_position", "caster_tls",
        "caster_dropped",
    }  # fmt: skip


def test_made_time_passes_only_while_everybody_waits() -> None:
    time, seen = MadeTime(10**18), []

    def sleeper(name: str, step_s: float) -> None:
        for _ in range(3):
            time.sleep(step_s)
            seen.append((time.now_s(), name))
        time.leave()

    time.join(2)
    threads = [threading.Thread(target=sleeper, args=pair) for pair in (("slow", 1000.0), ("quick", 300.0))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(5)
    assert seen == [
        (300.0, "quick"),
        (600.0, "quick"),
        (900.0, "quick"),
        (1000.0, "slow"),
        (2000.0, "slow"),
        (3000.0, "slow"),
    ]
    assert time.utc_ns() == 10**18 + 3000 * 10**9


def test_who_waits_for_news_is_woken_by_it_and_news_that_came_before_is_not_slept_over() -> None:
    time, seen = MadeTime(0), []
    time.join(2)

    def reader() -> None:
        time.sleep(100.0, "bytes", time.news("bytes"))
        seen.append(time.now_s())
        time.leave()

    waiting = threading.Thread(target=reader)
    waiting.start()
    before = time.news("bytes")
    time.sleep(7.0)
    time.tell("bytes")
    waiting.join(5)
    assert seen == [7.0]
    time.sleep(100.0, "bytes", before)
    assert time.now_s() == 7.0
