"""Which way a base is off, in words that somebody acts upon: too high and too low before north and east."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from tests.link_session import read
from tests.link_stream import ARP_M, Base, moved, sent, stream

from hubtack.diagnosis.base_families import with_own_evidence
from hubtack.diagnosis.base_seen import BaseMove, BaseSeen
from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.link_base import base_family
from hubtack.diagnosis.link_view import LinkView
from hubtack.diagnosis.overnight import overnight_episodes
from hubtack.diagnosis.rover_view import RoverView
from hubtack.engine.link import LinkSetup
from hubtack.engine.parked import Parked, Shift, Stand
from hubtack.geo import ecef_to_geodetic, enu_to_ecef_offset
from hubtack.session.session import Session

S = 1_000_000_000
DATA = stream(sent(Base(), 30))
WAYS: list[tuple[tuple[float, float, float], str]] = [
    ((0.0, 0.0, 0.4), "up"), ((0.1, 0.0, -0.4), "down"), ((0.4, 0.0, 0.1), "east"), ((0.0, -0.4, -0.1), "south"),
]  # fmt: skip


def session_of(off_enu_m: tuple[float, float, float] | None) -> Session:
    """A stream whose base lies so far from where the site file has it; None: the site file has no base."""
    if off_enu_m is None:
        return read(DATA)
    lat, lon, _ = ecef_to_geodetic(np.array([ARP_M]))
    site = np.array(ARP_M) - enu_to_ecef_offset(np.array([off_enu_m]), lat, lon)[0]
    x, y, z = (float(v) for v in site)
    return read(DATA, LinkSetup(base_ecef_m=(x, y, z)))


def view_of(session: Session, **changes: Any) -> LinkView:
    ledger = session.link.tally.ledger
    assert ledger.first_ns is not None and ledger.last_ns is not None
    return LinkView(session.link, changes.pop("rover", RoverView()), ledger.first_ns, ledger.last_ns, **changes)


def one(episodes: list[Episode], code: str) -> Episode:
    (found,) = (e for e in episodes if e.code == code)
    return found


@pytest.mark.parametrize(("off_m", "way"), WAYS)
def test_a_base_that_is_off_the_site_file_says_which_way(off_m: tuple[float, float, float], way: str) -> None:
    found = one(base_family(view_of(session_of(off_m))), "base_misplaced")
    assert found.evidence["direction"] == way
    assert [found.evidence[k] for k in ("east_m", "north_m", "up_m")] == pytest.approx(off_m, abs=1e-3)
    assert found.evidence["where"] == {"up": "too high", "down": "too low"}.get(way, f"to the {way}")


def test_a_base_that_moved_within_its_tolerance_never_stood_wrong() -> None:
    frames = [*sent(Base(), 30), *sent(moved(Base(), 0.02), 30, 3 * 86_400 + 36_030.0)]
    found = base_family(view_of(read(stream(frames), LinkSetup(base_ecef_m=ARP_M))))
    assert not any(e.code == "base_misplaced" for e in found)


@pytest.mark.parametrize(("off_m", "way"), WAYS)
def test_what_a_base_itself_shows_says_which_way_it_is_off_or_was_moved(
    off_m: tuple[float, float, float], way: str
) -> None:
    move = BaseMove(5 * S, 9 * S, off_m, (0.01, 0.01, 0.02), 9)
    seen = BaseSeen(misplaced=True, says="off", offset_enu_m=off_m, moves=(move,))
    found = with_own_evidence(view_of(session_of(None), base=seen), [])
    assert one(found, "base_misplaced").evidence["direction"] == way
    assert one(found, "base_misplaced").evidence["likely"] == ""
    disturbed = one(found, "base_disturbed").evidence
    assert disturbed["direction"] == way and disturbed["within_s"] == 4.0
    assert disturbed["moved_m"] == pytest.approx(float(np.linalg.norm(off_m)))


def test_a_base_that_stands_wrong_where_the_site_file_wants_it_is_a_warning_and_holds_nobody() -> None:
    seen = BaseSeen(misplaced=True, says="off", offset_enu_m=(60.0, 0.0, 0.0), likely="two digits changed places")
    rover = RoverView(has_rover=True)
    for off_m, severity, held in ((None, "stop", True), ((0.0, 0.0, 0.0), "warn", False)):
        found = one(with_own_evidence(view_of(session_of(off_m), base=seen, rover=rover), []), "base_misplaced")
        assert (found.severity, found.hold_ns > 0) == (severity, held)
        assert found.evidence["site_agrees"] is not held and found.evidence["likely"].endswith("changed places")
    # Named by the site file already, it is told once, with what the pseudoranges say beside it.
    both = with_own_evidence(view := view_of(session_of((0.4, 0.0, 0.1)), base=seen), base_family(view))
    beside = one(both, "base_misplaced").evidence
    assert beside["basis"] == "the site file" and beside["pseudoranges"]["says"] == "off"
    assert beside["likely"] == "; likeliest: two digits changed places"


def test_only_the_newest_shift_of_a_night_goes_on_and_only_until_somebody_confirms_the_place() -> None:
    stand = Stand((0.0, 0.0, 0.0), 0, 40.0, 30)
    mornings = [Stand((0.0, 0.0, 0.0), day * 86_400 * S, 40.0, 30) for day in (1, 2)]
    shifts = [Shift(stand, after, 43_200.0, (0.1, 0.0, 0.2), 0.047, 0.08) for after in mornings]
    parked = Parked(0.01, 0.017, shifts=shifts, contradicts=True)
    now_ns = mornings[1].time_ns + 600 * S
    first, second = overnight_episodes(parked, now_ns)
    assert (first.end_ns, first.hold_ns) == (mornings[0].time_ns, 0)
    assert (second.end_ns, second.hold_ns) == (None, 600 * S) and second.severity == "stop"
    parked.clear()
    assert [(e.end_ns, e.hold_ns) for e in overnight_episodes(parked, now_ns)] == [(m.time_ns, 0) for m in mornings]
