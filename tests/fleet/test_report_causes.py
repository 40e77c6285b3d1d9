"""Every second of lost work is charged to one cause."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.fleet.made_fleet import at, finding, fleet, made

from hubtack.fleet.causes import charges, rank_causes
from hubtack.fleet.totals import Totals, cost_per_h, overlapping, totals, utc_ns


def charged(account) -> dict:
    return {c.code: c.lost_s for c in rank_causes([account])}


def test_lost_time_goes_to_the_finding_in_force() -> None:
    account = made(
        "D",
        lost={2: 60.0, 7: 30.0},
        findings=[finding("link_stalled", [(120.0, 175.0)]), finding("sky_blocked", [(425.0, 470.0)])],
    )
    assert charged(account) == {"link_stalled": 60.0, "sky_blocked": 30.0}


def test_of_two_findings_in_force_the_first_ranked_takes_it_all() -> None:
    account = made(
        "D", lost={2: 60.0}, findings=[finding("two_bases", [(0.0, 600.0)]), finding("stuck_float", [(120.0, 180.0)])]
    )
    assert charged(account) == {"two_bases": 60.0}


def test_a_folded_effect_counts_for_its_cause() -> None:
    stall = finding("link_stalled", [(60.0, 70.0)])
    stall["evidence"]["consequences"] = [{"code": "stuck_float", "start_utc": at(300.0), "end_utc": at(400.0)}]
    assert charged(made("D", lost={5: 50.0}, findings=[stall])) == {"link_stalled": 50.0}


def test_settling_after_an_episode_falls_to_it_and_later_loss_to_nobody() -> None:
    account = made("D", lost={3: 10.0, 6: 10.0}, findings=[finding("link_stalled", [(60.0, 119.0)])])
    assert charged(account) == {"link_stalled": 10.0, None: 10.0}


def test_an_open_finding_is_in_force_to_the_end() -> None:
    assert charged(made("D", lost={9: 60.0}, findings=[finding("base_moved", [(30.0, None)])])) == {"base_moved": 60.0}


def test_past_twenty_listed_episodes_a_finding_counts_as_one_stretch() -> None:
    many = finding("burst_loss", [(0.0, 5.0)], evidence={"count": 90}) | {"end_utc": at(500.0)}
    assert charged(made("D", lost={6: 20.0}, findings=[many])) == {"burst_loss": 20.0}


def test_a_note_is_never_charged() -> None:
    assert charged(made("D", lost={1: 5.0}, findings=[finding("antenna_unknown", [(0.0, None)], "note")])) == {
        None: 5.0
    }


def test_without_a_date_each_finding_takes_at_most_what_it_held() -> None:
    account = made(
        "D", dated=False, lost={1: 60.0, 2: 40.0},
        findings=[finding("two_bases", [(0.0, 1.0)], hold_s=70.0), finding("stuck_float", [(0.0, 1.0)], hold_s=10.0)],
    )  # fmt: skip
    assert charged(account) == {"two_bases": 70.0, "stuck_float": 10.0, None: 20.0}


def test_an_account_without_minutes_keeps_its_sum() -> None:
    account = made("D", lost={1: 60.0}, findings=[finding("two_bases", [(0.0, 100.0)])])
    bare = replace(account, minutes={})
    assert charged(bare) == {"two_bases": 60.0}


def test_charges_of_real_sessions_add_up_to_their_lost_time() -> None:
    for account in fleet():
        assert sum(c.lost_s for c in charges(account)) == pytest.approx(account.document["lost_working_s"], abs=0.01)
    lost = {c.code: c.lost_s for c in rank_causes(fleet())}
    assert set(lost) - {None} == {"link_stalled", "sky_blocked"}
    assert lost.get(None, 0.0) < 0.1 * sum(lost.values())


def test_what_nobody_explains_comes_last() -> None:
    accounts = [made("D", lost={1: 60.0, 2: 60.0, 8: 30.0}, findings=[finding("two_bases", [(480.0, 540.0)])])]
    assert [c.code for c in rank_causes(accounts)] == ["two_bases", None]


def test_cost_is_counted_where_a_price_is_given_and_said_where_not() -> None:
    priced = made("D", lost=dict.fromkeys(range(6), 60.0), cost_per_h=200.0)
    unpriced = made("E", lost={0: 60.0}, cost_per_h=0.0)
    t = totals([priced, unpriced])
    assert (t.cost, t.unpriced_lost_s) == (pytest.approx(20.0), 60.0)
    assert totals([unpriced]).cost is None and cost_per_h(unpriced) is None


def test_a_share_of_nothing_is_unknown() -> None:
    t = Totals()
    assert t.grade_share is t.lost_share is t.fixed_share is t.losses_per_working_h is None
    assert totals([]) == t


def test_shares_are_sums_over_sums() -> None:
    t = totals([made("D", 10, lost={0: 60.0}), made("D", 90, start_s=9000.0)])
    assert t.hold_share == pytest.approx(1 / 100)


def test_two_logs_of_one_name_at_one_time_are_told() -> None:
    one, other, next_ = made("D", key="1"), made("D", key="2", start_s=300.0), made("D", key="3", start_s=2000.0)
    assert [(m, a.key, b.key) for m, a, b in overlapping([other, next_, one])] == [("D", "1", "2")]
    assert overlapping([one, made("E", key="4")]) == []


def test_times_that_are_no_times_are_unknown() -> None:
    assert utc_ns(None) is utc_ns("soon") is utc_ns(3) is None
    assert utc_ns("1970-01-01T00:00:01.5Z") == 1_500_000_000
