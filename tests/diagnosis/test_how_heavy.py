"""How heavy a finding of the link is: by what it cost the rover, and by itself where there is no rover to be harmed.

Limits: rows of knowledge/limits.py.
"""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tests.link_session import fed, read
from tests.link_stream import GLONASS, GPS, Base, damaged, sent, stream, without_epochs

from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.link_bytes import bytes_family
from hubtack.diagnosis.link_clocks import clock_family
from hubtack.diagnosis.link_loss import loss_family
from hubtack.diagnosis.link_observations import content_family
from hubtack.diagnosis.link_view import LinkView
from hubtack.diagnosis.ready import criteria
from hubtack.diagnosis.rover_view import RoverView
from hubtack.engine.link_content import SkySets
from hubtack.engine.runs import Run
from hubtack.session.session import Session

S = 1_000_000_000
GALILEO = 3


def view_of(session: Session, rover: RoverView | None = None, **changes: Any) -> LinkView:
    ledger = session.link.tally.ledger
    assert ledger.first_ns is not None and ledger.last_ns is not None
    return replace(LinkView(session.link, rover or RoverView(), ledger.first_ns, ledger.last_ns), **changes)


def rover_beside(session: Session, *, hold_s: float = 0.0, run: str = "fix:float", **changes: Any) -> RoverView:
    """A rover that lost its fix ten seconds after the stream began, for so long."""
    first_ns = session.link.tally.ledger.first_ns
    assert first_ns is not None
    lost = Run(first_ns + 10 * S, first_ns + 70 * S, round(hold_s * S), 60)
    known: dict[str, Any] = {"fixed_share": 0.4, "age_p95_s": 1.0, "age_median_s": 1.0, "runs": {run: [lost]}}
    return RoverView(has_rover=True, **(known | changes))


def severity(episodes: list[Episode], code: str) -> str | None:
    (found,) = (e for e in episodes if e.code == code)
    return found.severity


def test_damaged_frames_are_a_stop_from_their_limit_on_or_where_they_cost_the_fix() -> None:
    slight, heavy = (read(stream(damaged(sent(Base(), 120), share, 3))) for share in (0.05, 0.6))
    assert severity(bytes_family(view_of(slight)), "corrupt_frames") == "warn"
    assert severity(bytes_family(view_of(slight, rover_beside(slight))), "corrupt_frames") == "warn"
    assert severity(bytes_family(view_of(slight, rover_beside(slight, hold_s=30))), "corrupt_frames") == "stop"
    assert severity(bytes_family(view_of(heavy)), "corrupt_frames") == "stop"
    later_ns = (heavy.link.tally.ledger.last_ns or 0) + 31 * S
    (over,), (open_,) = bytes_family(view_of(heavy, now_ns=later_ns)), bytes_family(view_of(heavy))
    assert over.end_ns is not None and open_.end_ns is None


def test_a_base_s_clock_is_a_stop_where_the_rover_does_not_fix_for_it() -> None:
    session = read(stream(sent(Base(), 60)))
    for hold_s, expected in ((0, "warn"), (30, "stop")):
        rover = rover_beside(session, hold_s=hold_s, stream_ahead_s=18.0)
        assert severity(clock_family(view_of(session, rover)), "base_clock") == expected


def test_late_corrections_are_a_stop_where_they_grew_old_or_would_for_any_rover() -> None:
    by_lag = {lag: fed((at + lag, f) for at, f in sent(Base(systems=(GPS,)), 25)) for lag in (5.0, 12.0)}
    assert severity(loss_family(view_of(by_lag[5.0])), "late_corrections") == "warn"
    assert severity(loss_family(view_of(by_lag[12.0])), "late_corrections") == "stop"
    old = rover_beside(by_lag[12.0], hold_s=20, run="age:old")
    assert severity(loss_family(view_of(by_lag[12.0], old)), "late_corrections") == "stop"
    assert severity(loss_family(view_of(by_lag[12.0], rover_beside(by_lag[12.0]))), "late_corrections") == "warn"
    # With every third epoch lost it is the losses that are told.
    gaps = without_epochs(sent(Base(systems=(GPS,)), 40), lambda i, t: i % 3 == 2)
    assert not any(e.code == "late_corrections" for e in loss_family(view_of(fed((at + 5.0, f) for at, f in gaps))))


