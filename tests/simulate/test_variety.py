"""Sessions anywhere on the globe, on any date, with any equipment: the same world, only elsewhere."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from hubtack.logs.discover import SessionFiles
from hubtack.logs.drive import session_for
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session
from hubtack.simulate import session as simulated_session
from hubtack.simulate.session import Simulated, simulate
from hubtack.simulate.sky import GLONASS, GPS
from hubtack.simulate.variety import Variety, draw_variety, stream_of
from hubtack.simulate.world import Place, World
from hubtack.site import default_site


def heard_by_hubtack(result: Simulated) -> Session:
    """The session's two logs, read by an audit's own session."""
    session = session_for(SessionFiles("made", "rover", ("corrections",)), default_site())  # type: ignore[arg-type]
    session.feed(Chunk("corrections", b"".join(h.data for h in result.heard)))
    session.end_source("corrections")
    session.feed(Chunk("rover", b"".join(data for _, data in result.rover)))
    session.close()
    return session


def test_draws_reach_both_hemispheres_all_years_and_the_awkward_hours() -> None:
    drawn = [draw_variety(stream_of(seed)) for seed in range(400)]
    assert min(v.place.lat_deg for v in drawn) < -50 and max(v.place.lat_deg for v in drawn) > 65
    assert {int(v.place.lon_deg // 90) for v in drawn} == {-2, -1, 0, 1}
    assert {v.start.year for v in drawn} == set(range(2018, 2032))
    week_ends = [v for v in drawn if v.start.weekday() == 5 and v.start.hour == 23 and v.start.minute > 55]
    leap_days = [v for v in drawn if (v.start + dt.timedelta(minutes=4)).strftime("%m-%d") in ("02-29", "03-01")]
    assert len(week_ends) > 3 and len(leap_days) > 10


def test_the_grid_is_the_zone_of_the_place() -> None:
    # UTM zones: EPSG 32601 to 32660 north, 32701 to 32760 south, six degrees each from 180 west (EPSG registry).
    assert Place(-45.0312, 170.0124, 0.0, 0.0).crs == "EPSG:32759"
    assert Place(48.0, 11.5, 0.0, 0.0).crs == "EPSG:32632"
    assert Place(0.0, -180.0, 0.0, 0.0).crs == "EPSG:32601" and Place(-1.0, 180.0, 0.0, 0.0).crs == "EPSG:32760"


def test_the_same_seed_is_the_same_site_and_the_usual_site_is_left_alone() -> None:
    first, again = (simulate([], "tidy", 21, 40, 1.0, anywhere=True) for _ in range(2))
    assert first.rover == again.rover and first.heard == again.heard
    assert first.world.place != simulate([], "tidy", 21, 40, 1.0).world.place


@pytest.mark.parametrize(
    "start",
    [dt.datetime(2019, 4, 6, 23, 57), dt.datetime(2024, 2, 29, 23, 58), dt.datetime(2027, 12, 31, 23, 58)],
    ids=["end of the week number's 1024 weeks", "end of a leap day", "end of a year and of GLONASS's four"],
)
def test_a_session_over_an_awkward_midnight_is_dated_and_its_base_found(
    monkeypatch: pytest.MonkeyPatch, start: dt.datetime
) -> None:
    place = Place(61.2, -24.7, 900.0, 55.0)
    monkeypatch.setattr(simulated_session, "draw_variety", lambda rng: Variety(place, start))
    monkeypatch.setattr(simulated_session, "equip", lambda world, rng: None)
    session = heard_by_hubtack(simulate([], "tidy", 3, 330, 1.0, anywhere=True))
    assert session.axis.day0 == (start.date() - dt.date(1970, 1, 1)).days
    seen = session.base.seen()
    assert seen is not None and seen.misplaced is False
    assert np.hypot(*seen.offset_enu_m[:2]) < 4.0 and abs(seen.offset_enu_m[2]) < 6.0
    assert not [f for f in session.findings() if f.severity == "stop"]


def test_an_older_base_is_fixed_on_and_its_messages_are_known(monkeypatch: pytest.MonkeyPatch) -> None:
    def older(world: World, rng: np.random.Generator) -> None:
        world.base.legacy, world.base.bands = True, 2
        world.base.systems = world.receiver.systems = (GPS, GLONASS)

    monkeypatch.setattr(simulated_session, "equip", older)
    session = heard_by_hubtack(simulate([], "tidy", 4, 180, 1.0, anywhere=True))
    assert {1004, 1012} <= session.link.tally.messages.keys()
    assert {f.code for f in session.findings()} <= {"rover_fields"}
    assert session.rover_view(session.now_ns()).fixed_share > 0.98
