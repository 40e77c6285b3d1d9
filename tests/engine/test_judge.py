"""The verdict: never GRADE on stale, absent or contradictory data, and never before it has settled."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.rover_text import H_GEOID_M, LAT_DEG, LON_DEG, SEPARATION_M, gga, good_rows, gst, hdt, wobble

from hubtack.decode.decoder import Decoder
from hubtack.engine.judge import GRADE, HOLD, ROUGH, standing
from hubtack.engine.rover import JudgedRows, LinkAtRows, RoverEngine
from hubtack.engine.setup import Setup
from hubtack.epochs.assemble import Assembler
from hubtack.epochs.columns import Epochs
from hubtack.geo import geodetic_to_ecef
from hubtack.knowledge.reasons import BIT, codes

START = 40_000_000
BASE = tuple(
    float(v)
    for v in geodetic_to_ecef(np.array([LAT_DEG + 0.005]), np.array([LON_DEG]), np.array([H_GEOID_M + SEPARATION_M]))[0]
)
SETUP = Setup(base_ecef_m=BASE, job_class="trench")  # type: ignore[arg-type]


@dataclass
class Result:
    engine: RoverEngine
    verdict: list[int]
    reasons: list[list[str]]
    epochs: Epochs


def judge(data: bytes, setup: Setup = SETUP, *, arrival_lag_s: dict[int, float] | None = None) -> Result:
    """Verdicts of all rows in ``data``, fed row by row as a live run would."""
    decoder, assembler = Decoder(), Assembler()
    engine = RoverEngine(setup)
    blocks = [
        assembler.feed(decoder.feed(data).sentences),
        assembler.feed(decoder.flush().sentences),
        assembler.close(),
    ]
    epochs = Epochs.concat(blocks)
    epochs.time_ns[:] = epochs.tod_ms * 1_000_000
    lag = arrival_lag_s or {}
    arrival = np.array(
        [
            int(epochs.time_ns[i]) + int((5 + lag.get(i, 0.0)) * 1e9) if arrival_lag_s is not None else -1
            for i in range(len(epochs))
        ],
        dtype=np.int64,
    )
    parts: list[JudgedRows] = []
    for i in range(len(epochs)):
        one = slice(i, i + 1)
        parts.append(engine.update(epochs.take(one), LinkAtRows.none(1), arrival[one], np.zeros(1, dtype=bool)))
    verdict = [int(p.judged.verdict[0]) for p in parts]
    return Result(engine, verdict, [codes(int(p.judged.bits[0])) for p in parts], epochs)


def test_a_fixed_rover_is_graded_after_ten_seconds_and_not_before() -> None:
    result = judge(good_rows(START, 30))
    assert result.verdict[:10] == [HOLD] * 10
    assert result.verdict[10:] == [GRADE] * 20
    assert result.reasons[5] == ["settling"]


def test_float_is_hold_at_once_and_a_new_fix_settles_again() -> None:
    result = judge(good_rows(START, 20) + good_rows(START + 20_000, 2, quality=5) + good_rows(START + 22_000, 20))
    assert result.verdict[19] == GRADE
    assert result.verdict[20:22] == [HOLD, HOLD]
    assert result.verdict[22:32] == [HOLD] * 10
    assert result.verdict[32] == GRADE


@pytest.mark.parametrize("quality", [0, 1, 2, 3, 5, 6, 7, 8, 9, ""])
def test_only_quality_four_can_be_graded(quality: int | str) -> None:
    assert set(judge(good_rows(START, 30, quality=quality)).verdict) == {HOLD}


def test_age_caps_at_rough_from_ten_seconds_and_at_hold_from_thirty() -> None:
    lines = [good_rows(START, 20)]
    lines.extend(gga(START + 20_000 + i * 1000, age_s=1.0 + i, lat_deg=LAT_DEG + wobble(i)) for i in range(40))
    result = judge(b"".join(lines))
    ages = {20 + i: 1.0 + i for i in range(40)}
    for i, age_s in ages.items():
        expected = HOLD if age_s >= 30 else ROUGH if age_s >= 10 else None
        if expected is not None:
            assert result.verdict[i] == expected, (i, age_s, result.reasons[i])


def test_after_a_dip_in_age_alone_it_settles_for_three_seconds() -> None:
    lines = [
        good_rows(START, 20),
        *(gga(START + 20_000 + i * 1000, age_s=31.0, lat_deg=LAT_DEG + wobble(i)) for i in range(3)),
        good_rows(START + 23_000, 10),
    ]
    result = judge(b"".join(lines))
    assert result.verdict[20:23] == [HOLD] * 3
    assert result.verdict[23:26] == [HOLD] * 3
    assert result.verdict[26] == GRADE


def test_without_an_age_a_fixed_rover_is_rough_at_most() -> None:
    result = judge(good_rows(START, 30, age_s=None))
    assert GRADE not in result.verdict
    assert result.verdict[-1] == ROUGH
    assert "age_unknown" in result.reasons[-1]


def test_without_any_distance_to_a_base_it_is_rough_at_most() -> None:
    result = judge(good_rows(START, 30), Setup(job_class="trench"))
    assert result.verdict[-1] == ROUGH
    assert "base_unknown" in result.reasons[-1]
    assert judge(good_rows(START, 30), Setup(job_class="trench", assumed_baseline_m=2000.0)).verdict[-1] == GRADE


def test_a_finer_job_than_the_equipment_is_rough_and_says_which_axis() -> None:
    result = judge(good_rows(START, 30), Setup(base_ecef_m=BASE, tolerance_vertical_95_m=0.015))  # type: ignore[arg-type]
    assert result.verdict[-1] == ROUGH
    assert result.reasons[-1] == ["edge_vertical"]


def test_a_configured_pair_without_heading_is_hold() -> None:
    setup = Setup(base_ecef_m=BASE, pair_separation_m=1.8)  # type: ignore[arg-type]
    assert set(judge(good_rows(START, 30), setup).verdict) == {HOLD}
    data = b"".join(
        gga(START + i * 1000, lat_deg=LAT_DEG + wobble(i)) + gst(START + i * 1000) + hdt(80.0) for i in range(30)
    )
    assert judge(data, setup).verdict[-1] == GRADE


def test_a_silent_rover_is_hold_after_three_seconds_without_any_further_row() -> None:
    engine = judge(good_rows(START, 30)).engine
    assert standing(engine.track, int(2.9e9), SETUP).verdict == GRADE
    late = standing(engine.track, int(3.1e9), SETUP)
    assert late.verdict == HOLD
    assert codes(late.bits) == ["no_rover"]


def test_a_gap_in_the_rover_settles_again() -> None:
    result = judge(good_rows(START, 20) + good_rows(START + 25_000, 20))
    assert result.verdict[20:30] == [HOLD] * 10
    assert GRADE in result.verdict[30:]


def test_a_clock_that_jumps_is_a_restart_and_settles_for_thirty_seconds() -> None:
    result = judge(good_rows(START, 20) + good_rows(START - 100_000, 60))
    assert result.reasons[20] == ["restarted"]
    assert result.verdict[20:50] == [HOLD] * 30
    assert result.verdict[-1] == GRADE


def test_a_backlog_on_a_socket_is_never_graded_at_once() -> None:
    # 30 s of rows that come 30 s late, all at once: fixed and fresh by what they say.
    lag = dict.fromkeys(range(20, 50), 30.0)
    result = judge(good_rows(START, 60), arrival_lag_s=lag)
    assert result.verdict[19] == GRADE
    assert set(result.verdict[20:50]) == {HOLD}
    assert "rover_late" in result.reasons[25]


def test_a_position_that_repeats_to_the_last_digit_is_hold() -> None:
    lines = [good_rows(START, 20), *(gga(START + 20_000 + i * 1000) for i in range(20))]
    result = judge(b"".join(lines))
    assert "frozen_position" in result.reasons[-1]
    assert result.verdict[-1] == HOLD


def test_a_jump_between_two_fixed_rows_is_hold_for_thirty_seconds() -> None:
    moved = good_rows(START + 20_000, 60, lon_deg=LON_DEG + 0.001)  # 79 m in one second
    result = judge(good_rows(START, 20) + moved)
    assert "suspect_fix" in result.reasons[20]
    assert GRADE not in result.verdict[20:51]
    assert result.verdict[-1] == GRADE


def test_too_few_satellites_are_hold() -> None:
    assert judge(good_rows(START, 30, satellites=4)).reasons[-1][0] == "few_satellites"


def test_status_void_in_rmc_contradicts_a_fix() -> None:
    from tests.rover_text import clock, sentence

    data = good_rows(START, 20)
    for i in range(20, 25):
        data += gga(START + i * 1000, lat_deg=LAT_DEG + wobble(i))
        data += sentence(f"GNRMC,{clock(START + i * 1000)},V,4501.86,S,17000.72,E,0.03,0.0,180426,,,R,V")
    assert "status_contradiction" in judge(data).reasons[-1]


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["4", "5", "1", "0", ""]),  # quality
            st.sampled_from([1.0, 4.0, 12.0, 31.0, None]),  # age
            st.sampled_from([14, 14, 14, 4]),  # satellites
            st.sampled_from([1000, 1000, 1000, 1000, 4000, -60_000]),  # step of time
            st.integers(1, 14),  # how many rows of it
        ),
        min_size=1, max_size=12,
    )
)  # fmt: skip
def test_no_sequence_is_graded_on_bad_data_or_before_it_has_settled(
    spells: list[tuple[str, float | None, int, int, int]],
) -> None:
    lines, good, steps, tod = [], [], [], START
    for quality, age_s, satellites, step, count in spells:
        for k in range(count):
            this_step = step if k == 0 else 1000
            tod += this_step
            lines.append(
                gga(tod, quality=quality, age_s=age_s, satellites=satellites, lat_deg=LAT_DEG + wobble(len(lines)))
            )
            good.append(quality == "4" and age_s is not None and age_s < 10 and satellites >= 5)
            steps.append(this_step)
    result = judge(b"".join(lines))
    assert len(result.verdict) == len(good)
    for i, verdict in enumerate(result.verdict):
        if verdict != GRADE:
            continue
        assert good[i]
        # Fixed and unbroken for at least ten seconds before.
        back, elapsed = i, 0
        while elapsed < 10_000:
            assert back > 0, "graded before ten seconds had passed"
            assert 0 < steps[back] <= 3000
            elapsed += steps[back]
            back -= 1
            assert (spells and result.epochs.quality[back] == 4) or elapsed >= 10_000


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(0, 30_000), max_size=20), st.integers(0, 30))
def test_looking_at_any_time_changes_no_later_row(looks_ms: list[int], at_row: int) -> None:
    data = good_rows(START, 40)
    engine = judge(data).engine
    before = repr(engine.track)
    for look in looks_ms:
        standing(engine.track, look * 1_000_000, SETUP)
    assert repr(engine.track) == before


def test_verdict_seconds_sum_to_the_duration_and_silence_counts_as_hold() -> None:
    engine = judge(good_rows(START, 30) + good_rows(START + 90_000, 30)).engine
    seconds = engine.tally.verdict_seconds()
    assert math.isclose(sum(seconds.values()), engine.tally.duration_s())
    assert math.isclose(engine.tally.duration_s(), 120.0)
    assert seconds["hold"] >= 57.0


def test_every_reason_has_one_bit() -> None:
    assert len(set(BIT.values())) == len(BIT) <= 62