@pytest.mark.parametrize(("interval_s", "expected"), [(6.0, "stop"), (1.0, "warn")])
def test_losses_without_a_rover_are_a_stop_where_they_leave_corrections_old(interval_s: float, expected: str) -> None:
    # Three of ten epochs: at an epoch a second hardly one correction is older than 10 s, at one every 6 s each gap is.
    rng = random.Random(4)
    lost = [rng.random() < 0.3 for _ in range(200)]
    base = Base(interval_s=interval_s, systems=(GPS, GLONASS))
    session = read(stream(without_epochs(sent(base, 200 * interval_s), lambda i, t: lost[i])))
    assert severity(loss_family(view_of(session)), "burst_loss") == expected


def sky(session: Session, satellites: dict[int, int]) -> SkySets:
    return SkySets({i: dict(satellites) for i in session.link.tally.content.sky.bins})


def test_a_system_that_the_stream_lacks_is_to_blame_only_where_the_others_are_too_few() -> None:
    session = read(stream(sent(Base(systems=(GPS,), receiver="", bias_every_s=None), 200)))
    base = next(iter(session.link.tally.content.sky.bins.values()))[GPS]
    few, many = base & -base, base
    heard = {
        name: rover_beside(session, hold_s=30, used=(used := sky(session, {GPS: mask, GALILEO: 0b1111})), tracked=used)
        for name, mask in (("few", few), ("many", many))
    }
    episodes = {name: content_family(view_of(session, rover)) for name, rover in heard.items()}
    assert severity(episodes["few"], "missing_system") == "warn"
    (blamed,) = (e for e in episodes["few"] if e.code == "missing_system")
    assert blamed.hold_ns == 30 * S and blamed.explains and blamed.evidence["systems"] == ["Galileo"]
    (noted,) = (e for e in episodes["many"] if e.code == "missing_system")
    assert (noted.severity, noted.hold_ns, noted.explains) == ("note", 0, False)


def test_a_rover_is_well_only_while_it_shares_satellites_enough_with_the_base() -> None:
    session = read(stream(sent(Base(), 90)))
    own = next(iter(session.link.tally.content.sky.bins.values()))
    well: dict[str, Any] = {"fixed_share": 0.99, "age_p95_s": 1.0}
    assert view_of(session, rover_beside(session, **well)).well  # where what it hears is not known
    assert view_of(session, rover_beside(session, tracked=sky(session, own), **well)).well
    few = view_of(session, rover_beside(session, tracked=sky(session, {GLONASS: own[GLONASS]}), **well))
    assert not few.well and not few.enough_in_common
    assert not view_of(session, rover_beside(session, fixed_share=0.99, age_p95_s=60.0)).well


@pytest.mark.parametrize(("seconds", "position", "phase"), [(4, None, None), (20, None, False), (200, False, False)])
def test_a_stream_is_not_called_unfit_before_it_could_have_shown_itself(
    seconds: int, position: bool | None, phase: bool | None
) -> None:
    session = read(stream(sent(Base(level=1, arp_every_s=None), seconds)))
    answers = {c.key: (c.passed, c.says) for c in criteria(view_of(session))}
    assert answers["base_position"][0] is position and answers["phase"][0] is phase
    assert answers["base_position"][1] == ("no 1005 or 1006 heard" if position is False else "no 1005 or 1006 yet")
    assert answers["bands"] == (None, "no band with phase") and answers["satellites"][0] is None
    assert np.isnan(session.link.tally.interval_s()) or answers["rate"][0] in (True, None)
