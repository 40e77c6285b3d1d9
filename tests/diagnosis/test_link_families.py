"""Each code of the link that a stream shows by itself: found, first, and absent from streams that only look like it."""

from __future__ import annotations

import random

import pytest
from tests.link_session import fed, found, read, ready
from tests.link_stream import (
    ARP_M,
    BEIDOU,
    GALILEO,
    GLONASS,
    GPS,
    Base,
    Radio,
    by_epoch,
    damaged,
    moved,
    sent,
    stream,
    without_epochs,
)

from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session


def first(session: Session, elapsed_s: float = 0.0) -> str | None:
    return next(iter(found(session, elapsed_s)), None)


def test_a_good_stream_is_ready_and_has_no_findings() -> None:
    session = read(stream(sent(Base(), 180)))
    assert found(session) == {}
    assert ready(session) is True


# Bytes -----------------------------------------------------------------------------------------------------------


def test_an_open_source_without_a_byte_is_no_bytes_after_its_limit() -> None:
    session = Session(Setup(has_corrections=True), LinkSetup(source_kind="serial", has_arrival=True))
    session.expect("corrections")
    assert found(session, 5.0) == {}
    assert first(session, 12.0) == "no_bytes"
    assert ready(session, 12.0) is False


def test_a_port_set_twice_as_fast_as_the_radio_is_garbage_and_a_protocol_is_not() -> None:
    good = stream(sent(Base(), 20))
    # Each bit read twice, start bit included: an unsynchronised reader sees pairs of equal bits.
    doubled = bytearray()
    for byte in good:
        wide = 0
        for i in range(8):
            wide |= (byte >> i & 1) * 3 << 2 * i
        doubled += bytes((wide << 1 & 0xFF, wide >> 8 & 0xFF | 0x80))
    garbage = read(bytes(doubled), LinkSetup(source_kind="serial"))
    assert first(garbage) == "serial_garbage"
    assert first(read(bytes(doubled), LinkSetup(source_kind="capture"))) == "serial_garbage"
    rng = random.Random(5)
    noise = read(rng.randbytes(4000), LinkSetup(source_kind="serial"))
    assert first(noise) == "serial_garbage"
    frames = b"".join(b"\xaa\x44\x12" + rng.randbytes(80) for _ in range(60))
    protocol = found(read(frames, LinkSetup(source_kind="serial")))
    assert list(protocol) == ["wrong_protocol"] and protocol["wrong_protocol"].evidence["sync"] in ("AA44", "4412")


@pytest.mark.parametrize(
    ("data", "looks"),
    [
        (b"<!DOCTYPE html><html><body>Please sign in.</body></html>" * 5, "html"),
        (b"base ready, channel 4, waiting for a key\r\n" * 20, "text"),
        (b"\x1f\x8b\x08" + bytes(300), "compressed"),
        (bytes(0x40 | v % 64 for v in random.Random(1).randbytes(600)), "rtcm2"),
    ],
)
def test_what_is_not_rtcm_3_is_named(data: bytes, looks: str) -> None:
    session = read(data, LinkSetup(source_kind="tcp"))
    finding = found(session)["wrong_protocol"]
    assert finding.severity == "stop" and finding.evidence["format"] == looks
    assert ready(session) is False


@pytest.mark.parametrize(("share", "severity"), [(0.02, None), (0.2, "warn"), (0.7, "stop")])
def test_damaged_frames_count_from_five_percent_and_stop_from_half(share: float, severity: str | None) -> None:
    finding = found(read(stream(damaged(sent(Base(), 300), share, 3)))).get("corrupt_frames")
    assert (finding.severity if finding else None) == severity


def test_a_damaged_stretch_of_a_long_day_is_found_and_placed() -> None:
    day, bad = sent(Base(), 3600), []
    for t, f in day:
        inside = 600 <= t - day[0][0] < 720
        bad.extend(damaged([(t, f)], 0.6 if inside else 0.0, round(t * 97) + len(bad)))
    finding = found(read(stream(bad)))["corrupt_frames"]
    assert finding.end_ns is not None and finding.start_ns is not None
    begins_s = (finding.start_ns - 36_000_000_000_000) / 1e9
    assert 590 <= begins_s <= 640
    assert 90 <= (finding.end_ns - finding.start_ns) / 1e9 <= 180


