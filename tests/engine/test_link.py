"""The link as the engine follows it: any cut the same, what was known when, latches, the tallies."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.link_session import random_cuts, read, session_of
from tests.link_stream import (
    ARP_M,
    GLONASS,
    GPS,
    SATELLITES,
    Base,
    damaged,
    frame,
    moved,
    msm,
    physical_1032,
    sent,
    stream,
    system_1013,
)

from hubtack.engine.link import COMPUTED, LATCH_FLAGS, PHYSICAL, LinkSetup
from hubtack.engine.link_flow import Flow
from hubtack.engine.link_ledger import COMPLETE, INCOMPLETE, LOST, Ledger
from hubtack.readers.chunk import Chunk

START_S = 3 * 86_400 + 36_000.0
S = 1_000_000_000


def mixed_stream() -> bytes:
    """Two bases, damage, junk, a repeater and a gap: everything that could depend on a cut."""
    frames = damaged(sent(Base(), 40), 0.05, 1) + sent(moved(Base(station=77), 5.0), 20, START_S + 45)
    out = b""
    for i, (_, f) in enumerate(frames):
        out += f + (b"\xd3\x00\x40junk" if i % 17 == 0 else b"") + (f if i % 5 == 0 else b"")
    return system_1013(412, 60_000, 36_000) + out


def tallies(session: object) -> str:
    link = session.link  # type: ignore[attr-defined]
    tally = link.tally
    plain = (
        "bytes",
        "frames",
        "bad_crc",
        "other_bytes",
        "duplicates",
        "failures",
        "bad_crc_ns",
        "id_changes",
    )
    parts = [repr(getattr(tally, name)) for name in plain]
    ledger = tally.ledger
    parts += [
        f"{ledger.epochs} {ledger.closed} {ledger.late_frames} {ledger.steps_ms} {[sorted(s) for s in ledger.sets]}"
    ]
    parts += [f"{ledger.slots(10_000).tolist()} {sorted(ledger.due())}"]
    parts += [
        f"{key} {value.count} {value.bytes} {value.interval.counts.tolist()} {value.cells}"
        for key, value in sorted(tally.messages.items())
    ]
    parts += [repr(sorted(tally.stations.items())), repr(sorted(tally.flow.bins.items()))]
    parts += [
        f"{key} {value.cn0.counts.tolist()} {value.satellites.counts.tolist()} {sorted(value.signals.items())} "
        f"{sorted(value.phases.items())} {value.lock_resets}"
        for key, value in sorted(tally.systems.items())
    ]
    parts += [
        repr(sorted((k, sorted(v.items())) for k, v in tally.content.sky.bins.items())),
        repr(tally.content.twins),
        repr(link.latches),
    ]
    return "\n".join(parts)


WHOLE = mixed_stream()


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, len(WHOLE) - 1), max_size=60))
def test_any_cut_gives_the_same_tallies_and_findings(cuts: list[int]) -> None:
    one, other = read(WHOLE), read(WHOLE, cuts=sorted(set(cuts)))
    assert tallies(one) == tallies(other)
    assert repr(one.findings()) == repr(other.findings())


@settings(max_examples=40, deadline=None)
@given(st.binary(max_size=600), st.integers(0, 400))
def test_any_bytes_at_all_raise_nothing(junk: bytes, at: int) -> None:
    good = stream(sent(Base(), 2))
    session = read(good[:at] + junk + good[at:], cuts=random_cuts(good, 3, at))
    session.findings()
    assert session.link.tally.bytes == len(good) + len(junk)


def test_a_row_sees_the_link_as_it_was_and_not_as_it_has_become() -> None:
    session = session_of()
    places = []
    for _, f in [*sent(Base(), 5), *sent(moved(Base(), 2.0), 15, START_S + 5)]:
        session.feed(Chunk("corrections", f))
        places.append(session.link.tally.bytes - 1)
    columns = session.link.join(np.array([-1, places[14], places[-1]], dtype=np.int64))
    assert np.isnan(columns.obs_utc_ms[0]) and columns.base_kind[0] == 0
    assert columns.arp_ecef_m[1] == pytest.approx(ARP_M) and columns.latches[1] == 0
    assert columns.arp_ecef_m[2][1] == pytest.approx(ARP_M[1] + 2.0) and columns.latches[2] == LATCH_FLAGS["base_moved"]
    assert columns.base_kind[2] == PHYSICAL
    assert columns.obs_utc_ms[2] % 86_400_000 == 36_000_000 + 19_000


def test_an_epoch_counts_when_its_last_message_is_there() -> None:
    session = session_of()
    first = Base().epoch(START_S)
    session.feed(Chunk("corrections", b"".join(first[:3])))
    assert np.isnan(session.link.join(np.array([1 << 40])).obs_utc_ms[0])
    session.feed(Chunk("corrections", first[3]))
    assert session.link.join(np.array([1 << 40])).obs_utc_ms[0] % 86_400_000 == 36_000_000


def test_a_latch_is_cleared_by_a_person_and_set_again_by_the_next_change() -> None:
    session = read(stream([*sent(Base(), 20), *sent(moved(Base(), 2.0), 20, START_S + 20)]))
    assert session.link.latches == LATCH_FLAGS["base_moved"]
    session.link.clear_latches(1 << 40)
    assert session.link.join(np.array([1 << 41])).latches[0] == 0


def test_1032_or_the_bit_of_1005_makes_a_base_computed() -> None:
    by_bit = read(stream(sent(Base(computed=True), 20)))
    by_1032 = read(physical_1032(412, 7, ARP_M) + stream(sent(Base(), 20)))
    assert by_bit.link.base_kind == by_1032.link.base_kind == COMPUTED
    near = read(stream(sent(Base(), 20)), LinkSetup(near_deg=(-45.0, 10.0)))
    assert near.link.base_kind == PHYSICAL


def test_the_date_of_1013_dates_the_stream_and_its_clock_is_compared() -> None:
    session = read(stream(sent(Base(), 3)) + system_1013(412, 60_000, 36_002) + stream(sent(Base(), 3, START_S + 3)))
    assert session.axis.utc_iso(session.link.tally.first_ns) == "2023-02-25T10:00:00Z"  # MJD 60000 is 2023-02-25
    assert session.link.tally.clock_offs_s == [0.0] and session.link.tally.leap_s == 18


# Ledger ----------------------------------------------------------------------------------------------------------


def ledger_of(epochs: list[tuple[float, tuple[int, ...]]]) -> Ledger:
    ledger = Ledger()
    for at, kinds in epochs:
        n = len(kinds)
        ledger.add(np.full(n, round(at * S)), np.array(kinds, dtype=np.int64), np.array([1] * (n - 1) + [0]))
    return ledger


def test_slots_tell_whole_cut_and_lost_epochs() -> None:
    epochs = [(float(t), (1074, 1084)) for t in range(30) if t not in (10, 11)]
    epochs[5] = (5.0, (1074,))
    slots = ledger_of(epochs).slots(10_000)
    assert slots[5] == INCOMPLETE and list(slots[9:13]) == [COMPLETE, LOST, LOST, COMPLETE]
    assert np.count_nonzero(slots == LOST) == 2


def test_a_type_that_comes_every_second_epoch_is_not_due_in_each() -> None:
    ledger = ledger_of([(float(t), (1074, 1084) if t % 2 else (1074,)) for t in range(60)])
    assert ledger.due() == {1074} and not np.count_nonzero(ledger.slots(10_000))


def test_gaps_are_over_one_and_a_half_intervals_and_lost_epochs_are_rounded() -> None:
    ledger = ledger_of([(t, (1074,)) for t in (0.0, 1.0, 2.0, 3.4, 4.4, 7.5)])
    assert ledger.interval_s() == 1.0
    assert [(a // S, lost) for a, _, lost in ledger.gaps()] == [(4, 2)]


def test_a_late_frame_of_an_older_epoch_starts_no_new_one() -> None:
    ledger = ledger_of([(0.0, (1074,)), (1.0, (1074,)), (0.0, (1084,)), (2.0, (1074,))])
    assert ledger.epochs == 3 and ledger.late_frames == 1


def test_a_stream_over_midnight_keeps_its_interval() -> None:
    session = read(stream(sent(Base(), 40, 4 * 86_400 - 20.0)))
    assert session.link.tally.gaps() == [] and session.link.tally.duration_s() == 39.0


# Flow and content ------------------------------------------------------------------------------------------------


def test_bins_widen_instead_of_growing() -> None:
    flow = Flow()
    flow.add_frames(np.arange(50_000, dtype=np.int64) * S, np.full(50_000, 10))
    at, counts = flow.table()
    assert len(at) <= 20_000 and int(counts[:, 0].sum()) == 50_000 and flow.width_ns == 4 * S
    strip = flow.strip(100, 0, 50_000 * S)
    assert len(strip) == 100 and sum(cell["frames"] for cell in strip) == 50_000


def test_a_lock_that_starts_anew_is_a_lost_lock_and_a_rising_satellite_is_none() -> None:
    def epoch(t: float, lock: int) -> bytes:
        return msm(
            GPS,
            4,
            412,
            START_S + t,
            (5, 7),
            (2,),
            more=False,
            cn0_dbhz=lambda s, g: 45.0,
            lock=lambda s, g: lock if s == 5 else 12,
        )

    session = read(b"".join(epoch(float(t), 12 if t < 5 else t - 5) for t in range(12)))
    assert session.link.tally.systems[GPS].lock_resets == 1


def test_satellites_signals_and_strengths_are_those_that_were_sent() -> None:
    tally = read(stream(sent(Base(cn0_dbhz=44.0), 30))).link.tally
    assert tally.satellites_of(GLONASS) == len(SATELLITES[GLONASS])
    assert sorted(tally.systems[GPS].signals) == [2, 16] == sorted(tally.systems[GPS].phases)
    assert tally.systems[GPS].cn0.quantile(0.5) == pytest.approx(44.0, abs=1.0)
    assert tally.interval_s() == 1.0 and tally.messages[1005].interval.quantile(0.5) == pytest.approx(10.0)


def test_a_frame_lost_from_a_split_epoch_leaves_the_rest() -> None:
    frames = [
        f
        for i, (_, f) in enumerate(sent(Base(arp_every_s=None, bias_every_s=None, descriptor_every_s=None), 30))
        if i != 41
    ]
    tally = read(b"".join(frames)).link.tally
    assert tally.epochs == 30
    assert np.count_nonzero(tally.ledger.slots(10_000) == INCOMPLETE) == 1


def test_identical_cuts_in_pairs() -> None:
    data = stream(sent(Base(), 6))
    for a, b in itertools.pairwise(random_cuts(data, 8, 3)):
        assert tallies(read(data, cuts=[a, b])) == tallies(read(data))


@pytest.mark.parametrize("payload", [b"", b"\x43"], ids=["empty", "one byte"])
def test_a_frame_too_short_for_a_number_is_counted_and_of_no_kind(payload: bytes) -> None:
    """Length 0 is what a transmitter may fill a quiet link with: RTCM 10403.3, section 4 (from memory)."""
    frames = sent(Base(), 10)
    with_fillers = b"".join(f + frame(payload) for _, f in frames)
    plain, filled = read(stream(frames)).link.tally, read(with_fillers).link.tally
    assert plain.frames and filled.frames == 2 * plain.frames
    assert {k: m.count for k, m in filled.messages.items()} == {k: m.count for k, m in plain.messages.items()}
    assert filled.ledger.slots(10_000).tolist() == plain.ledger.slots(10_000).tolist()
