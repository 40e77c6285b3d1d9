"""Losses and climbs with little to go by: what is said of a short, an empty or an odd record."""

from __future__ import annotations

import numpy as np
import pytest
from tests.link_session import fed, read
from tests.link_stream import GLONASS, GPS, Base, Radio, sent, stream

from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.link_view import LinkView
from hubtack.diagnosis.loss import _periodic, loss_pattern
from hubtack.diagnosis.loss_places import (
    LEAST_LOST,
    LEAST_SLOTS,
    LossPlace,
    PlacedSlots,
    _Bins,
    _cells,
    inside_of,
    loss_places,
    settled_part,
)
from hubtack.diagnosis.loss_words import evidence, middle_of_losses, place_figures, says
from hubtack.diagnosis.rover_view import RoverView
from hubtack.diagnosis.saturation import climbs, fits, saturation
from hubtack.diagnosis.sky_family import _sector
from hubtack.engine.link_tally import LinkTally

S = 1_000_000_000


# Climbs of the age ----------------------------------------------------------------------------------------------------


def climb(age_s: list[float], step_s: float = 10.0) -> list[tuple[float, float]]:
    found = climbs((np.arange(len(age_s)) * step_s * S).astype(np.int64), np.array(age_s))
    return [(c.start_s, c.end_s) for c in found]


def test_a_climb_starts_at_its_lowest_age() -> None:
    falling = [5.0, 4.0, 3.0, 2.0, 1.0]
    rising = [1.0 + 0.5 * i for i in range(1, 60)]
    ((start_s, end_s),) = climb(falling + rising)
    assert start_s == 1.0 and end_s == rising[-1]
    assert climb([1.0] * 80) == [] == climb([]) == climb([3.0])


def test_a_gap_or_a_stall_ends_a_climb() -> None:
    rising = [1.0 + 0.5 * i for i in range(60)]
    times = np.concatenate((np.arange(60) * 10, 10_000 + np.arange(60) * 10)).astype(np.int64) * S
    assert len(climbs(times, np.array(rising + rising))) == 2
    assert len(climb([*rising, 500.0, *[500.0] * 30])) == 1


def test_a_stream_of_which_nothing_is_known_has_no_remedy() -> None:
    assert fits(LinkTally(), 1200.0) == []
    tally = read(stream(sent(Base(), 40))).link.tally
    assert fits(tally, 0.0) == []


def test_remedies_are_those_that_fit_and_no_others() -> None:
    full = read(stream(sent(Base(level=7), 40))).link.tally
    some = fits(full, 40_000.0)
    assert 1 <= len(some) <= 3 and "MSM4 instead of MSM7" in some[0]
    assert fits(full, 100.0) == []
    slim = read(stream(sent(Base(level=4), 40))).link.tally
    assert not any("instead of" in words for words in fits(slim, 40_000.0))
    two = read(stream(sent(Base(level=4, systems=(GPS,)), 40))).link.tally
    assert not any("only" in words for words in fits(two, 400.0))
    assert any(
        "only" in words for words in fits(read(stream(sent(Base(level=4, systems=(GPS, GLONASS)), 40))).link.tally, 1e9)
    )


def test_frames_without_a_satellite_are_as_large_in_any_format() -> None:
    tally = read(
        stream(sent(Base(level=7, satellites=0, arp_every_s=None, bias_every_s=None, descriptor_every_s=None), 40))
    ).link.tally
    (first, *_) = fits(tally, 1e6)
    now_bps = 8 * tally.bytes_per_epoch()
    assert first.startswith(f"MSM4 instead of MSM7: {now_bps:.0f} bit/s")


def test_a_climb_during_which_nothing_was_heard_here_tells_no_rate_of_the_link() -> None:
    session = read(stream(sent(Base(), 40)))
    last_ns = session.link.tally.ledger.last_ns
    assert last_ns is not None

    def climbing(from_ns: int) -> RoverView:
        at_ns = from_ns + np.arange(30) * 10 * S
        return RoverView(has_rover=True, ages=(at_ns.astype(np.int64), 1.0 + 0.3 * np.arange(30) * 10))

    def judged(from_ns: int) -> Episode | None:
        rover = climbing(from_ns)
        return saturation(LinkView(session.link, rover, from_ns, from_ns + 300 * S))

    assert judged(last_ns + 600 * S) is None
    heard = judged(last_ns - 30 * S)
    assert heard is not None and heard.code == "link_saturated" and heard.evidence["link_bits_per_s"] > 0


# Patterns of losses ---------------------------------------------------------------------------------------------------


def test_a_record_too_short_for_a_period_has_none() -> None:
    assert _periodic(np.arange(5), 1000) is None  # too few
    assert _periodic(np.arange(0, 12, 2), 13) is None  # no frequency lies between three slots and a fifth of it
    assert _periodic(np.arange(0, 600, 3), 1 << 30) is None  # longer than can be looked at as a whole


