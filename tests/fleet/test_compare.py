"""Two periods side by side."""

from __future__ import annotations

import pytest
from tests.fleet.made_fleet import finding, made

from hubtack.fleet.compare import compare


def test_rates_are_compared_and_not_sums() -> None:
    now = [made("D", 120, key="n", lost={0: 60.0})]
    before = [made("D", 600, key="b", start_s=-900_000.0, lost={0: 60.0, 1: 60.0})]
    pair = compare(now, before).fleet
    assert pair.now.lost_share == pytest.approx(1 / 120)
    assert pair.before.lost_share == pytest.approx(2 / 600)
    assert pair.enough


def test_less_than_an_hour_of_work_is_too_little_to_compare() -> None:
    comparison = compare([made("D", 59, key="n")], [made("D", 600, key="b")])
    assert not comparison.fleet.enough


def test_a_machine_of_one_period_only_is_there_with_nothing_beside_it() -> None:
    comparison = compare([made("D", key="n")], [made("E", key="b")])
    assert [(p.name, p.now.sessions, p.before.sessions) for p in comparison.machines] == [("D", 1, 0), ("E", 0, 1)]
    assert comparison.machines[1].now.lost_share is None


def test_a_session_in_both_periods_counts_for_this_one() -> None:
    same = made("D", key="same")
    comparison = compare([same], [same, made("D", key="old", start_s=-9000.0)])
    assert (comparison.repeated, comparison.fleet.before.sessions) == (1, 1)


def test_causes_of_both_periods_are_listed_the_dearest_of_now_first() -> None:
    stall, sky = finding("link_stalled", [(0.0, 60.0)]), finding("sky_blocked", [(-9000.0, -8940.0)])
    now = [made("D", key="n", lost={0: 60.0, 5: 30.0}, findings=[stall])]
    before = [made("D", key="b", start_s=-9000.0, lost={0: 30.0}, findings=[sky])]
    rows = compare(now, before).causes
    assert [(c.code, c.now_s, c.before_s) for c in rows] == [
        ("link_stalled", 60.0, 0.0), ("sky_blocked", 0.0, 30.0), (None, 30.0, 0.0),
    ]  # fmt: skip
    assert rows[0].now_share == pytest.approx(0.1)


def test_nothing_before_is_unknown_and_no_improvement() -> None:
    comparison = compare([made("D")], [])
    assert comparison.fleet.before.lost_share is None and not comparison.fleet.enough
