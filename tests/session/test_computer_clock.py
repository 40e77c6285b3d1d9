"""By how many days this computer's clock is off, and whose date is believed."""

from __future__ import annotations

import pytest
from tests.rover_text import good_rows, sentence
from tests.session.test_session import START

from hubtack.engine.axis import DAY_NS, SessionAxis
from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.readers.chunk import Chunk
from hubtack.session.computer_clock import days_off
from hubtack.session.session import Session

DAY = 20_000  # days since 1970
NOON_NS = DAY_NS // 2


def axis(basis: str | None = "rmc") -> SessionAxis:
    return SessionAxis(NOON_NS, None if basis is None else DAY, basis)


@pytest.mark.parametrize(
    ("off_ns", "lag_ns", "days"),
    [
        (0, 0, 0),
        (90 * 10**9, 90 * 10**9, 0),
        (DAY_NS, 0, 1),
        (-DAY_NS, 0, -1),
        (DAY_NS - 10**9, -(10**9), 1),
        (400 * DAY_NS + 3600 * 10**9, 3600 * 10**9, 400),
        (NOON_NS, NOON_NS, 0),
        (1024 * 7 * DAY_NS, 0, 0),
        (-1024 * 7 * DAY_NS, 0, 0),
        (2048 * 7 * DAY_NS, 0, 0),
        (1022 * 7 * DAY_NS, 0, 1022 * 7),
    ],
)
def test_whole_days_are_counted_and_a_receiver_that_lost_count_of_the_weeks_is_no_computer_that_is_off(
    off_ns: int, lag_ns: int, days: int
) -> None:
    assert days_off(axis(), DAY * DAY_NS + NOON_NS + off_ns, NOON_NS, lag_ns) == days


@pytest.mark.parametrize("basis", ["arrival", "stamp", "given", None])
def test_a_day_that_this_computer_gave_is_no_witness_against_it(basis: str | None) -> None:
    assert days_off(axis(basis), DAY * DAY_NS + 3 * DAY_NS, NOON_NS, 0) == 0


def test_without_arrivals_nothing_is_known() -> None:
    assert days_off(axis(), None, NOON_NS, 0) == 0
    assert days_off(axis(), DAY * DAY_NS, NOON_NS, None) == 0


@pytest.mark.parametrize(("off_s", "told"), [(0.0, None), (30.0, None), (-3600.0, -3600.0), (86_400.0, 86_400.0)])
def test_a_rover_alone_tells_of_a_computer_that_is_off_by_more_than_a_rover_can_be(
    off_s: float, told: float | None
) -> None:
    session = Session(Setup(has_arrival=True), LinkSetup(has_arrival=True), link_role="rover")
    session.expect("rover")
    dated = sentence("GNRMC,110640.00,A,4501.872,S,17000.744,E,0.0,0.0,041024,,,R")  # 2024-10-04 is day 20000
    for i in range(40):
        ns = DAY * DAY_NS + (START + 1000 * i) * 1_000_000 + round(off_s * 1e9)
        session.feed(Chunk("rover", good_rows(START + 1000 * i, 1) + dated * (i == 0), ns, ns))
    session.close()
    found = {f.code: f for f in session.findings()}
    assert ("computer_clock" in found) is (told is not None)
    if told is not None:
        assert found["computer_clock"].severity == "note"
        assert found["computer_clock"].evidence["offset_s"] == pytest.approx(told, abs=0.5)
