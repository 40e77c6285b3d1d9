"""A base whose signals sink from day to day is told by the look over all days, and an ordinary base is not."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import kendalltau, theilslopes

from hubtack.cli.main import main
from hubtack.fleet.account import SessionAccount
from hubtack.fleet.signal_trend import (
    OVER_DAYS,
    Day,
    _kendall_z,
    _slope,
    heard_of,
    high_of,
    sink_of,
    sinking_signals,
    with_sinks,
)
from hubtack.simulate import session as simulated
from hubtack.simulate.files import write_folder
from hubtack.simulate.world import World

ARP = [-4_447_000.0, 770_000.0, -4_491_000.0]


def link(
    gps: float, galileo: float, *, station: int = 412, epochs: int = 20_000, arp: list[float] | None = ARP
) -> dict:
    systems = [
        {"system": "GPS", "satellites": 9.0, "median_cn0_dbhz": gps},
        {"system": "Galileo", "satellites": 7.0, "median_cn0_dbhz": galileo},
    ]
    return {"stations": [{"id": station, "arp_ecef_m": arp}], "systems": systems, "epochs": epochs}


def session(day: int, at: dict, machine: str = "Digger 7") -> SessionAccount:
    start = (dt.datetime(2026, 3, 1, 7, tzinfo=dt.UTC) + dt.timedelta(days=day)).isoformat().replace("+00:00", "Z")
    document = {"machine": machine, "start_utc": start, "findings": []}
    return SessionAccount(f"{machine} {start}", document, provenance={"heard": heard_of(at)})


def days(fall_db: float, n: int = 14, noise_db: float = 0.5, seed: int = 1) -> list[tuple[int, float, float]]:
    rng = np.random.default_rng(seed)
    sunk = np.linspace(0.0, fall_db, n)
    return [(i, 45.0 - s + rng.normal(0, noise_db), 44.0 - s + rng.normal(0, noise_db)) for i, s in enumerate(sunk)]


def test_a_fall_of_six_decibels_in_two_weeks_is_told_in_the_newest_session() -> None:
    accounts = [session(i, link(a, b)) for i, a, b in days(6.0)]
    ((key, (found,)),) = sinking_signals(accounts).items()
    assert key == accounts[-1].key
    assert (found["code"], found["severity"]) == ("base_obstructed", "warn")
    assert found["evidence"][OVER_DAYS] == pytest.approx(6.0, abs=1.0)
    assert found["evidence"]["span_days"] == 13
    assert "sinking from day to day" in found["summary"]
    assert "connectors" in found["next_steps"][0]


@pytest.mark.parametrize("seed", range(30))
def test_an_ordinary_base_is_left_alone(seed: int) -> None:
    assert sinking_signals([session(i, link(a, b)) for i, a, b in days(0.0, noise_db=1.5, seed=seed)]) == {}


def test_what_one_system_loses_is_no_cable() -> None:
    assert sinking_signals([session(i, link(a - i, 44.0)) for i, a, _ in days(0.0)]) == {}


def test_few_days_short_sessions_another_base_or_a_computed_one_say_nothing() -> None:
    fall = days(9.0)
    assert sinking_signals([session(i, link(a, b)) for i, a, b in fall[:5]]) == {}
    assert sinking_signals([session(i, link(a, b, epochs=100)) for i, a, b in fall]) == {}
    assert sinking_signals([session(i, link(a, b, station=i)) for i, a, b in fall]) == {}
    places = [[ARP[0] + 500.0 * i, *ARP[1:]] for i in range(len(fall))]
    assert sinking_signals([session(i, link(a, b, arp=p)) for (i, a, b), p in zip(fall, places, strict=True)]) == {}
    computed = [link(a, b) for _, a, b in fall]
    for one in computed:
        one["stations"][0]["computed"] = True
    assert sinking_signals([session(i, one) for i, one in enumerate(computed)]) == {}
    assert heard_of(None) is None


def test_two_machines_that_hear_one_base_are_one_record_of_it() -> None:
    fall = days(6.0)
    accounts = [session(i, link(a, b), "Digger 7" if i % 2 else "Dozer 2") for i, a, b in fall]
    assert list(sinking_signals(accounts)) == [accounts[-1].key]


def test_slope_and_rank_test_agree_with_scipy() -> None:
    rng = np.random.default_rng(3)
    for _ in range(20):
        at = np.sort(rng.choice(60, 12, replace=False)).astype(float)
        values = 45 - 0.1 * at + rng.normal(0, 1.0, 12)
        assert _slope(at.tolist(), values.tolist()) == pytest.approx(theilslopes(values, at).slope)
        tau = kendalltau(at, values).statistic  # without ties: S = tau n (n - 1) / 2
        s = round(tau * 12 * 11 / 2)
        assert _kendall_z(values.tolist()) == pytest.approx((s - np.sign(s)) / np.sqrt(12 * 11 * 29 / 18))


def test_a_day_without_a_common_system_says_nothing() -> None:
    assert sink_of([Day(i, {"GPS": 45.0 - i} if i % 2 else {"Galileo": 45.0 - i}, 9.0, "k") for i in range(10)]) is None


def test_the_finding_stands_behind_what_weighs_more_and_is_told_once() -> None:
    accounts = [session(i, link(a, b)) for i, a, b in days(6.0)]
    (found,) = sinking_signals(accounts)[accounts[-1].key]
    others = [{"code": c, "severity": s, "evidence": {}} for c, s in (("no_phase", "stop"), ("rover_fields", "note"))]
    account = SessionAccount("k", {"findings": others})
    told = with_sinks(account, [found])
    assert [f["code"] for f in told.document["findings"]] == ["no_phase", "base_obstructed", "rover_fields"]
    assert with_sinks(told, [found]) is told
    assert with_sinks(told, []).document == account.document


def rover(day: int, dbhz: float | None, machine: str = "Digger 7", epochs: int = 20_000) -> SessionAccount:
    start = (dt.datetime(2026, 3, 1, 7, tzinfo=dt.UTC) + dt.timedelta(days=day)).isoformat().replace("+00:00", "Z")
    document = {"machine": machine, "start_utc": start, "findings": [], "high_cn0_dbhz": dbhz, "epochs": epochs}
    return SessionAccount(f"{machine} {start}", document, provenance={"high_cn0_dbhz": high_of(document)})


def test_a_machine_whose_signals_sink_is_told_by_its_name_and_another_is_left_alone() -> None:
    accounts = [rover(i, a) for i, a, _ in days(6.0)] + [rover(i, a, "Dozer 2") for i, a, _ in days(0.0)]
    ((key, (found,)),) = sinking_signals(accounts).items()
    assert key.startswith("Digger 7")
    assert (found["code"], found["severity"]) == ("signal_drop", "warn")
    assert "signals of Digger 7 have sunk by" in found["summary"]
    assert sinking_signals([rover(i, None) for i, _, _ in days(6.0)]) == {}
    assert sinking_signals([rover(i, a, epochs=50) for i, a, _ in days(6.0)]) == {}


@pytest.mark.slow
def test_an_audit_of_two_weeks_says_that_the_bases_signals_sink(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Really: simulated days of one base whose cable loses half a decibel a day."""
    for day in range(12):

        def one_day(world: World, _: np.random.Generator, day: int = day) -> None:
            world.start = dt.datetime(2026, 11, 2, 20) + dt.timedelta(days=day)
            world.base.station, world.base.cn0_loss_db = 412, 0.5 * day
            world.sky.noise_db = [(0.0, 1e9, 0.45 * day)]

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(simulated, "FAULTS", {"day": one_day})
            made = simulated.simulate(["day"], "untidy", 100 + day, 400, 1.0)
        write_folder(made, tmp_path / f"day{day:02d}", mixed=False, command="", description="")
    for _ in range(2):  # the second time all of it comes from the ledger
        main(["audit", str(tmp_path), "--json", "--ledger", str(tmp_path / "ledger")])
        sessions = json.loads(capsys.readouterr().out)["sessions"]
        told = [(s["start_utc"], f) for s in sessions for f in s["findings"] if OVER_DAYS in f["evidence"]]
        assert {start for start, _ in told} == {max(s["start_utc"] for s in sessions)}
        assert {f["code"]: f["evidence"][OVER_DAYS] for _, f in told} == {
            "base_obstructed": pytest.approx(5.5, abs=1.5),
            "signal_drop": pytest.approx(5.0, abs=1.5),
        }