def test_an_open_squelch_hisses_between_good_frames_and_nothing_is_wrong() -> None:
    rng = random.Random(2)
    data = b"".join(f + (rng.randbytes(30) if i % 4 == 0 else b"") for i, (_, f) in enumerate(sent(Base(), 300)))
    session = read(data)
    assert found(session) == {} and ready(session) is True


# Loss ------------------------------------------------------------------------------------------------------------


def test_a_stall_is_found_while_it_lasts_and_after_it() -> None:
    frames = sent(Base(), 120)
    cut = without_epochs(frames, lambda i, t: 60 <= i < 95)
    ended = found(read(stream(cut)))["link_stalled"]
    assert ended.end_ns is not None and ended.evidence["longest_s"] == pytest.approx(36.0)
    session = read(stream(frames))
    assert "link_stalled" not in found(session, 8.0)
    running = found(session, 40.0)["link_stalled"]
    assert running.open_at_end and running.severity == "stop"
    assert ready(session, 40.0) is False


def test_one_or_two_lost_frames_an_hour_are_ordinary() -> None:
    frames = sent(Base(), 3600)
    kept = [f for i, f in enumerate(frames) if i not in (5000, 11000)]
    assert found(read(stream(kept))) == {}


@pytest.mark.parametrize("seed", range(3))
def test_losses_in_bursts_are_bursts(seed: int) -> None:
    rng = random.Random(seed)
    lost: set[int] = set()
    at = 0
    while at < 900:
        at += int(rng.expovariate(1 / 40)) + 8
        lost.update(range(at, at + rng.randint(3, 7)))
    finding = found(read(stream(without_epochs(sent(Base(), 900), lambda i, t: i in lost))))["burst_loss"]
    assert finding.evidence["pattern"] == "burst" and "p <" in finding.evidence["test"]


@pytest.mark.parametrize("period", [7, 10, 30])
def test_losses_at_a_steady_period_are_periodic_and_the_period_is_told(period: int) -> None:
    session = read(stream(without_epochs(sent(Base(), 900), lambda i, t: i % period == 3)))
    assert first(session) == "periodic_loss"
    assert found(session)["periodic_loss"].evidence["period_s"] == pytest.approx(period, rel=0.02)


def test_frames_lost_out_of_epochs_count_as_incomplete() -> None:
    rng = random.Random(8)
    kept = [(t, f) for t, f in sent(Base(), 600) if rng.random() > 0.03]
    session = read(stream(kept))
    finding = found(session)["burst_loss"]
    assert finding.evidence["pattern"] == "independent"
    assert finding.evidence["incomplete_epochs"] > 30 and finding.evidence["whole_epochs"] <= 1


def test_a_system_that_sets_for_a_while_is_no_loss() -> None:
    whole, three = Base(), Base(systems=(GPS, GALILEO, BEIDOU))
    frames = [
        *sent(whole, 200),
        *sent(three, 200, start_s=3 * 86_400 + 36_200.0),
        *sent(whole, 200, start_s=3 * 86_400 + 36_400.0),
    ]
    assert found(read(stream(frames))) == {}


# Timing, by arrival ----------------------------------------------------------------------------------------------


def test_a_queue_that_grows_is_saturation_and_the_rate_and_a_remedy_are_told() -> None:
    frames = sent(Base(level=7), 300)
    rate_bps = 0.9 * 8 * len(stream(frames)) / 300
    session = fed(Radio(rate_bps, buffer_bytes=1 << 20).carry(frames))
    assert first(session) == "link_saturated"
    finding = found(session)["link_saturated"]
    assert finding.evidence["link_bits_per_s"] == pytest.approx(rate_bps, rel=0.03)
    assert finding.evidence["load_bits_per_s"] == pytest.approx(rate_bps / 0.9, rel=0.03)
    assert any(words.startswith("MSM4 instead of MSM7") for words in finding.evidence["fits"])
    assert "late_corrections" not in found(session)


