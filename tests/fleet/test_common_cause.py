"""Starts on several machines at once, and how many of them chance makes."""

from __future__ import annotations

import copy
import random

import pytest
from tests.fleet.made_fleet import finding, fleet, loss, made

from hubtack.fleet.common_cause import coincidences, common_cause, incidents


def test_losses_within_ten_seconds_are_shared_and_later_ones_are_not() -> None:
    accounts = common_cause([
        made("Digger 7", losses=[loss(100.0), loss(300.0)]),
        made("Dozer 2", losses=[loss(110.0)]),
        made("Roller 5", losses=[loss(310.5)]),
    ])  # fmt: skip
    assert [row["shared_with"] for row in accounts[0].losses] == [["Dozer 2"], []]
    assert accounts[1].losses[0]["shared_with"] == ["Digger 7"]
    assert accounts[2].losses[0]["shared_with"] == []


def test_two_sessions_of_one_machine_share_nothing() -> None:
    accounts = common_cause(
        [made("Digger 7", key="1", losses=[loss(5.0)]), made("Digger 7", key="2", losses=[loss(6.0)])]
    )
    assert [a.losses[0]["shared_with"] for a in accounts] == [[], []]


def test_findings_on_link_and_fix_are_marked_and_others_left_alone() -> None:
    link, sky = finding("link_stalled", [(60.0, 80.0), (200.0, 220.0)]), finding("sky_blocked", [(60.0, 80.0)])
    accounts = common_cause([made("Digger 7", findings=[link, sky]), made("Dozer 2", losses=[loss(205.0)])])
    marked, untouched = accounts[0].document["findings"]
    assert marked["evidence"]["shared_with"] == ["Dozer 2"]
    assert marked["evidence"]["shared_episodes"] == 1
    assert untouched == sky


def test_the_accounts_that_were_given_are_not_changed() -> None:
    given = [
        made("Digger 7", findings=[finding("link_stalled", [(0.0, 9.0)])], losses=[loss(1.0)]),
        made("Dozer 2", losses=[loss(2.0)]),
    ]
    before = copy.deepcopy(given)
    common_cause(given)
    assert given == before


def test_a_session_without_a_date_is_unknown_and_not_alone() -> None:
    undated = made("Digger 7", dated=False, losses=[{**loss(1.0), "start_utc": None}])
    account, _ = common_cause([undated, made("Dozer 2", losses=[loss(1.0)])])
    assert account.losses[0]["shared_with"] is None


def test_an_incident_says_how_many_of_those_on_record_were_hit() -> None:
    all_three = [made(m, losses=[loss(100.0 + i)]) for i, m in enumerate(("Digger 7", "Dozer 2", "Roller 5"))]
    (incident,) = incidents(all_three)
    assert incident.verdict.startswith("all machines on record")
    others = [made(f"Truck {i}") for i in range(5)]
    (incident,) = incidents([*all_three, *others])
    assert (len(incident.machines), len(incident.recording)) == (3, 8)
    assert incident.verdict.startswith("some machines")
    late = [made(f"Truck {i}", start_s=90_000.0) for i in range(5)]  # on record on another day only
    assert incidents([*all_three, *late])[0].verdict.startswith("all machines on record")


def test_the_loss_that_follows_a_stall_is_part_of_its_incident() -> None:
    stalled = finding("link_stalled", [(100.0, 160.0)])
    accounts = [made(m, findings=[stalled], losses=[loss(136.0 + i)]) for i, m in enumerate(("Digger 7", "Dozer 2"))]
    (incident,) = incidents(accounts)
    assert incident.what == ("fix_loss", "link_stalled")


def test_a_stall_heard_by_two_real_sessions_is_found() -> None:
    accounts = common_cause(fleet())
    stalled = next(f for f in accounts[3].document["findings"] if f["code"] == "link_stalled")
    assert stalled["evidence"]["shared_with"] == ["Dozer 2"]
    assert any("link_stalled" in i.what and i.verdict.startswith("all machines") for i in incidents(accounts))


def test_chance_makes_as_many_pairs_as_expected() -> None:
    """Independent Poisson processes, worked out by throwing them: the textbook n1 n2 2w/T, source of the formula."""
    rng = random.Random(4)
    seen = expected = 0.0
    for _ in range(40):
        accounts = [
            made(f"Machine {m}", 480, losses=[loss(rng.uniform(0, 480 * 60)) for _ in range(25)]) for m in range(5)
        ]
        pairs, chance = coincidences(accounts)
        seen, expected = seen + pairs, expected + chance
    # 40 x 10 pairs of machines x 25 x 25 x 20 s / 28 800 s = 174 (starts that are merged or cut by the hour cost a few).
    assert expected == pytest.approx(174, rel=0.06)
    assert seen == pytest.approx(expected, rel=0.25)


def test_one_machine_alone_has_no_pairs() -> None:
    assert coincidences([made("Digger 7", losses=[loss(1.0), loss(2.0)])]) == (0, 0.0)
    assert incidents([]) == [] and common_cause([]) == []