def test_single_losses_crowded_into_one_hour_are_bursts_too() -> None:
    # Every second slot in one stretch: no two in a row, so by runs nothing, by their spread a great deal.
    rng = np.random.default_rng(8)
    lost = np.zeros(6000, dtype=bool)
    lost[2000 + 4 * np.sort(rng.choice(150, 60, replace=False))] = True
    pattern = loss_pattern(lost)
    assert pattern.kind in ("burst", "periodic")
    spread = np.zeros(40_000, dtype=bool)
    spread[10_000 + 9 * np.sort(rng.choice(400, 60, replace=False)) + rng.integers(0, 7, 60)] = True
    crowded = loss_pattern(spread)
    assert crowded.kind == "burst" and crowded.test.startswith("dispersion")


# Places of losses -----------------------------------------------------------------------------------------------------


def slots(n: int = 4000, *, bad_sector: bool = False, bad_far: bool = False, share: float = 0.01) -> PlacedSlots:
    """A machine that stays somewhere for a while, near or far, and goes on to somewhere else."""
    rng = np.random.default_rng(5)
    at = np.arange(n)
    stay = np.cumsum(rng.random(n) < 1 / 25)
    bearing = rng.integers(0, 12, n)[stay] * 30.0 + 15.0
    far = (rng.random(n) < 0.5)[stay]
    range_m = np.where(far, 900.0, 300.0) + rng.normal(0, 5, n)
    lost = rng.random(n) < share
    if bad_sector:
        lost |= (bearing >= 90) & (bearing < 120) & (rng.random(n) < 0.7)
    if bad_far:
        lost |= far & (rng.random(n) < 0.5)
    return PlacedSlots(at * S, lost, range_m, bearing)


def test_a_bad_sector_is_named_with_its_figures() -> None:
    found = loss_places(slots(bad_sector=True))
    place = found.places[0]
    assert place.kind == "sector" and place.low in (90.0, 105.0) and place.high in (120.0, 135.0) and place.visits > 1
    assert place.share > 0.5 > place.elsewhere_share and f"bearing {place.low:.0f} to {place.high:.0f} deg" in says(
        place
    )
    figures = place_figures(place)
    assert (
        figures["bearing_from_deg"] == place.low and figures["visits"] == place.visits and "range_from_m" not in figures
    )
    said = evidence(found)
    assert says(place) in said["where"] and said["places"][0]["kind"] == "sector"
    inside = inside_of(place, slots(bad_sector=True))
    assert int(inside.sum()) == place.slots


def test_a_bad_range_is_named() -> None:
    found = loss_places(slots(bad_far=True))
    place = found.places[0]
    assert place.kind == "beyond" and 300 < place.low < 900 and "beyond" in says(place)
    assert place_figures(place)["range_to_m"] is None
    assert int(inside_of(place, slots(bad_far=True)).sum()) == place.slots


def test_losses_that_hang_on_no_place_are_said_to() -> None:
    found = loss_places(slots())
    assert found.places == () and found.stretch is None and "no place and no stretch" in evidence(found)["where"]


def test_too_few_losses_or_no_place_of_the_machine_say_why() -> None:
    few = loss_places(slots(LEAST_SLOTS - 1))
    assert "too few to say" in few.why_not and evidence(few)["where"] == few.why_not
    unknown = slots(share=0.02)
    nowhere = PlacedSlots(unknown.time_ns, unknown.lost, np.full(4000, np.nan), np.full(4000, np.nan))
    assert "the machine's place is known for 0 of" in loss_places(nowhere).why_not
    middle = middle_of_losses(nowhere)
    assert np.isnan(middle["lost_range_m"]) and np.isnan(middle["lost_bearing_deg"])
    still = PlacedSlots(unknown.time_ns, unknown.lost, np.full(4000, 500.0), np.full(4000, 45.0))
    assert loss_places(still).why_not == "the machine stayed in one place, as seen from the base"
    assert middle_of_losses(still) == {"lost_range_m": 500.0, "lost_bearing_deg": pytest.approx(45.0)}
    assert LEAST_LOST > 0 and _cells(np.full(4000, 500.0), np.full(4000, 45.0), _Bins(4000))[0] == []


def haul(stops: list[tuple[float, float, float]], visits: int) -> PlacedSlots:
    """A machine that goes from stop to stop, (bearing [deg], range [m], share lost there), and stays for a while at each."""
    rng = np.random.default_rng(6)
    at = np.repeat(rng.integers(0, len(stops), visits), rng.integers(5, 30, visits))
    bearing_deg, range_m, share = np.array(stops).T[:, at]
    return PlacedSlots(np.arange(len(at)) * S, rng.random(len(at)) < share, range_m, bearing_deg)


def test_a_bank_that_is_also_the_far_end_is_told_as_both() -> None:
    ((place, *others), record) = (loss_places(r := haul([(50, 900, 0.6), (140, 300, 0), (230, 320, 0)], 100)).places, r)
    assert place.kind == "sector" and not others and place.or_range_m is not None
    near_m, far_m = place.or_range_m
    assert 320 < near_m <= 900 and far_m == np.inf and place.nearest_lost_m == 900
    assert inside_of(place, record).tolist() == (record.range_m == 900).tolist()
    # Where the same range is had elsewhere without losses, it is the bank.
    ((bank, *_),) = (loss_places(haul([(50, 900, 0.6), (140, 300, 0), (230, 900, 0)], 100)).places,)
    assert bank.kind == "sector" and bank.or_range_m is None