def test_a_small_buffer_that_is_full_is_saturation_too() -> None:
    frames = sent(Base(level=7), 300)
    rate_bps = 0.6 * 8 * len(stream(frames)) / 300
    session = fed(Radio(rate_bps, buffer_bytes=4000, delay_s=0.2).carry(frames))
    assert first(session) == "link_saturated"


def test_late_and_damaged_is_no_full_queue() -> None:
    """What is missing came, damaged: nothing was let go."""
    session = fed([(t + 6.0, f) for t, f in damaged(sent(Base(), 120), 0.3, 7)])
    assert "link_saturated" not in found(session) and "corrupt_frames" in found(session)


def test_complete_and_late_is_late() -> None:
    session = fed([(t + 6.0, f) for t, f in sent(Base(), 120)])
    assert first(session) == "late_corrections"
    assert found(session)["late_corrections"].evidence["median_s"] == pytest.approx(6.0, abs=0.1)


def test_a_repeater_that_doubles_frames_two_seconds_later_is_neither_late_nor_a_second_base() -> None:
    arrived = sorted([(t + 0.3, f) for t, f in sent(Base(), 200)] + [(t + 0.7, f) for t, f in sent(Base(), 200)])
    session = fed(arrived)
    assert found(session) == {} and ready(session) is True
    assert session.link.tally.duplicates > 700


@pytest.mark.parametrize("clock_s", [-420.0, 7200.5])
def test_a_computer_clock_minutes_off_is_a_note_and_decides_nothing(clock_s: float) -> None:
    session = fed([(t + 0.4, f) for t, f in sent(Base(), 120)], clock_s=clock_s)
    findings = found(session)
    assert list(findings) == ["computer_clock"] and findings["computer_clock"].severity == "note"
    assert findings["computer_clock"].evidence["offset_s"] == pytest.approx(clock_s + 0.4, abs=0.1)
    assert ready(session) is True


@pytest.mark.parametrize(("off_s", "words"), [(-18.0, "leap seconds"), (-14.0, "BeiDou")])
def test_a_base_without_leap_seconds_lags_by_just_that(off_s: float, words: str) -> None:
    session = fed([(t + 0.4, f) for t, f in sent(Base(clock_s=off_s), 120)])
    assert first(session) == "base_clock"
    assert words in found(session)["base_clock"].summary


# Base identity ---------------------------------------------------------------------------------------------------


def test_two_bases_interleaved_under_two_names() -> None:
    other = moved(Base(station=77), 3000.0)
    frames = sorted(sent(Base(), 90) + [(t + 0.3, f) for t, f in sent(other, 90)], key=lambda item: item[0])
    session = read(stream(frames))
    assert first(session) == "two_bases"
    finding = found(session)["two_bases"]
    assert finding.evidence["mode"] == "interleaved" and finding.evidence["ids"] == [77, 412]
    assert finding.evidence["apart_m"] == pytest.approx(3000.0)
    assert session.link.latches


def test_a_base_swapped_for_another() -> None:
    start = 3 * 86_400 + 36_000.0
    frames = [*sent(Base(), 90, start), *sent(moved(Base(station=77), 40.0), 90, start + 90)]
    finding = found(read(stream(frames)))["two_bases"]
    assert finding.evidence["mode"] == "swapped" and finding.open_at_end


def test_one_name_with_two_positions_to_and_fro_is_two_bases() -> None:
    other = moved(Base(systems=()), 12.0)
    frames = sorted(sent(Base(), 90) + [(t + 0.5, f) for t, f in sent(other, 90)], key=lambda item: item[0])
    assert first(read(stream(frames))) == "two_bases"


def test_of_two_bases_under_one_name_one_may_be_the_sites_own() -> None:
    far = moved(Base(systems=()), 1200.0)  # the wrong one is heard last, and farther off than any base of the site
    frames = sorted(sent(Base(), 90) + [(t + 0.5, f) for t, f in sent(far, 90)], key=lambda item: item[0])
    own, neither = (LinkSetup(base_ecef_m=at) for at in (ARP_M, moved(Base(), -5000.0).arp_m))
    for site, follows in ((own, set()), (neither, {"wrong_base"})):
        finding = found(read(stream(frames), site))["two_bases"]
        assert {c["code"] for c in finding.evidence["consequences"]} == follows


