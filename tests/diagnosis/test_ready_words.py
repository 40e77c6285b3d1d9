"""What stands beside each answer of rtk_ready says what was found, and never "nan"."""

from __future__ import annotations

from tests.link_session import fed, session_of
from tests.link_stream import ARP_M, Base, arp_1005, sent

from hubtack.diagnosis.ready import criteria


def said(session: object) -> dict[str, tuple[bool | None, str]]:
    return {c.key: (c.passed, c.says) for c in criteria(session.link_view())}  # type: ignore[attr-defined]


def test_before_anything_has_come_nothing_is_claimed() -> None:
    words = said(session_of())
    assert {passed for passed, _ in words.values()} == {None}
    assert words["base_position"][1] == "no 1005 or 1006 yet"
    assert words["rate"][1] == "too few epochs for a rate"
    assert words["fresh"][1] == "no clock to compare with"
    assert not any("nan" in text for _, text in words.values())


def test_a_stream_without_observations_says_what_it_lacks() -> None:
    words = said(fed([(100.0 + i, arp) for i, arp in enumerate([arp_1005(1, ARP_M)] * 200)]))
    assert words["base_position"] == (True, "1005 or 1006 heard")
    assert words["phase"] == (False, "no carrier phase")
    assert words["bands"][1] == "no band with phase"


def test_a_good_stream_says_what_it_has() -> None:
    words = said(fed(sent(Base(), 90)))
    assert words["base_position"] == (True, "1005 or 1006 heard")
    assert words["phase"] == (True, "carrier phase")
    assert words["bands"] == (True, "two bands of one system")
    assert words["rate"] == (True, "an epoch every 1 s")
    assert words["fresh"][0] is True and words["fresh"][1].endswith("s late in the middle")
