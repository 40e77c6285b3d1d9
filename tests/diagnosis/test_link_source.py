"""What a source said of its outages, by what they did to the rover."""

from __future__ import annotations

import pytest
from tests.link_session import read
from tests.link_stream import Base, sent, stream

from hubtack.diagnosis.link_source import source_family
from hubtack.diagnosis.link_view import LinkView
from hubtack.diagnosis.rover_view import RoverView
from hubtack.engine.runs import Run
from hubtack.session.session import Session

S = 1_000_000_000


@pytest.fixture(scope="module")
def session() -> Session:
    return read(stream(sent(Base(), 20)))


@pytest.mark.parametrize(
    ("lost_after_s", "hold_s", "severity"),
    [(10, 25, "stop"), (10, 0, "warn"), (200, 25, "warn")],
)
def test_an_outage_that_cost_the_fix_is_a_stop_though_it_is_over(
    session: Session, lost_after_s: int, hold_s: int, severity: str
) -> None:
    first_ns = session.link.tally.ledger.first_ns
    assert first_ns is not None
    begin_ns, over_ns = first_ns + 100 * S, first_ns + 160 * S
    lost = Run(begin_ns + lost_after_s * S, begin_ns + 300 * S, hold_s * S, 40)
    rover = RoverView(has_rover=True, runs={"fix:float": [lost]})
    said = (
        ("caster_unreachable", begin_ns, begin_ns + 50 * S, {"why": "no route", "count": 4}),
        ("caster_auth", begin_ns + 50 * S, over_ns, {"why": "401", "count": 1}),
    )
    longest, other = source_family(LinkView(session.link, rover, first_ns, over_ns + 600 * S, source_codes=said))
    assert (longest.code, longest.severity, longest.hold_ns) == (
        "caster_unreachable", severity, hold_s * S if severity == "stop" else 0,
    )  # fmt: skip
    # The shorter reason of the same outage owns nothing of it.
    assert (other.code, other.severity, other.hold_ns) == ("caster_auth", "note", 0)