def test_one_name_with_two_sets_of_observations_an_epoch_is_two_bases() -> None:
    other = Base(arp_every_s=None, descriptor_every_s=None, cn0_dbhz=40.0)
    frames = sorted(sent(Base(), 90) + [(t + 0.5, f) for t, f in sent(other, 90)], key=lambda item: item[0])
    finding = found(read(stream(frames)))["two_bases"]
    assert "two sets" in finding.evidence["mode"]


def test_another_name_on_a_descriptor_alone_is_not_a_second_base() -> None:
    from tests.link_stream import descriptor_1033

    frames = sent(Base(), 120)
    odd = [
        item
        for t, f in frames
        for item in ((t, f), *(((t, descriptor_1033(9, "RNG-80 NONE", "X")),) if f is frames[40][1] else ()))
    ]
    session = read(stream(odd))
    assert found(session) == {} and not session.link.latches


def test_a_base_that_was_moved_and_stays_is_latched_until_it_agrees_with_the_site() -> None:
    start = 3 * 86_400 + 36_000.0
    frames = [*sent(Base(), 60, start), *sent(moved(Base(), 0.4), 60, start + 60)]
    session = read(stream(frames))
    assert first(session) == "base_moved"
    assert found(session)["base_moved"].evidence["moved_m"] == pytest.approx(0.4, abs=1e-3)
    assert session.link.latches
    x, y, z = ARP_M
    agreed = read(stream(frames), LinkSetup(base_ecef_m=(x, y + 0.4, z)))
    assert not agreed.link.latches and found(agreed)["base_moved"].severity == "note"
    # Until then it stood wrong, and what was dug in that minute was dug by it.
    was = found(agreed)["base_misplaced"]
    assert first(agreed) == "base_misplaced" and was.severity == "stop" and not was.open_at_end
    assert was.evidence["off_m"] == pytest.approx(0.4, abs=1e-3) and was.evidence["total_s"] == pytest.approx(
        60, abs=11
    )


def test_a_base_that_averages_its_position_creeps_and_is_not_moved() -> None:
    start = 3 * 86_400 + 36_000.0
    frames = [item for k in range(12) for item in sent(moved(Base(), 0.01 * k), 10, start + 10 * k)]
    finding = found(read(stream(frames)))["base_moved"]
    assert finding.severity in ("note", "warn") and "averages" in finding.summary


def test_a_computed_base_that_is_seated_anew_is_a_note() -> None:
    start = 3 * 86_400 + 36_000.0
    new = moved(Base(computed=True, station=19), 250.0)
    session = read(stream([*sent(Base(computed=True), 90, start), *sent(new, 90, start + 90)]))
    findings = found(session)
    assert {f.severity for f in findings.values()} <= {"note"} and not session.link.latches
    assert ready(session) is True


@pytest.mark.parametrize(
    ("off_m", "code"), [(0.03, None), (0.3, "base_misplaced"), (40.0, "base_misplaced"), (600.0, "wrong_base")]
)
def test_the_site_file_tells_a_misplaced_base_from_a_wrong_one(off_m: float, code: str | None) -> None:
    x, y, z = ARP_M
    session = read(stream(sent(Base(), 90)), LinkSetup(base_ecef_m=(x, y - off_m, z), base_station_id=412))
    assert first(session) == code


def test_a_station_id_that_is_not_the_sites_is_a_wrong_base() -> None:
    assert first(read(stream(sent(Base(), 90)), LinkSetup(base_station_id=7))) == "wrong_base"


