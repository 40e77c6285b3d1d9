"""What has changed since it worked."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.link_session import read
from tests.link_stream import GPS, Base, moved, sent, stream, without_epochs

from hubtack.documents.expect import changes, expected_form
from hubtack.documents.link import link_body
from hubtack.json_out import plain


def body_of(base: Base, lose: bool = False) -> dict[str, object]:
    frames = sent(base, 90)
    if lose:
        frames = without_epochs(frames, lambda i, t: i % 8 == 3)
    session = read(stream(frames))
    return dict(plain(link_body(session.link, session.axis, source="x", ready=True, findings=())))


GOOD = body_of(Base())


def whats(now: dict[str, object]) -> set[str]:
    return {change["what"] for change in changes(GOOD, now)}


def test_the_same_stream_has_not_changed() -> None:
    assert changes(GOOD, body_of(Base())) == []


def test_what_was_switched_off_or_over_is_named() -> None:
    assert {"systems", "message 1084"} <= whats(body_of(Base(systems=(GPS,))))
    assert "message 1230" in whats(body_of(Base(bias_every_s=None)))
    assert {"message 1074", "message 1077"} <= whats(body_of(Base(level=7)))
    assert "interval_s of message 1005" in whats(body_of(Base(arp_every_s=30.0)))
    assert "signals of GPS" in whats(body_of(Base(bands=1)))


def test_another_or_a_moved_base_is_named() -> None:
    assert "station IDs" in whats(body_of(Base(station=9)))
    assert "base position of 412 moved_m" in whats(body_of(moved(Base(), 0.05)))
    assert "base position of 412 moved_m" not in whats(body_of(moved(Base(), 0.005)))
    assert "antenna of 412" in whats(body_of(replace(Base(), antenna="OTHER NONE")))


def test_weaker_signals_and_losses_are_named() -> None:
    assert "median_cn0_dbhz of GPS" in whats(body_of(Base(cn0_dbhz=40.0)))
    assert "lost_share" in whats(body_of(Base(), lose=True))


def test_a_document_of_less_is_compared_in_what_it_has() -> None:
    assert changes({"kind": "link"}, GOOD)
    assert isinstance(changes({"stations": None, "messages": [{}], "latency_s": None}, GOOD), list)


@pytest.mark.parametrize(
    ("document", "says"),
    [
        ([], "the whole is not an object"),
        ({"stations": 7}, "stations is not a list"),
        ({"stations": [None]}, "stations has an empty place"),
        ({"stations": [{"id": "412"}]}, "stations.id is not a whole number"),
        ({"stations": [{"arp_ecef_m": [1.0, 2.0]}]}, "not of three numbers"),
        ({"messages": [{"type": 1005, "interval_s": float("nan")}]}, "messages.interval_s is not a number"),
        ({"ledger": {"lost": True}}, "ledger.lost is not a whole number"),
        ({"bits_per_s": 10**400}, "bits_per_s is not a number"),
    ],
)
def test_a_saved_document_of_another_form_is_refused_with_the_place(document: object, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        expected_form(document)


def test_a_document_in_its_form_is_taken_as_it_is_and_compares_the_same() -> None:
    body = body_of(Base())
    kept = expected_form(body)
    assert kept["stations"][0]["arp_ecef_m"] == body["stations"][0]["arp_ecef_m"]  # type: ignore[index]
    assert changes(kept, body) == changes(body, kept) == []
