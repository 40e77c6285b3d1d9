"""Rows from sentences: any cut gives the same rows; late, missing and jumping times are handled by content."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.rover_text import clock, cuts, gga, good_rows, gst, hdt, sentence

from hubtack.decode.decoder import Decoder
from hubtack.decode.tables import unpack_text
from hubtack.epochs.assemble import Assembler
from hubtack.epochs.columns import COLUMNS, KIND_BIT, Epochs
from hubtack.epochs.fill import gns_quality

MIDNIGHT = 86_400_000


def rows_of(*pieces: bytes) -> tuple[Epochs, Assembler]:
    decoder, assembler = Decoder(), Assembler()
    parts = [assembler.feed(decoder.feed(piece).sentences) for piece in pieces]
    parts.append(assembler.feed(decoder.flush().sentences))
    parts.append(assembler.close())
    return Epochs.concat(parts), assembler


def untidy() -> bytes:
    """Half a minute over midnight: GST one epoch late, HDT at half the rate, a cut line, a restart of the clock."""
    lines: list[bytes] = []
    for i in range(30):
        tod = MIDNIGHT - 15_000 + i * 1000
        lines.append(gga(tod, h_m=8 + i / 1000))
        if i % 2:
            lines.append(hdt(i))
        if i:
            lines.append(gst(tod - 1000, up_m=0.01 + i / 1000))
        if i == 7:
            lines.append(gga(tod)[:40])
    lines.extend(gga(5_000_000 + i * 1000) for i in range(5))
    return b"".join(lines)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 6000), max_size=40))
def test_any_cut_of_the_input_gives_the_same_rows(places: list[int]) -> None:
    whole, a = rows_of(untidy())
    cut, b = rows_of(*cuts(untidy(), places))
    for name in COLUMNS:
        np.testing.assert_array_equal(getattr(whole, name), getattr(cut, name), err_msg=name)
    assert a.n_late == b.n_late


def test_byte_by_byte_gives_the_same_rows() -> None:
    data = untidy()[:1500]
    whole, _ = rows_of(data)
    cut, _ = rows_of(*(data[i : i + 1] for i in range(len(data))))
    for name in COLUMNS:
        np.testing.assert_array_equal(getattr(whole, name), getattr(cut, name), err_msg=name)


def test_open_rows_are_the_same_whether_made_along_with_closed_ones_or_by_themselves() -> None:
    data = untidy()
    seen = 0
    for until in range(200, len(data), 97):
        live, whole = Assembler(), Assembler()
        decoder = Decoder()
        for at in range(0, until, 61):
            live.feed(decoder.feed(data[at : min(at + 61, until)]).sentences)
            live.open_rows().tod_ms[:] = 0  # the caller's own: what it does to them changes nothing
        whole.feed(Decoder().feed(data[:until]).sentences)
        a, b = live.open_rows(), whole.open_rows()
        seen += len(a)
        for name in COLUMNS:
            np.testing.assert_array_equal(getattr(a, name), getattr(b, name), err_msg=name)
    assert seen > 20


def test_time_runs_on_over_midnight() -> None:
    rows, _ = rows_of(good_rows(MIDNIGHT - 3000, 6))
    assert list(rows.tod_ms) == [MIDNIGHT - 3000 + i * 1000 for i in range(6)]
    assert set(rows.segment) == {0}


def test_a_gst_that_is_one_epoch_late_joins_its_own_row() -> None:
    rows, assembler = rows_of(gga(1000), gga(2000), gst(1000, up_m=0.011), gga(3000), gst(2000, up_m=0.022))
    assert list(rows.sigma_up_m[:2]) == [0.011, 0.022]
    assert assembler.n_late == 0


def test_a_sentence_behind_both_open_rows_is_counted_and_dropped() -> None:
    rows, assembler = rows_of(gga(1000), gga(2000), gga(3000), gst(1000, up_m=0.5))
    assert assembler.n_late == 1
    assert not (rows.sigma_up_m == 0.5).any()


@pytest.mark.parametrize("jump_ms", [-60_000, 31 * 60_000])
def test_a_jump_of_the_clock_starts_a_new_segment(jump_ms: int) -> None:
    rows, _ = rows_of(good_rows(40_000_000, 5), good_rows(40_005_000 + jump_ms, 5))
    assert list(rows.segment) == [0] * 5 + [1] * 5


def test_empty_never_overwrites_and_gn_goes_before_the_others() -> None:
    rows, _ = rows_of(
        sentence("GPGNS,103607.00,,,,,,6,,,,1.0,0007"),
        sentence("GNGNS,103607.00,4501.86,S,17000.72,E,RRN,15,0.7,8.4,4.2,,"),
        sentence("GLGNS,103607.00,,,,,,4,,,,1.0,0007"),
    )
    assert len(rows) == 1
    assert rows.satellites[0] == 15
    assert rows.age_s[0] == 1.0
    assert unpack_text(rows.station_id[0]) == "0007"
    assert rows.quality[0] == 4


def test_the_mode_of_rmc_gives_the_fix_type_where_there_is_no_gga() -> None:
    rows, _ = rows_of(sentence("GNRMC,103607.00,A,4501.86,S,17000.72,E,0.03,0.0,180426,,,R,V"))
    assert rows.quality[0] == 4
    assert rows.date_day[0] == 20561  # 2026-04-18
    rows, _ = rows_of(sentence("GNRMC,103607.00,V,4501.86,S,17000.72,E,0.03,0.0,180426,,,R,V"))
    assert rows.quality[0] == 0


def test_rmc_at_ten_times_the_rate_makes_no_epochs_of_its_own_beside_gga() -> None:
    lines = []
    for i in range(40):
        tod_ms = 1_000_000 + i * 100
        if i % 10 == 0:
            lines.append(gga(tod_ms))
        lines.append(sentence(f"GNRMC,{clock(tod_ms)},A,4501.86,S,17000.72,E,0.03,0.0,180426,,,R,V"))
    rows, _ = rows_of(*lines)
    assert len(rows) == 4


def test_a_gyro_is_no_antenna_pair() -> None:
    rows, _ = rows_of(gga(1000), sentence("HEHDT,74.20,T"), gga(2000), hdt(80.0), gga(3000))
    assert np.isnan(rows.heading_deg[0])
    assert rows.heading_deg[1] == 80.0


def test_an_untimed_sentence_before_the_first_epoch_joins_no_row() -> None:
    rows, _ = rows_of(hdt(10.0), gga(1000))
    assert len(rows) == 1
    assert np.isnan(rows.heading_deg[0])


def test_a_sentence_without_a_time_joins_no_row_and_hides_none() -> None:
    empty = sentence("GNGGA,,,,,,0,00,99.99,,,,,,")  # a receiver that has not yet found the time
    lines = [empty, gga(0) + gst(0), empty, gga(1000) + gst(1000), empty, gga(2000) + gst(2000), empty]
    for epochs, _ in (rows_of(b"".join(lines)), rows_of(*lines)):
        assert epochs.tod_ms.tolist() == [0, 1000, 2000]
        assert epochs.quality.tolist() == [4.0] * 3 and not np.isnan(epochs.sigma_up_m).any()
    nothing, _ = rows_of(empty, empty)
    assert len(nothing) == 0


def test_of_several_sentences_of_a_row_each_value_is_the_first_that_is_said() -> None:
    lines = [gga(i * 1000, age_s=None) + gga(i * 1000, age_s=3.0, h_m=99.0) for i in range(3)]
    lines[1] = gga(1000, age_s=2.0) + gga(1000, age_s=3.0, h_m=99.0)
    for epochs, _ in (rows_of(b"".join(lines)), rows_of(*lines)):
        assert epochs.age_s.tolist() == [3.0, 2.0, 3.0]
        assert 99.0 not in epochs.h_geoid_m.tolist()


def test_a_slower_gst_is_held_for_two_seconds() -> None:
    rows, _ = rows_of(gga(1000), gst(1000, up_m=0.02), *(gga(1000 + i * 1000) for i in range(1, 5)))
    assert list(~np.isnan(rows.sigma_up_m)) == [True, True, True, False, False]


def test_the_date_of_zda_goes_with_its_own_time_of_day() -> None:
    # ZDA's time lies on the other side of midnight from GGA's, as in real logs.
    rows, _ = rows_of(gga(MIDNIGHT - 310), sentence("GPZDA,000000.69,06,12,2018,,"), gga(690))
    assert rows.date_day[0] == 17870  # 2018-12-05, the day of the first row


def test_kinds_are_noted_as_they_stood_when_the_next_row_opened() -> None:
    rows, _ = rows_of(gga(1000), gga(2000), gst(1000), gga(3000))
    assert rows.kinds[0] == KIND_BIT["GGA"] | KIND_BIT["GST"]
    assert rows.kinds_early[0] == KIND_BIT["GGA"]


@pytest.mark.parametrize(
    ("mode", "quality"),
    [
        ("RRN", 4),
        ("FFNNN", 5),
        ("RDN", 2),
        ("AANN", 1),
        ("NN", 0),
        ("RX", None),
        ("P", 3),
    ],
)
def test_a_solution_is_called_by_the_least_trusted_letter(mode: str, quality: int | None) -> None:
    # NMEA 0183 mode letters; that the least of them counts is Hubtack's own caution.
    result = gns_quality(mode)
    assert (np.isnan(result) and quality is None) or result == quality


def test_a_hostile_stream_that_jumps_at_every_sentence_costs_no_quadratic_time() -> None:
    lines = [gga((i % 2) * 40_000_000 + i * 7) for i in range(3000)]
    rows, _ = rows_of(b"".join(lines))
    assert len(rows) == 3000
