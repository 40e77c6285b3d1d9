"""What stands beside a float that nothing explains, and the lost side of the sky as an operator would point to it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from tests.link_session import session_of

from hubtack.diagnosis.rover_view import RoverView
from hubtack.diagnosis.sky_family import _clock, _sector, sky_episodes
from hubtack.diagnosis.why_float import likely_causes
from hubtack.engine.runs import Run
from hubtack.engine.setup import Setup
from hubtack.engine.sky_sectors import BIN_NS, SECTORS, SkySectors


def causes(**figures: float) -> list[tuple[str, float]]:
    view = session_of().link_view()
    known = {"pdop": math.nan, "baseline_m": math.nan, "longitude_deg": math.nan, "utc_hour": math.nan, **figures}
    return [(c.cause, c.weight) for c in likely_causes(view, **known)]


def test_what_no_figure_shows_is_said_where_nothing_else_is_known() -> None:
    assert [name for name, _ in causes()] == ["reflections or a blocked sky"]


def test_causes_come_by_how_near_they_are_to_their_limits() -> None:
    assert [name for name, _ in causes(pdop=5.0, baseline_m=9_000.0)] == [
        "geometry", "long baseline", "reflections or a blocked sky",
    ]  # fmt: skip
    assert dict(causes(pdop=5.0))["geometry"] == pytest.approx(5.0 / 4.0)


def test_a_short_baseline_and_a_good_sky_are_no_causes() -> None:
    assert [name for name, _ in causes(pdop=1.1, baseline_m=1_500.0)] == ["reflections or a blocked sky"]


@pytest.mark.parametrize(("bearing", "heading", "hour"), [
    (0.0, 0.0, 12), (90.0, 0.0, 3), (180.0, 0.0, 6), (10.0, 100.0, 9), (350.0, 20.0, 11), (45.0, 400.0, 12),
])  # fmt: skip
def test_a_bearing_as_an_hour_from_the_machine(bearing: float, heading: float, hour: int) -> None:
    assert _clock(bearing, heading) == hour


def test_without_a_heading_there_is_no_hour() -> None:
    assert _clock(90.0, math.nan) is None
    assert _clock(None, 10.0) is None


def sky(bins: list[list[int]]) -> SkySectors:
    """A sky of one turn a bin, with so many satellites in each sector and none of them high."""
    return SkySectors({i: np.array([*tracked, 0, 0, 1]) for i, tracked in enumerate(bins)})


def test_a_side_that_is_lost_now_is_told_as_an_hour_and_one_that_came_back_is_not() -> None:
    usual, blocked = [2] * SECTORS, [2, 2, 0, 0, 0, 2, 2, 2]
    limit = Setup().limit
    (now,) = sky_episodes(sky([usual] * 12 + [blocked] * 4), RoverView(), limit, heading_deg=120.0)
    assert (now.code, now.start_ns, now.end_ns) == ("sky_blocked", 12 * BIN_NS, None)
    # From 90 to 225 degrees: the middle is 157.5, which lies 37.5 to the right of the bow.
    assert now.evidence["bearing_deg"] == 157.5 and now.evidence["clock_hour"] == 1
    assert now.evidence["sector"].endswith("135 degrees wide, at 1 o'clock from the machine")
    (now,) = sky_episodes(sky([usual] * 12 + [blocked] * 4), RoverView(), limit)
    assert now.evidence["clock_hour"] is None and "o'clock" not in now.evidence["sector"]
    (over,) = sky_episodes(sky([usual] * 8 + [blocked] * 4 + [usual] * 8), RoverView(), limit, heading_deg=120.0)
    assert over.end_ns == 12 * BIN_NS and over.evidence["clock_hour"] is None


def test_a_side_that_is_lost_under_a_roof_stops_no_work() -> None:
    usual, blocked = [2] * SECTORS, [2, 2, 0, 0, 0, 2, 2, 2]
    held = {"fix:float": [Run(12 * BIN_NS, 16 * BIN_NS, 4 * BIN_NS, 60)]}
    for idle, severity in ((True, "warn"), (False, "stop")):
        view = RoverView(has_rover=True, idle=idle, runs=held)
        (found,) = sky_episodes(sky([usual] * 12 + [blocked] * 4 + [usual] * 8), view, Setup().limit)
        assert (found.code, found.severity) == ("sky_blocked", severity) and found.hold_ns > 0


def test_a_moment_of_hold_in_minutes_of_blocked_sky_is_no_stop() -> None:
    usual, blocked = [2] * SECTORS, [2, 2, 0, 0, 0, 2, 2, 2]
    for share, severity in ((0.09, "warn"), (0.11, "stop")):
        run = Run(12 * BIN_NS, 16 * BIN_NS, round(share * 4 * BIN_NS), 60)
        view = RoverView(has_rover=True, runs={"fix:float": [run]})
        (found,) = sky_episodes(sky([usual] * 12 + [blocked] * 4 + [usual] * 8), view, Setup().limit)
        assert found.severity == severity


def test_the_lost_side_is_a_bearing_and_a_width() -> None:
    lost = np.array([0.0, 0.0, 3.0, 3.0, 0.0, 0.0, 0.0, 0.0])  # from 90 to 180 degrees
    text, bearing = _sector(lost, 0.75)
    assert bearing == 135.0
    assert text == "towards south-east, 90 degrees wide"
    assert _sector(lost, 0.45)[0] == "towards east, 45 degrees wide"  # half of the loss will do: the first such sector
    assert _sector(np.ones(8), 0.95) == ("all around", None)


def test_signals_that_fall_with_any_hold_stop_under_a_roof_too() -> None:
    bins = [[2] * SECTORS] * 20
    weak = SkySectors({i: np.array([*b, 1600 * (30 if 12 <= i < 16 else 45), 16, 1]) for i, b in enumerate(bins)})
    view = RoverView(has_rover=True, idle=True, runs={"fix:float": [Run(12 * BIN_NS, 16 * BIN_NS, 1, 60)]})
    (found,) = sky_episodes(weak, view, Setup().limit)
    assert (found.code, found.severity) == ("signal_drop", "stop")