def test_no_more_than_three_places_are_named_the_heaviest_first() -> None:
    shares = {20.0: 0.9, 110.0: 0.4, 200.0: 0.2, 290.0: 0.1, 65.0: 0.0, 155.0: 0.0, 245.0: 0.0, 330.0: 0.0}
    found = loss_places(haul([(b, 500.0, share) for b, share in shares.items()], 300))
    assert [p.low <= b < p.high for p, b in zip(found.places, shares, strict=False)] == [True] * 3
    assert [p.share for p in found.places] == pytest.approx([0.9, 0.4, 0.2], abs=0.05)
    fourth = loss_places(haul([(b, 500.0, share if b == 290.0 else 0.0) for b, share in shares.items()], 300))
    assert [p.low <= 290.0 < p.high for p in fourth.places] == [True]  # by itself it would have been named


def test_a_short_record_of_which_one_place_holds_all_losses_is_asked_for_no_second_place_and_no_stretch() -> None:
    n = LEAST_SLOTS + 60
    away = np.arange(n) // 13 % 3 == 1
    lost = away & (np.arange(n) % 2 == 0)
    record = PlacedSlots(np.arange(n) * S, lost, np.where(away, 900.0, 300.0), np.where(away, 45.0, 225.0))
    assert n - np.count_nonzero(away) < LEAST_SLOTS  # what is left is too little for a test
    found = loss_places(record)
    (place,) = found.places
    assert inside_of(place, record).tolist() == away.tolist() and place.lost == np.count_nonzero(lost)
    assert place.elsewhere_lost == 0 and found.stretch is None and found.why_not == ""


def test_a_bad_stretch_of_time_is_named_with_its_times() -> None:
    quiet = slots(share=0.002)
    lost = quiet.lost.copy()
    lost[1500:1800] = np.arange(300) % 5 == 0
    found = loss_places(PlacedSlots(quiet.time_ns, lost, np.full(4000, np.nan), np.full(4000, np.nan)))
    assert found.stretch is not None and found.stretch.low < 1800 * S and found.stretch.high > 1500 * S
    assert "one stretch of time" in says(found.stretch)
    figures = place_figures(found.stretch)
    assert figures["start_ns"] == int(found.stretch.low) and "visits" not in figures


def test_words_of_places_that_one_visit_or_a_range_may_explain_as_well() -> None:
    near = LossPlace("within", 0.0, 250.0, 100, 50, 1000, 5, 0.001)
    assert says(near).startswith("within 250 m of the base") and "one visit only" in says(near)
    assert place_figures(near)["range_to_m"] == 250.0
    for ring, words, to_m in (((400.0, np.inf), "beyond 400 m", None), ((0.0, 400.0), "within 400 m", 400.0)):
        both = LossPlace("sector", 0.0, 30.0, 100, 50, 1000, 5, 0.001, 3, 3, 420.0, ring)
        assert f"or it is the range, {words}" in says(both) and "one visit" not in says(both)
        assert place_figures(both)["or_range_to_m"] == to_m
    nothing = LossPlace("sector", 0.0, 30.0, 0, 0, 0, 0, 1.0)
    assert np.isnan(nothing.share) and np.isnan(nothing.elsewhere_share)


def test_a_record_is_looked_at_up_to_its_last_whole_part() -> None:
    record = slots(4000)
    part = settled_part(record)
    assert len(part.lost) == 4000 // 32 * 32 and len(settled_part(slots(10)).lost) == 10
    assert (part.range_m == record.range_m[: len(part.lost)]).all()


def test_a_sky_that_is_lost_on_every_side_alike_has_no_side() -> None:
    assert _sector(np.ones(8), 0.99) == ("all around", None)
    words, bearing = _sector(np.array([0.0, 0.0, 3.0, 0.0, 0.0, 0.0, 0.0, 0.0]), 0.8)
    assert bearing == 112.5 and "45 degrees wide" in words


@pytest.mark.parametrize(("share", "clock_s"), [(0.9, -240.0), (0.6, 0.0), (0.25, -240.0)])
def test_a_queue_is_a_queue_however_little_of_the_load_it_carries(share: float, clock_s: float) -> None:
    # A first-in first-out queue: content of T seconds takes T / share, so that the age gains (1 - share) in a second.
    frames = sent(Base(), 240)
    load_bps = 8 * len(stream(frames)) / 240
    carried = Radio(share * load_bps, buffer_bytes=10**9).carry(frames)
    session = fed([(t, f) for t, f in carried if t < carried[0][0] + 240], clock_s=clock_s)
    (queue,) = [f for f in session.findings() if f.code in ("link_saturated", "late_corrections", "link_stalled")]
    assert queue.code == "link_saturated"
    assert queue.evidence["age_gain_s_per_s"] == pytest.approx(1 - share, abs=0.05)
    assert queue.evidence["link_bits_per_s"] == pytest.approx(share * load_bps, rel=0.1)
