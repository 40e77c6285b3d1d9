"""Few satellites in common: a mask or walls all around the base, or something on one side of it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.link_session import found, read
from tests.link_stream import ARP_M, Base, arp_1005, sent, stream

from hubtack.diagnosis.base_seen import BaseSeen
from hubtack.diagnosis.link_observations import content_family
from hubtack.diagnosis.link_view import LinkView
from hubtack.diagnosis.rover_view import RoverView
from hubtack.engine.link_content import SkySets


@pytest.fixture(scope="module")
def view() -> LinkView:
    session = read(stream(sent(Base(satellites=2), 300)))
    ledger = session.link.tally.ledger
    assert ledger.first_ns is not None and ledger.last_ns is not None
    sky = session.link.tally.content.sky
    # Four of what the base hears, and many more that it does not hear.
    heard = {s: (mask if s < 3 else 0) | 0xF << 40 for s, mask in sky.bins[min(sky.bins) + 1].items()}
    rover = RoverView(has_rover=True, tracked=SkySets({i: dict(heard) for i in sky.bins}))
    return LinkView(session.link, rover, ledger.first_ns, ledger.last_ns)


@pytest.mark.parametrize(("lowest_deg", "told"), [(29.9, True), (30.1, False), (float("nan"), False)])
def test_a_low_satellite_says_that_one_side_is_open(view: LinkView, lowest_deg: float, told: bool) -> None:
    codes = {e.code: e for e in content_family(replace(view, base=BaseSeen(lowest_deg=lowest_deg)))}
    few = codes["few_common_satellites"]
    assert few.severity == "stop" and few.evidence["common"] == 4
    assert ("base_obstructed" in codes) is told
    if told:
        assert codes["base_obstructed"].severity == "stop"  # no lighter than what is folded into it


def test_a_missing_antenna_s_name_comes_before_what_does_a_fixed_rover_no_harm() -> None:
    """Its 5 to 10 cm of height are missing whatever the rover does; all three are notes beside a rover that works."""
    session = read(stream(sent(Base(bias_every_s=None, descriptor_every_s=None), 200)))
    codes = [f.code for f in session.findings()]
    assert codes.index("antenna_unknown") < codes.index("no_glonass_bias")


def test_a_log_of_nothing_but_the_base_s_position_holds_no_observations() -> None:
    """Its length is not known, for nothing in it has a time; a message that comes for the fifth time is answer enough."""
    five = found(read(arp_1005(412, ARP_M) * 5))
    assert five["no_phase"].evidence["what"] == "no observations at all" and five["no_phase"].severity == "stop"
    assert "no_phase" not in found(read(arp_1005(412, ARP_M) * 4))


def test_few_in_common_with_a_base_that_the_rover_does_not_use_are_worth_a_note(view: LinkView) -> None:
    elsewhere = replace(view, rover=replace(view.rover, station_ids={"0007": 200}))
    few = [e for e in content_family(elsewhere) if e.code == "few_common_satellites"]
    assert [(e.severity, e.hold_ns, e.explains) for e in few] == [("note", 0, False)]
