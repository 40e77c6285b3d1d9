"""Strips, plan and base table: that what is drawn is what was counted, and lengths against PROJ."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from pyproj import Transformer
from tests.fleet.made_fleet import fleet, loss, made

from hubtack.fleet.report.bases import base_rows
from hubtack.fleet.report.days import days, ticks
from hubtack.fleet.report.plan import plan_svg, round_step, site_plans
from hubtack.fleet.report.strips import LANE, age_svg, lanes_svg
from hubtack.fleet.report.words import clock, long_span, percent, span

UTC = clock("UTC")


def blocks(svg: str, css: str) -> list[tuple[float, float, float]]:
    """Start, width and height of the blocks of a lane."""
    path = re.search(rf'class="{css}" d="([^"]*)"', svg)
    found = re.findall(r"M([\d.]+) [\d.]+v-([\d.]+)h([\d.]+)", path[1]) if path else []
    return [(float(x), float(w), float(h)) for x, h, w in found]


def test_blocks_hold_the_time_of_their_state() -> None:
    account = made("Digger 7", 60, lost={3: 60.0, 4: 60.0, 30: 20.0})
    ((day,), _) = days([account], UTC)
    svg = lanes_svg(day, [("hold", day.columns["hold_s"]), ("grade", day.columns["grade_s"])], "x")
    assert blocks(svg, "hold") == [(3.0, 2.0, LANE), (30.0, 1.0, LANE * 0.5)]  # 20 s is a third: up to the next quarter
    assert sum(w for _, w, _ in blocks(svg, "grade")) == 58.0


def test_a_short_hold_in_a_long_day_does_not_vanish() -> None:
    account = made("Digger 7", 960, lost={501: 1.0})
    ((day,), _) = days([account], clock("Pacific/Auckland"))  # 16 hours of one day: two minutes a column
    svg = lanes_svg(day, [("hold", day.columns["hold_s"])], "x")
    assert blocks(svg, "hold") == [(500.0, 2.0, LANE / 4)]


def test_minutes_fall_on_the_days_of_the_zone() -> None:
    account = made("Digger 7", 600, lost=dict.fromkeys(range(0, 600, 7), 6.0))  # 19:00 UTC and ten hours on
    assert [d.label for d in days([account], UTC)[0]] == ["2031-03-03", "2031-03-04"]
    ((one,), _) = days([account], clock("Pacific/Auckland"))
    assert (one.label, one.minutes) == ("2031-03-04", 600)
    for zone in ("UTC", "Asia/Kathmandu", "Pacific/Chatham"):  # zones off by 45 minutes
        found, _ = days([account], clock(zone))
        assert sum(d.total_s("lost_working_s") for d in found) == pytest.approx(account.document["lost_working_s"])
        assert all(clock(zone).date(d.first_ns) == d.label for d in found)


def test_machines_of_one_day_share_their_axis() -> None:
    found, _ = days([made("Digger 7", 30), made("Dozer 2", 30, start_s=3600.0)], UTC)
    assert {(d.first_ns, d.minutes) for d in found} == {(found[0].first_ns, 90)}
    assert [int(d.logged.sum()) for d in found] == [30, 30]


def test_of_too_many_days_those_with_most_lost_time_are_drawn() -> None:
    accounts = [made(f"D{i}", 10, start_s=86_400.0 * i, lost={1: 10.0 * i}) for i in range(5)]
    found, left_out = days(accounts, UTC, 2)
    assert ([d.machine for d in found], left_out) == (["D3", "D4"], 3)


def test_a_clock_that_jumps_in_an_undated_log_makes_strips_of_a_day_each() -> None:
    account = made("Digger 7", 10, dated=False)
    account.minutes["minute_ns"][5:] = [ns + 900 * 86_400_000_000_000 for ns in account.minutes["minute_ns"][5:]]
    found, _ = days([account], UTC)
    assert [(d.label, d.minutes) for d in found] == [
        ("date unknown: session , day 1", 5), ("date unknown: session , day 2", 5),
    ]  # fmt: skip


def test_a_day_on_which_clocks_change_has_its_own_length() -> None:
    # IANA tzdata: New Zealand went back from UTC+13 to UTC+12 on the first Sunday of April 2031, the 6th.
    local = clock("Pacific/Auckland")
    noon_ns = 1_933_200_000_000_000_000  # 2031-04-06T00:00:00Z, noon there
    start = local.day_start_ns(noon_ns)
    assert local.day_start_ns(start + 24 * 3_600_000_000_000) == start  # the 25th hour is still the same day
    assert local.day_start_ns(start + 25 * 3_600_000_000_000) == start + 25 * 3_600_000_000_000


@pytest.mark.parametrize("minutes", [1, 7, 90, 600, 1440])
def test_ticks_are_few_in_order_and_on_the_strip(minutes: int) -> None:
    day = days([made("Digger 7", minutes)], clock("Pacific/Auckland"))[0][0]
    marks = ticks(day, clock("Pacific/Auckland"))
    assert 1 <= len(marks) <= 10
    assert [p for p, _ in marks] == sorted(p for p, _ in marks)
    assert all(0 <= p <= 1 for p, _ in marks)


def test_an_unknown_age_leaves_a_gap_in_the_line() -> None:
    account = made("Digger 7", 9)
    account.minutes["age_median_s"] = [1.0, 1.0, 1.0, None, None, 2.0, 2.0, 2.0, 2.0]
    account.minutes["age_max_s"] = [None] * 9
    ((day,), _) = days([account], UTC)
    line = re.search(r'class="line" d="([^"]*)"', age_svg(day, 10.0, 30.0))
    assert line is not None
    assert re.findall(r"M(\d+) [\d.]+H(\d+)", line[1]) == [("0", "3"), ("5", "9")]


def topocentric(origin: tuple[float, float, float], points: np.ndarray) -> np.ndarray:
    """East, north, up by PROJ (EPSG method 9837, geographic/topocentric conversions)."""
    lat, lon, h = origin
    pipeline = (
        f"+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart +ellps=WGS84 "
        f"+step +proj=topocentric +ellps=WGS84 +lon_0={lon} +lat_0={lat} +h_0={h}"
    )
    return np.stack(Transformer.from_pipeline(pipeline).transform(points[:, 1], points[:, 0], points[:, 2]), axis=1)


def test_places_on_the_plan_agree_with_proj() -> None:
    losses = [loss(60.0, latitude_deg=-45.02 + 0.003 * i, longitude_deg=170.0 - 0.004 * i) for i in range(5)]
    account = replace(
        made("Digger 7", losses=losses),
        bases=[{"id": 7, "latitude_deg": -45.0, "longitude_deg": 170.0, "height_m": 12.0, "first_utc": None}],
    )
    (plan,) = site_plans([account])
    points = np.array([[row["latitude_deg"], row["longitude_deg"], 0.0] for row in losses])
    assert plan.losses_m == pytest.approx(
        topocentric((-45.0, 170.0, 0.0), points)[:, :2], abs=1e-4
    )  # rounding of PROJ's input
    assert plan.bases == [("7", 0.0, 0.0)]


def test_a_base_moved_by_what_proj_says() -> None:
    to_cart = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
    first, then = (-45.0, 170.0, 12.0), (-45.0000005, 170.0000002, 11.95)

    def base(at: tuple[float, float, float], when: str) -> dict:
        arp = to_cart.transform(at[1], at[0], at[2])
        return {
            "id": 412,
            "arp_ecef_m": list(arp),
            "first_utc": when,
            "last_utc": when,
            "latitude_deg": at[0],
            "longitude_deg": at[1],
        }

    accounts = [
        replace(made("Digger 7", key="1"), bases=[base(first, "2031-03-03T19:00:00Z")]),
        replace(made("Dozer 2", key="2"), bases=[base(first, "2031-03-03T20:00:00Z")]),
        replace(made("Digger 7", key="3"), bases=[base(then, "2031-03-04T19:00:00Z")]),
    ]
    one, other = base_rows(reversed(accounts))
    assert one.is_first and one.machines == {"Digger 7", "Dozer 2"} and one.moved_m is None
    east, north, up = topocentric(first, np.array([then]))[0]
    assert (other.east_m, other.north_m, other.up_m) == pytest.approx((east, north, up), abs=1e-5)
    assert other.moved_m == pytest.approx(0.0767, abs=0.0005) and other.has_moved  # 55.6 mm south, 15.8 east, 50 down


def test_one_id_on_two_sites_is_two_bases() -> None:
    far = [-4449031.0 + 50_000.0, 784486.0, -4487348.0]
    near = [-4449031.0, 784486.0, -4487348.0]
    accounts = [
        replace(made("D", key=str(i)), bases=[{"id": 0, "arp_ecef_m": arp}]) for i, arp in enumerate((near, far))
    ]
    assert [r.is_first for r in base_rows(accounts)] == [True, True]


def test_sites_far_apart_get_a_plan_each_and_squares_count_losses() -> None:
    here = made("Digger 7", losses=[loss(1.0), loss(60.0), loss(90.0, working=False)])
    there = made("Dozer 2", losses=[loss(5.0, latitude_deg=-44.0)])
    there.minutes["latitude_deg"] = [-44.0] * 10
    plans = site_plans([here, there])
    assert [p.machines for p in plans] == [["Digger 7"], ["Dozer 2"]]
    (place,) = plans[0].places
    assert (place.losses, place.working, place.out_of_fix_s) == (3, 2, 90.0)


def test_a_base_beyond_the_plan_is_an_arrow_with_its_distance() -> None:
    account = replace(
        made("Digger 7", losses=[loss(1.0)]), bases=[{"id": 7, "latitude_deg": -45.12, "longitude_deg": 170.01}]
    )
    (plan,) = site_plans([account])
    assert "base 7, 10.0 km" in plan_svg(plan)  # 0.09 degrees of latitude of 111.1 km


def test_a_session_without_a_position_has_no_plan() -> None:
    account = made("Digger 7")
    account.minutes["latitude_deg"] = [None] * 10
    assert site_plans([account]) == []


def test_real_sessions_are_drawn_within_the_frame() -> None:
    for plan in site_plans(fleet()):
        svg = plan_svg(plan)
        xs = [float(x) for x in re.findall(r"M([\d.-]+) [\d.-]+h0", svg)]
        assert xs and min(xs) >= 0 and max(xs) <= 400


def test_words_never_round_a_little_to_none() -> None:
    assert [percent(v) for v in (None, 0.0, 0.001, 0.5, 0.999, 1.0)] == ["–", "0 %", "<1 %", "50 %", ">99 %", "100 %"]
    assert [span(v) for v in (None, 0.4, 59.6, 3661.0)] == ["–", "0:00:00", "0:01:00", "1:01:01"]
    assert [long_span(v) for v in (None, 12.0, 312.0, 7500.0, 7199.9)] == [
        "–",
        "12 s",
        "5 min 12 s",
        "2 h 05 min",
        "2 h 00 min",
    ]
    assert [round_step(v) for v in (1.0, 9.9, 24.0, 500.0, 0.3)] == [1.0, 5.0, 20.0, 500.0, pytest.approx(0.2)]
