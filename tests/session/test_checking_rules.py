"""Which rows were checked: each rule of a control check's life, row by row against the record's own rule.

The rule itself (``LatestCheck.counts_at``) is held by tests/control; here it must reach every row, and no row but those.
"""

from __future__ import annotations

import datetime as dt
import itertools

import numpy as np
import pytest

from hubtack.control.latest import LatestCheck
from hubtack.engine.link import LATCH_FLAGS, PHYSICAL, UNKNOWN, LinkColumns
from hubtack.engine.rover import LATCHES
from hubtack.engine.setup import Setup
from hubtack.knowledge.reasons import BIT
from hubtack.session.checking import Checking
from hubtack.session.link_join import link_at_rows

DAY = dt.datetime(2026, 3, 2, tzinfo=dt.UTC)
HERE, THERE = (1.0, 2.0, 3.0), (1.0, 2.0, 9.0)


def ns(hour: float) -> int:
    """UTC of an hour of the day. [ns]"""
    return int(DAY.timestamp()) * 1_000_000_000 + round(hour * 3600e9)


def check(
    hour: float, *, passed: bool = True, base_id: int | None = None, arp: tuple[float, float, float] | None = None,
    computed: bool = False,
) -> LatestCheck:  # fmt: skip
    utc = (DAY + dt.timedelta(hours=hour)).isoformat()
    return LatestCheck(utc, 0.008, base_id, arp, passed, "CP3", None, base_computed=computed)


def flags(
    checking: Checking, rows: list[tuple[float, float | None, tuple[float, float, float] | None, bool]]
) -> list[bool]:
    """(hour, base ID, its place, whether a network computes it) of each row; any cut must give the same."""
    utc_ns = np.array([ns(hour) for hour, *_ in rows], dtype=np.int64)
    ids = np.array([np.nan if i is None else float(i) for _, i, *_ in rows])
    arps = np.array([(np.nan,) * 3 if a is None else a for *_, a, _ in rows]).reshape(-1, 3)
    computed = np.array([c for *_, c in rows], dtype=bool)
    whole = checking.at_rows(utc_ns, ids, arps, computed)
    assert whole.dtype == bool
    for at in range(len(rows) + 1):
        parts = [checking.at_rows(utc_ns[p], ids[p], arps[p], computed[p]) for p in (slice(0, at), slice(at, None))]
        assert np.concatenate(parts).tolist() == whole.tolist()
    return whole.tolist()


def known(*checks: LatestCheck, valid_h: float = 12.0) -> Checking:
    checking = Checking(valid_h)
    checking.know(checks)
    return checking


def at(*hours: float) -> list[tuple[float, float | None, tuple[float, float, float] | None, bool]]:
    return [(hour, None, None, False) for hour in hours]


def test_nothing_is_checked_without_a_check_or_before_it() -> None:
    assert flags(known(), at(7.0, 8.0)) == [False, False] and flags(known(check(7.0)), []) == []
    tick = 1.0 / 3.6e12  # hours in a nanosecond
    assert flags(known(check(7.0)), at(7.0 - 1e6 * tick, 7.0, 8.0)) == [False, True, True]


def test_a_check_ends_at_its_age() -> None:
    assert flags(known(check(7.0)), at(18.999, 19.0, 19.001)) == [True, True, False]
    assert flags(known(check(7.0), valid_h=2.0), at(8.9, 9.0, 9.1)) == [True, True, False]
    # In one stretch in which nothing changes, the end still comes at its row.
    assert flags(known(check(7.0), valid_h=2.0), at(*np.arange(7.0, 11.0, 0.25))) == [True] * 9 + [False] * 7


def test_a_failure_undoes_the_passes_before_it_until_the_next_pass() -> None:
    checking = known(check(9.0), check(8.0, passed=False), check(7.0))  # in any order
    assert flags(checking, at(7.5, 8.0, 8.5, 9.0, 10.0)) == [True, False, False, True, True]


def test_a_check_ends_with_its_base_and_comes_back_with_it() -> None:
    checking = known(check(7.0, base_id=412, arp=HERE))
    rows = [
        (8.0, 412, HERE, False), (8.1, 413, HERE, False), (8.2, 412, HERE, False), (8.3, 412, THERE, False),
        (8.4, None, None, False), (8.5, 412, None, False), (8.6, None, HERE, False), (8.7, 412, HERE, True),
    ]  # fmt: skip
    assert flags(checking, rows) == [True, False, True, False, True, True, True, False]


def test_a_base_that_is_not_known_is_no_other_base_whatever_came_between() -> None:
    checking = known(check(7.0, base_id=412))
    rows = [(8.0, None, None, False), (8.1, 413, None, False), (8.2, None, None, False), (8.3, 412, None, False)]
    assert flags(checking, rows) == [True, False, True, True]


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_each_part_of_the_place_counts(axis: int) -> None:
    moved = list(HERE)
    moved[axis] += 1.0
    rows = [(8.0, 412, HERE, False), (8.1, 412, (moved[0], moved[1], moved[2]), False), (8.2, 412, HERE, False)]
    assert flags(known(check(7.0, base_id=412, arp=HERE)), rows) == [True, False, True]


def test_a_network_s_base_may_change_as_it_likes() -> None:
    rows = [(8.0, 1, HERE, True), (8.1, 2, THERE, True), (8.2, 2, THERE, False), (8.3, None, None, False)]
    assert flags(known(check(7.0, computed=True)), rows) == [True, True, False, True]