@pytest.mark.parametrize(
    ("every_s", "seconds", "severity"), [(None, 50, None), (None, 70, "stop"), (90.0, 400, "warn"), (30.0, 400, None)]
)
def test_no_base_position_waits_a_minute(every_s: float | None, seconds: float, severity: str | None) -> None:
    session = read(stream(sent(Base(arp_every_s=every_s), seconds)))
    finding = found(session).get("no_base_position")
    assert (finding.severity if finding else None) == severity
    if every_s is None:
        assert ready(session) is (None if seconds < 60 else False)


# Content ---------------------------------------------------------------------------------------------------------


def test_code_only_observations_are_no_phase() -> None:
    session = read(stream(sent(Base(level=1), 90)))
    assert first(session) == "no_phase" and ready(session) is False


def test_a_stream_without_a_single_observation_is_no_phase() -> None:
    from tests.link_stream import arp_1005, bias_1230

    frames = fed([(3 * 86_400 + 36_000.0 + i, arp_1005(412, ARP_M) + bias_1230(412)) for i in range(60)])
    assert first(frames, 40.0) == "no_phase"


def test_glonass_without_bias_or_receiver_is_told_after_two_minutes() -> None:
    bare = Base(bias_every_s=None, descriptor_every_s=None)
    assert "no_glonass_bias" not in found(read(stream(sent(bare, 90))))
    assert found(read(stream(sent(bare, 150))))["no_glonass_bias"].severity == "note"
    named = Base(bias_every_s=None)
    assert "no_glonass_bias" not in found(read(stream(sent(named, 150))))
    without = Base(bias_every_s=None, descriptor_every_s=None, systems=(GPS, GALILEO))
    assert "no_glonass_bias" not in found(read(stream(sent(without, 150))))


@pytest.mark.parametrize(("antenna", "is_found"), [("RNG-80 NONE", False), ("ADVNULLANTENNA", True), ("", True)])
def test_a_null_antenna_of_a_real_base_is_a_note(antenna: str, is_found: bool) -> None:
    findings = found(read(stream(sent(Base(antenna=antenna), 150))))
    assert ("antenna_unknown" in findings) is is_found
    assert "antenna_unknown" not in found(read(stream(sent(Base(antenna=antenna, computed=True), 150))))


def test_weak_signals_or_few_satellites_at_the_base() -> None:
    assert first(read(stream(sent(Base(cn0_dbhz=33.0), 90)))) == "base_obstructed"
    assert first(read(stream(sent(Base(satellites=2), 90)))) == "base_obstructed"


def test_one_band_is_ready_and_said_so() -> None:
    from hubtack.diagnosis.ready import criteria

    session = read(stream(sent(Base(bands=1), 90)))
    assert ready(session) is True
    assert "one band" in next(c.says for c in criteria(session.link_view()) if c.key == "bands")
    few = read(stream(sent(Base(bands=1, systems=(GPS,), satellites=5), 90)))
    assert ready(few) is False


def test_a_slow_base_fails_by_its_rate() -> None:
    assert ready(read(stream(sent(Base(interval_s=5.0), 180)))) is True
    assert ready(read(stream(sent(Base(interval_s=15.0), 300)))) is False


def test_far_from_the_position_given_is_a_long_baseline() -> None:
    setup = LinkSetup(near_deg=(-45.5, 170.0))
    assert first(read(stream(sent(Base(), 90)), setup)) == "long_baseline"


# Whole minutes of a live stream ----------------------------------------------------------------------------------


def test_an_arrival_of_each_byte_gives_the_same_findings_as_one_of_each_frame() -> None:
    arrived = [(t + 0.4, f) for t, f in sent(Base(), 40)]
    one = fed(arrived)
    split = Session(Setup(has_corrections=True), LinkSetup(has_arrival=True, source_kind="serial"))
    split.expect("corrections")
    for at, data in arrived:
        from tests.link_session import utc_ns

        for i in range(0, len(data), 7):
            split.feed(Chunk("corrections", data[i : i + 7], utc_ns(at), utc_ns(at)))
    split.close()
    assert repr(split.findings()) == repr(one.findings())
    assert split.link.tally.latency.quantile(0.5) == one.link.tally.latency.quantile(0.5)
    assert len(list(by_epoch(arrived))) == one.link.tally.epochs
    assert GLONASS in one.link.tally.systems