def test_rows_are_as_the_record_s_own_rule_says_one_by_one() -> None:
    checks = [check(7.0, base_id=412), check(9.0, passed=False), check(10.0, arp=HERE), check(15.0, computed=True)]
    checking = known(*checks)
    rows = [
        (hour, base_id, arp, computed)
        for hour, base_id, arp, computed in itertools.product(
            (6.0, 7.0, 8.9, 9.5, 10.0, 14.0, 16.0, 27.5), (None, 412, 413), (None, HERE, THERE), (False, True)
        )
    ]
    expected = []
    for hour, base_id, arp, computed in rows:
        newest = [c for c in checks if c.at <= DAY + dt.timedelta(hours=hour)]
        expected.append(
            bool(newest)
            and newest[-1].counts_at(
                DAY + dt.timedelta(hours=hour), valid_h=12.0, base_id=base_id, arp_ecef_m=arp, base_computed=computed
            )
        )
    assert flags(checking, rows) == expected and 0 < sum(expected) < len(expected)


def test_a_site_with_a_check_on_record_expects_them() -> None:
    checking = Checking(12.0)
    checking.know([])
    assert not checking.expected and checking.checks == ()
    checking.know([], expected=True)
    assert checking.expected
    checking.know([])
    assert checking.expected  # once said, it stays
    other = Checking(12.0)
    other.know([check(7.0, passed=False)])
    assert other.expected


def test_the_newest_check_is_the_one_not_after_the_moment() -> None:
    checking = known(check(9.0), check(7.0, passed=False))
    assert checking.newest_at(ns(6.9)) is None
    for hour, of in ((7.0, 7.0), (8.9, 7.0), (9.0, 9.0), (30.0, 9.0)):
        newest = checking.newest_at(ns(hour))
        assert newest is not None and newest.at == DAY + dt.timedelta(hours=of)


def test_moments_are_exact_to_the_microsecond() -> None:
    checking = known(check(7.0), check(9.0 + 1.0 / 3.6e9))
    assert checking.passed_between(0, ns(30.0)) == [ns(7.0), ns(9.0) + 1000]


def test_only_passed_checks_confirm_and_each_once() -> None:
    checking = known(check(7.0), check(8.0, passed=False), check(9.0), check(10.0))
    assert checking.passed_between(ns(6.0), ns(9.0)) == [ns(7.0), ns(9.0)]
    assert checking.passed_between(ns(7.0), ns(9.999)) == [ns(9.0)]  # after the one, not after the other
    assert checking.passed_between(ns(9.0), ns(9.0)) == []


# What the link has latched, at the rover's rows -----------------------------------------------------------------------


def columns(n: int) -> LinkColumns:
    return LinkColumns(
        np.full(n, 36_000_000.0), np.full((n, 3), 5.0), np.full(n, 412.0), np.full(n, PHYSICAL, dtype=np.int64),
        np.zeros(n, dtype=np.int64), LATCH_FLAGS,
    )  # fmt: skip


def test_every_latch_of_the_link_is_a_reason_of_the_verdict() -> None:
    assert set(LATCH_FLAGS) == set(LATCHES)
    for code, flag in LATCH_FLAGS.items():
        given = columns(3)
        given.latches[1:] = flag
        assert link_at_rows(given, np.full(3, 36_000_000), Setup()).latch_bits.tolist() == [
            0, BIT[f"latched_{code}"], BIT[f"latched_{code}"],
        ]  # fmt: skip
    given = columns(1)
    given.latches[:] = sum(LATCH_FLAGS.values())
    assert link_at_rows(given, np.zeros(1, dtype=np.int64), Setup()).latch_bits[0] == sum(LATCHES.values())
    assert link_at_rows(columns(2), np.zeros(2, dtype=np.int64), Setup()).latch_bits.tolist() == [0, 0]


def test_a_link_is_healthy_while_its_epochs_are_younger_than_the_rough_limit_of_age() -> None:
    tod_ms = np.array([36_000_000, 36_009_999, 36_010_000, 35_990_000], dtype=np.int64)
    assert link_at_rows(columns(4), tod_ms, Setup()).healthy.tolist() == [True, True, False, True]
    limits = Setup(overrides={"correction_age_rough_s": 5.0})
    assert link_at_rows(columns(4), tod_ms, limits).healthy.tolist() == [True, False, False, True]
    given = columns(2)
    given.obs_utc_ms[:] = (86_399_000.0, np.nan)  # over midnight, and nothing heard
    assert link_at_rows(given, np.array([4_000, 4_000]), Setup()).healthy.tolist() == [True, False]
    assert link_at_rows(given, np.array([12_000, 4_000]), Setup()).healthy.tolist() == [False, False]


def test_what_is_known_of_the_base_reaches_the_rows_as_it_is() -> None:
    given = columns(3)
    given.base_kind[:] = (UNKNOWN, PHYSICAL, 2)
    rows = link_at_rows(given, np.full(3, 36_000_000), Setup())
    assert rows.base_computed.tolist() == [False, False, True] and rows.station_id is given.station_id
    assert rows.arp_ecef_m is given.arp_ecef_m and rows.obs_utc_ms is given.obs_utc_ms
