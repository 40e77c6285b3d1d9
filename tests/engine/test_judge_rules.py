"""Each rule of the verdict by itself, at its limit and one step beside it, for any cut of the rows.

Limits and times: common practice, no source, unless their row in knowledge/limits.py names one.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from tests.engine.judge_rows_made import PLACE_ECEF_M, Result, Rows, S, judged

from hubtack.engine.judge import GRADE, HOLD, ROUGH, VERDICTS, Judged, Track, silent_limit_ns, standing
from hubtack.engine.setup import Setup
from hubtack.knowledge import fix_types as ft
from hubtack.knowledge.reasons import BIT, REASONS, codes


def last(rows: Rows, setup: Setup | None = None) -> list[str]:
    """The reasons of the last row."""
    return judged(rows, setup).reasons[-1]


def settled(n: int = 40, **kwargs: float) -> Rows:
    """Rows that are GRADE from the eleventh second on, if nothing is changed."""
    return Rows(n, **kwargs)


def test_good_rows_settle_for_ten_seconds_and_are_graded() -> None:
    result = judged(settled())
    assert result.verdict == [HOLD] * 10 + [GRADE] * 30
    assert result.reasons[9] == ["settling"] and result.reasons[10] == []
    assert result.track.verdict_since_ns == 110 * S


def test_no_rows_change_nothing() -> None:
    result = judged(settled())
    nothing, track = Rows(0).block(0, 0, result.track, Setup())
    assert track is result.track
    for field in fields(Judged):
        empty, full = getattr(nothing, field.name), getattr(result.judged, field.name)
        assert len(empty) == 0 and empty.dtype == full.dtype, field.name


# What a row says by itself --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fix", "quality", "code"),
    [
        (ft.NONE, 0.0, "no_fix"),
        (ft.AUTONOMOUS, 1.0, "autonomous"),
        (ft.DIFFERENTIAL, 2.0, "differential"),
        (ft.FLOAT, 5.0, "rtk_float"),
        (ft.OTHER, 6.0, "other_fix"),
    ],
)
def test_any_fix_but_rtk_fixed_is_hold_for_that_alone_and_settles_ten_seconds(
    fix: int, quality: float, code: str
) -> None:
    rows = settled()
    rows.fix(slice(20, 22), fix, quality)
    result = judged(rows)
    assert result.reasons[20] == [code] and result.verdict[19:33] == [GRADE] + [HOLD] * 12 + [GRADE]
    assert result.rows_with("settling")[-10:] == list(range(22, 32))


def test_a_row_without_latitude_longitude_or_height_is_no_position() -> None:
    for column in ("latitude_deg", "longitude_deg", "h_geoid_m"):
        rows = settled()
        getattr(rows.epochs, column)[20] = np.nan
        result = judged(rows)
        assert result.reasons[20] == ["no_position"], column
        assert result.verdict[20:32] == [HOLD] * 11 + [GRADE]


def test_no_fix_needs_no_position_and_no_quality_is_no_position() -> None:
    rows = settled()
    rows.fix(20, ft.NONE, 0.0)
    rows.epochs.latitude_deg[20] = np.nan
    rows.fix(25, ft.NONE, np.nan)
    result = judged(rows)
    assert result.reasons[20] == ["no_fix"] and result.reasons[25] == ["no_position", "no_fix"]


def test_ages_cap_at_their_limits_and_settle_three_seconds() -> None:
    rows = settled()
    for i, age_s in {15: 9.999, 16: 10.0, 17: 29.999, 18: 30.0, 19: 31.0}.items():
        rows.q.age_used_s[i] = age_s
    result = judged(rows)
    assert result.reasons[15:20] == [
        [],
        *[["corrections_ageing"]] * 2,
        *[["corrections_old", "corrections_ageing"]] * 2,
    ]
    assert result.verdict[15:24] == [GRADE, ROUGH, ROUGH, HOLD, HOLD, HOLD, HOLD, HOLD, GRADE]
    assert result.judged.age_s[17] == 29.999


def test_an_age_counts_only_while_fixed_and_none_is_rough() -> None:
    rows = settled()
    rows.q.age_used_s[20] = np.nan
    rows.fix(30, ft.AUTONOMOUS, 1.0)
    rows.q.age_used_s[30] = np.nan
    rows.fix(35, ft.AUTONOMOUS, 1.0)
    rows.q.age_used_s[35] = 60.0
    result = judged(rows)
    assert result.reasons[20] == ["age_unknown"] and result.verdict[20:22] == [ROUGH, GRADE]
    assert result.reasons[30] == result.reasons[35] == ["autonomous"]


def test_void_contradicts_a_fix_and_nothing_else() -> None:
    rows = settled()
    rows.epochs.rmc_void[:] = 0.0
    rows.epochs.rmc_void[20] = rows.epochs.rmc_void[30] = 1.0
    rows.fix(30, ft.AUTONOMOUS, 1.0)
    result = judged(rows)
    assert result.reasons[20] == ["status_contradiction"] and result.reasons[30] == ["autonomous"]
    assert result.verdict[21:31] == [HOLD] * 10


def test_satellites_and_geometry_hold_beyond_their_limits() -> None:
    rows = settled(100)
    rows.epochs.satellites[20], rows.epochs.satellites[21] = 5.0, 4.0
    rows.epochs.pdop[:] = 2.0
    rows.epochs.pdop[50], rows.epochs.pdop[51] = 6.0, 6.01
    result = judged(rows)
    assert result.rows_with("few_satellites") == [21] and result.rows_with("poor_geometry") == [51]
    assert result.verdict[21:33] == [HOLD] * 11 + [GRADE] and result.verdict[50:63] == [GRADE] + [HOLD] * 11 + [GRADE]


def test_the_distance_to_the_base_must_be_known_and_not_too_long() -> None:
    rows = settled()
    rows.q.baseline_used_m[15:20] = [20_000.0, 20_001.0, np.nan, 500.0, 500.0]
    result = judged(rows)
    assert result.reasons[15:20] == [[], ["long_baseline"], ["base_unknown"], [], []]
    assert result.verdict[15:20] == [GRADE, ROUGH, ROUGH, GRADE, GRADE]
    rows.fix(slice(None), ft.FLOAT, 5.0)
    assert not {"long_baseline", "base_unknown"} & {code for reasons in judged(rows).reasons for code in reasons}


def test_a_pair_is_asked_for_its_heading_and_its_separation_only_where_there_is_one() -> None:
    rows = settled(100)
    rows.q.heading_deg[20] = np.nan
    rows.epochs.separation_m[:] = 1.8
    rows.epochs.separation_m[40:44] = [1.8999, 1.7001, 1.9001, np.nan]
    rows.epochs.separation_m[45] = 1.6999
    assert judged(rows).verdict[10:] == [GRADE] * 90
    result = judged(rows, Setup(pair_separation_m=1.8))
    assert result.rows_with("heading_lost") == [20] and result.rows_with("wrong_separation") == [42, 45]
    assert result.verdict[21:32] == [HOLD] * 10 + [GRADE]
    assert result.verdict[46:77] == [HOLD] * 30 + [GRADE]


@pytest.mark.parametrize("code", [reason.code for reason in REASONS if reason.code.startswith("latched_")])
def test_what_the_link_has_latched_is_hold_and_settles_half_a_minute(code: str) -> None:
    rows = settled(60)
    rows.latch_bits[20:25] = BIT[code]
    result = judged(rows)
    assert result.reasons[20] == [code]
    assert result.verdict[19:56] == [GRADE] + [HOLD] * 35 + [GRADE]


def test_a_required_check_caps_at_rough_while_there_is_none() -> None:
    rows = settled()
    rows.checked[15:20] = True
    assert judged(rows).verdict[10:] == [GRADE] * 30
    result = judged(rows, Setup(require_check=True))
    assert result.verdict[10:22] == [ROUGH] * 5 + [GRADE] * 5 + [ROUGH] * 2
    assert result.reasons[20] == ["not_checked"]
    rows.fix(slice(None), ft.FLOAT, 5.0)
    assert last(rows, Setup(require_check=True)) == ["rtk_float"]


# Time -----------------------------------------------------------------------------------------------------------------


def gap(seconds: float, *, step_s: float = 1.0) -> Result:
    """Forty rows, a longer step, and forty more."""
    rows = Rows(80, step_s=step_s)
    rows.epochs.time_ns[40:] += round((seconds - step_s) * S)
    return judged(rows)


def test_three_seconds_of_silence_are_allowed_and_no_more() -> None:
    assert gap(3.0).rows_with("no_rover") == []
    silent = gap(3.001)
    assert silent.rows_with("no_rover") == [40] and silent.reasons[40] == ["no_rover"]
    assert silent.verdict[39:52] == [GRADE] + [HOLD] * 11 + [GRADE]
    assert silent.judged.step_ns[40] == 3_001_000_000


def test_a_slow_rover_may_be_silent_for_three_of_its_intervals() -> None:
    assert gap(6.0, step_s=2.0).rows_with("no_rover") == []
    assert gap(6.001, step_s=2.0).rows_with("no_rover") == [40]
    # A fast one still for three seconds.
    assert gap(3.0, step_s=0.1).rows_with("no_rover") == []


def test_the_interval_is_the_median_of_the_first_fifteen_steps_that_are_steps() -> None:
    rows = Rows(40)
    steps_s = np.array(
        [0.0, 2.0, 0.0, 1.0, 2.0, 2.0, 1.0, 1.0, 2.0, 1.0, 2.0, 1.0, 2.0, 2.0, 1.0, 1.0, 2.0, *[1.0] * 23]
    )
    rows.epochs.time_ns[:] = (np.cumsum(steps_s) * S).astype(np.int64)
    rows.epochs.segment[1:] = 1  # a step into another stretch is no interval
    track = judged(rows).track
    assert track.intervals_ms == (
        1000,
        2000,
        2000,
        1000,
        1000,
        2000,
        1000,
        2000,
        1000,
        2000,
        2000,
        1000,
        1000,
        2000,
        1000,
    )
    assert silent_limit_ns(track, Setup()) == 3 * S
    assert silent_limit_ns(Track(intervals_ms=(1000, 1000, 4000, 4000)), Setup()) == 3 * S
    assert silent_limit_ns(Track(intervals_ms=(4000, 4000)), Setup()) == 3 * S  # two are too few to go by
    assert silent_limit_ns(Track(intervals_ms=(4000, 4000, 4000)), Setup()) == 12 * S
    assert silent_limit_ns(Track(), Setup(overrides={"rover_silent_hold_s": 2.5})) == 2_500_000_000


@pytest.mark.parametrize("before", [1, 2, 3, 4, 8, 14, 15, 16])
def test_a_pause_among_the_first_rows_does_not_excuse_itself(before: int) -> None:
    rows = settled()
    rows.epochs.time_ns[before:] += 99 * S
    rows.epochs.time_ns[before + 3 :] += 99 * S
    result = judged(rows)
    assert result.rows_with("no_rover") == [before, before + 3]
    assert result.judged.silent_ns.tolist() == [3 * S] * 40
    assert result.verdict[before + 3 : before + 14] == [HOLD] * 11


def test_a_slow_rover_is_known_after_three_intervals() -> None:
    result = judged(Rows(30, step_s=5.0))
    assert result.rows_with("no_rover") == [1, 2, 3]
    assert result.judged.silent_ns.tolist() == [3 * S] * 4 + [15 * S] * 26
    assert result.verdict[4:8] == [HOLD, HOLD, GRADE, GRADE]


def test_another_stretch_of_time_is_a_restart_and_no_silence() -> None:
    rows = settled(80)
    rows.epochs.segment[20:] = 1
    rows.epochs.time_ns[20:] += 3600 * S
    result = judged(rows)
    assert result.reasons[20] == ["restarted"] and result.rows_with("restarted") == [20]
    assert result.verdict[20:52] == [HOLD] * 31 + [GRADE]
    assert np.flatnonzero(result.judged.restarted).tolist() == [20]


def test_a_clock_that_steps_back_takes_no_time() -> None:
    rows = settled()
    rows.epochs.segment[20:] = 1
    rows.epochs.time_ns[20:] -= 50 * S
    result = judged(rows)
    assert result.judged.step_ns[20] == 0 and result.judged.run_ns[20] == result.judged.run_ns[19] == 19 * S
    assert result.judged.run_ns[-1] == 38 * S == result.track.run_ns
    assert result.judged.run_ns[0] == 0


def test_the_first_row_of_all_is_neither_silent_nor_restarted() -> None:
    rows = settled(5)
    rows.epochs.segment[:] = 3
    result = judged(rows)
    assert result.reasons[0] == ["settling"] and result.judged.step_ns[0] == 0
    later = settled(5, start_s=2000.0)
    later.epochs.segment[:] = 3
    assert judged(later, track=result.track).reasons[0] == ["no_rover"]


def test_lateness_is_counted_from_the_quickest_row_so_far() -> None:
    rows = settled(60)
    lag_s = np.full(60, 7.0)
    lag_s[0], lag_s[20], lag_s[21], lag_s[45] = 9.0, 10.0, 10.001, 2.0
    rows.arrival_ns[:] = rows.epochs.time_ns + np.round(lag_s * S).astype(np.int64)
    rows.arrival_ns[30] = -1
    result = judged(rows)
    assert result.judged.delay_s[0] == 0.0 and result.judged.delay_s[1] == 0.0  # the first had nothing to compare with
    assert result.judged.delay_s[20] == 3.0 and result.judged.delay_s[30] == 0.0
    assert result.rows_with("rover_late")[0] == 21 and result.rows_with("rover_late")[1:] == list(range(46, 60))
    assert result.judged.age_s[20] == 4.0 and result.track.delay_s == 5.0 and result.track.least_lag_ns == 2 * S
    assert result.track.age_s == 6.0 and result.track.arrival_ns == rows.arrival_ns[-1]
    assert result.verdict[22:33] == [HOLD] * 10 + [GRADE]


def test_lateness_ages_the_corrections() -> None:
    rows = settled()
    rows.q.age_used_s[:] = 8.0
    rows.arrival_ns[:] = rows.epochs.time_ns
    rows.arrival_ns[20] += 2 * S
    assert judged(rows).rows_with("corrections_ageing") == [20]


def test_a_step_of_the_computers_clock_is_late_for_ten_seconds_and_then_its_own() -> None:
    rows = settled(60)
    rows.mono_ns = rows.epochs.time_ns + 400 * S
    rows.arrival_ns[:] = rows.epochs.time_ns + S // 2
    rows.arrival_ns[20:] += 5 * S
    result = judged(rows)
    assert result.rows_with("rover_late") == list(range(20, 30)) and result.judged.delay_s[20] == 5.0
    assert result.track.clock is not None and result.track.clock.offset_ns == round(-394.5 * S)
    rows.mono_ns = None  # without a steady clock it is a delay, and stays one
    assert judged(rows).rows_with("rover_late") == list(range(20, 60)) and judged(rows).track.clock is None


def test_rows_without_arrival_leave_the_quickest_alone() -> None:
    rows = settled(5)
    track = judged(rows).track
    assert track.least_lag_ns is None and track.arrival_ns == -1
    assert judged(settled(5), track=Track(n_rows=9, least_lag_ns=123)).track.least_lag_ns == 123


# Contradictions -------------------------------------------------------------------------------------------------------


def ages(receiver_s: np.ndarray, stream_s: float = 1.0, *, compare: bool = True) -> Rows:
    rows = Rows(len(receiver_s))
    rows.q.age_s[:], rows.q.age_stream_s[:] = receiver_s, stream_s
    rows.compare_ages = compare
    return rows


def test_ages_that_differ_for_over_three_seconds_contradict() -> None:
    receiver_s = np.full(60, 1.0)
    receiver_s[20:28] = 3.01
    receiver_s[40:43] = 3.01  # a second less is the receiver changing over
    result = judged(ages(receiver_s))
    assert result.rows_with("age_contradiction") == list(range(23, 28))  # agreed last at row 19
    assert result.verdict[23:39] == [HOLD] * 15 + [GRADE]
    receiver_s[20:28] = -1.01  # either way
    assert judged(ages(receiver_s)).rows_with("age_contradiction") == list(range(23, 28))


def test_ages_that_differ_by_two_seconds_or_are_unknown_do_not_contradict() -> None:
    for value in (3.0, -1.0, np.nan):
        assert judged(ages(np.full(30, value))).rows_with("age_contradiction") == []


def test_ages_that_differ_from_the_start_contradict_after_three_seconds() -> None:
    assert judged(ages(np.full(30, 9.0))).rows_with("age_contradiction") == list(range(4, 30))


def test_ages_are_compared_only_where_the_stream_is_the_receivers_and_while_fixed() -> None:
    differ = np.full(30, 9.0)
    assert judged(ages(differ, compare=False)).rows_with("age_contradiction") == []
    assert judged(ages(differ), Setup(heard_elsewhere=True)).rows_with("age_contradiction") == []
    rows = ages(differ)
    rows.fix(slice(0, 10), ft.FLOAT, 5.0)
    assert judged(rows).rows_with("age_contradiction") == list(range(13, 30))
    # What was not compared for a time did not differ in it.
    first, second = judged(ages(differ, compare=False)), ages(differ)
    second.epochs.time_ns[:] += 30 * S
    assert judged(second, track=first.track).rows_with("age_contradiction") == list(range(3, 30))


def test_a_position_that_repeats_for_ten_seconds_is_frozen() -> None:
    rows = settled(80)
    rows.epochs.latitude_deg[20:40] = rows.epochs.latitude_deg[20]
    result = judged(rows)
    assert result.rows_with("frozen_position") == list(range(30, 40))
    assert np.flatnonzero(result.judged.frozen).tolist() == list(range(30, 40))
    assert result.verdict[29:71] == [GRADE] + [HOLD] * 40 + [GRADE]


@pytest.mark.parametrize("column", ["latitude_deg", "longitude_deg", "h_geoid_m"])
def test_any_digit_of_the_position_that_changes_shows_life(column: str) -> None:
    rows = settled()
    for name in ("latitude_deg", "longitude_deg", "h_geoid_m"):
        getattr(rows.epochs, name)[:] = getattr(rows.epochs, name)[0]
    getattr(rows.epochs, column)[25] += 1e-9
    assert judged(rows).rows_with("frozen_position") == [*range(10, 25), *range(36, 40)]


def test_coarse_output_repeats_by_itself() -> None:
    rows = settled()
    rows.epochs.latitude_deg[:] = -45.0
    rows.epochs.minute_decimals[:] = 6.0
    assert judged(rows).rows_with("frozen_position") == []
    rows.epochs.minute_decimals[:] = 7.0
    assert judged(rows).rows_with("frozen_position") == list(range(10, 40))


# Jumps ----------------------------------------------------------------------------------------------------------------


def moved(m: float, *, axis: int = 0, step_s: float = 1.0, speed_m_s: tuple[float, float] = (np.nan, np.nan)) -> bool:
    """Whether a step of so many metres between two fixed rows is a jump; Doppler speed before and at it."""
    rows = Rows(60, step_s=step_s)
    rows.q.pos_ecef_m[30:, axis] += m
    rows.epochs.speed_m_s[:30], rows.epochs.speed_m_s[30:] = speed_m_s
    result = judged(rows)
    assert result.rows_with("suspect_fix") in ([], [30])
    assert np.flatnonzero(result.judged.jump).tolist() == result.rows_with("suspect_fix")
    return bool(result.rows_with("suspect_fix"))


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_nothing_moves_an_antenna_by_more_than_ten_metres_a_second(axis: int) -> None:
    assert not moved(10.09, axis=axis) and moved(10.11, axis=axis)
    assert not moved(-10.09, axis=axis) and moved(-10.11, axis=axis)


def test_what_may_be_moved_grows_with_the_step_and_ends_at_two_seconds() -> None:
    assert not moved(5.09, step_s=0.5) and moved(5.11, step_s=0.5)
    assert not moved(20.09, step_s=2.0) and moved(20.11, step_s=2.0)
    assert not moved(500.0, step_s=2.001)


def test_a_speed_allows_three_times_itself_and_a_metre_a_second() -> None:
    assert not moved(4.09, speed_m_s=(1.0, 1.0)) and moved(4.11, speed_m_s=(1.0, 1.0))
    assert not moved(1.27, speed_m_s=(0.01, 0.06)) and moved(1.29, speed_m_s=(0.01, 0.06))
    assert not moved(1.12, speed_m_s=(0.06, 0.01)) and moved(1.14, speed_m_s=(0.06, 0.01))
    assert not moved(1.24, speed_m_s=(0.05, 0.05))  # the limit itself is not standing


def test_a_machine_that_stands_may_not_move_by_more_than_six_sigma() -> None:
    assert not moved(0.149, speed_m_s=(0.01, 0.01)) and moved(0.151, speed_m_s=(0.01, 0.01))


def test_a_jump_is_hold_for_half_a_minute() -> None:
    rows = settled(70)
    rows.q.pos_ecef_m[20:, 1] += 50.0
    result = judged(rows)
    assert result.reasons[20] == ["suspect_fix"] and result.verdict[19:52] == [GRADE] + [HOLD] * 31 + [GRADE]


def test_rows_of_one_moment_or_over_a_restart_are_not_compared() -> None:
    rows = settled(60)
    rows.epochs.time_ns[20:] -= S  # two rows of one time
    rows.q.pos_ecef_m[20:, 0] += 50.0
    assert judged(rows).rows_with("suspect_fix") == []
    rows = settled(60)
    rows.epochs.segment[20:] = 1
    rows.q.pos_ecef_m[20:, 0] += 50.0
    assert judged(rows).rows_with("suspect_fix") == []


def between(
    m: float, *, speed_m_s: float = 0.01, odd: dict[int, float] | None = None, gap_s: float = 1.0, restart: bool = False
) -> list[int]:
    """Fixed rows, five rows of float from the twentieth on, and fixed again, so far off; speeds by row in ``odd``."""
    rows = Rows(50)
    rows.epochs.speed_m_s[:] = speed_m_s
    for row, value in (odd or {}).items():
        rows.epochs.speed_m_s[row] = value
    rows.fix(slice(20, 25), ft.FLOAT, 5.0)
    rows.q.pos_ecef_m[20:25, 2] += 0.4  # a float position is no measure
    rows.q.pos_ecef_m[25:, 2] += m
    rows.epochs.time_ns[22:] += round((gap_s - 1.0) * S)
    if restart:
        rows.epochs.segment[23:] = 1
    return judged(rows).rows_with("suspect_fix")


def test_two_fixed_spells_of_a_machine_that_stood_agree_within_six_sigma() -> None:
    assert between(0.149) == [] and between(0.151) == [25] and between(-0.151) == [25]


@pytest.mark.parametrize("row", [19, 20, 22, 24, 25])
def test_a_machine_that_moved_in_any_row_between_two_fixed_spells_may_be_anywhere(row: int) -> None:
    assert between(3.0, odd={row: 0.05}) == []
    assert between(3.0, odd={row: np.nan}) == []
    assert between(3.0, odd={row: 0.0499}) == [25]


def test_what_moved_before_the_newest_fixed_row_is_past() -> None:
    assert between(3.0, odd={18: 2.0}) == [25] and between(3.0, odd={26: 2.0}) == [25]


def test_after_a_long_silence_or_a_restart_nobody_knows_that_it_stood() -> None:
    assert between(3.0, gap_s=5.0) == [25] and between(3.0, gap_s=5.001) == [] and between(3.0, restart=True) == []


def test_the_first_fixed_row_of_all_has_nothing_to_agree_with() -> None:
    rows = Rows(30)
    rows.epochs.speed_m_s[:] = 0.01
    rows.fix(slice(0, 5), ft.FLOAT, 5.0)
    assert judged(rows).rows_with("suspect_fix") == []
    assert judged(rows).track.fixed_ecef_m == PLACE_ECEF_M


# The error at the edge ------------------------------------------------------------------------------------------------


def edges(vertical_m: object, horizontal_m: object = 0.040, n: int = 60, **kwargs: float) -> Rows:
    rows = Rows(n, **kwargs)
    rows.q.edge_vertical_95_m[:], rows.q.edge_horizontal_95_m[:] = vertical_m, horizontal_m  # type: ignore[call-overload]
    return rows


TRENCH = Setup()  # 50 mm and 100 mm


def test_the_reason_says_which_axis_failed() -> None:
    assert last(edges(0.060)) == ["edge_vertical"] and last(edges(0.030, 0.110)) == ["edge_horizontal"]
    assert last(edges(0.060, 0.110)) == ["edge_vertical", "edge_horizontal"]
    assert judged(edges(0.060)).verdict[10:] == [ROUGH] * 50
    # At 0.95 of the tolerance itself an axis is good enough.
    assert last(edges(0.060, 0.95 * TRENCH.tolerance_horizontal_95_m)) == ["edge_vertical"]
    assert last(edges(0.95 * TRENCH.tolerance_vertical_95_m, 0.110)) == ["edge_horizontal"]


def test_grade_is_entered_at_95_percent_of_the_tolerance() -> None:
    assert judged(edges(0.0475)).verdict[-1] == GRADE and judged(edges(0.030, 0.095)).verdict[-1] == GRADE
    assert last(edges(0.0476)) == ["edge_vertical"] and last(edges(0.030, 0.0951)) == ["edge_horizontal"]
    assert last(edges(0.0476, 0.0951)) == ["edge_vertical", "edge_horizontal"]


def test_grade_is_left_above_the_tolerance_and_not_below() -> None:
    for tight, wide in (((0.0500, 0.040), (0.0501, 0.040)), ((0.030, 0.1000), (0.030, 0.1001))):
        stays, leaves = edges(0.030), edges(0.030)
        stays.q.edge_vertical_95_m[20:], stays.q.edge_horizontal_95_m[20:] = tight
        leaves.q.edge_vertical_95_m[20:], leaves.q.edge_horizontal_95_m[20:] = wide
        assert judged(stays).verdict[10:] == [GRADE] * 50
        # The median of ten samples crosses when six of them, or half and the mean of two, are above.
        assert judged(leaves).verdict[10:] == [GRADE] * 15 + [ROUGH] * 35
    between_m = edges(0.060)
    between_m.q.edge_vertical_95_m[20:] = 0.049
    assert judged(between_m).verdict[-1] == ROUGH  # was never in


def test_both_axes_must_enter() -> None:
    rows = edges(0.060, 0.110)
    rows.q.edge_vertical_95_m[20:] = 0.030
    assert last(rows) == ["edge_horizontal"]
    rows.q.edge_horizontal_95_m[40:] = 0.050
    assert judged(rows).verdict[-1] == GRADE


def test_an_error_over_thirty_centimetres_is_hold_on_either_axis() -> None:
    for vertical_m, horizontal_m, hold in ((0.3, 0.3, False), (0.301, 0.1, True), (0.1, 0.301, True)):
        result = judged(edges(vertical_m, horizontal_m))
        assert ("error_too_large" in result.reasons[-1]) is hold
        assert result.verdict[-1] == (HOLD if hold else ROUGH)


def test_an_error_too_large_passes_without_settling() -> None:
    rows = edges(0.301)
    rows.q.edge_vertical_95_m[30:] = 0.030
    result = judged(rows)
    assert result.verdict[33:36] == [HOLD, ROUGH, GRADE]  # between them the mean of 301 and 30 mm


def test_the_median_is_of_the_first_fixed_row_of_each_of_ten_seconds() -> None:
    rows = edges(0.030, n=300, step_s=0.1)
    rows.q.edge_vertical_95_m[:] = np.where(np.arange(300) % 10 == 0, 0.030, 0.2)
    result = judged(rows)
    assert (result.judged.edge_vertical_95_m == 0.030).all()
    # A second whose first row is not fixed is sampled at its first fixed one.
    rows.fix(250, ft.FLOAT, 5.0)
    samples = judged(rows).track.edge_samples
    assert [second for second, _, _ in samples] == list(range(20, 30))
    assert [v for _, v, _ in samples] == [0.030] * 5 + [0.2] + [0.030] * 4


def test_a_row_never_sees_a_sample_that_comes_after_it() -> None:
    rows = edges(0.030, n=30, step_s=0.1)
    rows.fix(slice(0, 5), ft.FLOAT, 5.0)  # the first sample of all opens in the middle of its second
    v = judged(rows).judged.edge_vertical_95_m
    assert np.isnan(v[:5]).all() and (v[5:] == 0.030).all()


def test_the_median_of_a_ramp() -> None:
    step_m = 1.0 / 1024.0  # exact in binary
    result = judged(edges(np.arange(60) * step_m, np.arange(60) * 2 * step_m))
    v, h = result.judged.edge_vertical_95_m / step_m, result.judged.edge_horizontal_95_m / step_m
    assert v[:3].tolist() == [0.0, 0.5, 1.0] and v[8:12].tolist() == [4.0, 4.5, 5.5, 6.5]
    assert v[59] == 54.5 and h[59] == 109.0
    assert result.track.edge_vertical_95_m == 54.5 * step_m and result.track.edge_horizontal_95_m == 109.0 * step_m
    assert result.track.edge_samples == tuple((i, i * step_m, 2 * i * step_m) for i in range(50, 60))


def test_samples_older_than_ten_seconds_do_not_count() -> None:
    rows = edges(0.030, n=12)
    rows.q.edge_vertical_95_m[:6] = 0.2
    rows.epochs.time_ns[6:] += 4 * S
    v = judged(rows).judged.edge_vertical_95_m
    # Row 6 is second 10: the sample of second 0 is ten seconds old, those of 1 to 5 are not.
    assert v[5] == 0.2 and v[6] == 0.2 and v[11] == 0.030 and v[10] == 0.030
    # A row that comes alone as well: the last sample is that of row 10.
    rows = edges(0.030, n=24)
    rows.fix(slice(11, None), ft.FLOAT, 5.0)
    v = judged(rows).judged.edge_vertical_95_m
    assert (v[:20] == 0.030).all() and np.isnan(v[20:]).all()


def test_without_a_sample_there_is_no_figure_and_no_grade() -> None:
    rows = edges(0.030)
    rows.q.edge_vertical_95_m[20:] = np.nan
    result = judged(rows)
    v = result.judged.edge_vertical_95_m
    assert (v[20:29] == 0.030).all() and np.isnan(
        v[29:]
    ).all()  # the sample of row 19 serves until it is ten seconds old
    assert result.verdict[28:31] == [GRADE, ROUGH, ROUGH] and result.reasons[-1] == ["edge_horizontal"]
    rows = edges(0.030, np.nan)
    assert np.isnan(judged(rows).judged.edge_vertical_95_m).all() and np.isnan(judged(rows).track.edge_vertical_95_m)
    assert judged(rows).track.edge_samples == ()


def test_a_site_file_moves_the_limits() -> None:
    rows = edges(0.060)
    assert judged(rows, Setup(tolerance_vertical_95_m=0.070)).verdict[-1] == GRADE
    assert (
        judged(rows, Setup(tolerance_vertical_95_m=0.0625, overrides={"grade_enter_share": 0.9})).verdict[-1] == ROUGH
    )
    assert judged(edges(0.2), Setup(overrides={"rough_max_m": 0.15})).verdict[-1] == HOLD
    assert judged(edges(0.03), Setup(overrides={"settle_fix_s": 20.0})).verdict.index(GRADE) == 20


# Settling, memory, and what time alone does ---------------------------------------------------------------------------


def test_the_longest_settling_counts_and_is_never_shortened() -> None:
    rows = settled(80)
    rows.latch_bits[20] = BIT["latched_two_bases"]
    rows.q.age_used_s[25] = 31.0
    result = judged(rows)
    assert result.verdict[21:52] == [HOLD] * 30 + [GRADE]
    assert result.track.settle_until_ns == 51 * S


def test_a_row_that_is_not_fixed_is_not_called_settling() -> None:
    rows = settled()
    rows.fix(5, ft.FLOAT, 5.0)
    assert judged(rows).reasons[5] == ["rtk_float"]


def test_the_track_is_that_of_the_last_row() -> None:
    rows = settled()
    rows.epochs.speed_m_s[:] = 0.02
    rows.fix(slice(35, 40), ft.FLOAT, 5.0)
    rows.q.pos_ecef_m[35:, 0] += 0.1
    track = judged(rows).track
    assert track.n_rows == 40 and track.time_ns == 139 * S and track.segment == 0 and not track.fixed and track.stood
    assert track.bits == BIT["rtk_float"] and track.verdict == HOLD and track.verdict_since_ns == 135 * S
    assert track.position == (float(rows.epochs.latitude_deg[-1]), 170.0, 8.0)
    x, y, z = PLACE_ECEF_M
    assert track.fixed_ecef_m == PLACE_ECEF_M and track.pos_ecef_m == (x + 0.1, y, z)
    assert track.speed_m_s == 0.02 and track.moved_ns == 39 * S and track.agreed_ns == 39 * S and track.within_tolerance
    assert track.edge_vertical_95_m == 0.030 and track.edge_horizontal_95_m == 0.040


def test_a_verdict_that_does_not_change_keeps_its_beginning() -> None:
    first = judged(settled())
    more = settled(20, start_s=140.0)
    more.epochs.latitude_deg[:] += 1e-7
    second = judged(more, track=first.track)
    assert set(second.verdict) == {GRADE} and second.track.verdict_since_ns == 110 * S
    held = Rows(5)
    held.fix(slice(None), ft.FLOAT, 5.0)
    assert judged(held).track.verdict_since_ns == 100 * S  # of the first row, though nothing was HOLD before it


def test_silence_takes_the_verdict_away_at_its_limit() -> None:
    track = judged(settled()).track
    still = standing(track, 3 * S, Setup())
    assert (still.verdict, still.word, still.bits, still.since_ns) == (GRADE, "GRADE", 0, 110 * S)
    assert still.age_s == 4.0 and still.silent_s == 3.0
    gone = standing(track, 3 * S + 1, Setup())
    assert gone.word == "HOLD" and codes(gone.bits) == ["no_rover"] and gone.since_ns == 139 * S + 3 * S + 1
    assert standing(track, -5 * S, Setup()).age_s == 1.0


def test_the_age_grows_in_silence() -> None:
    rows = settled(40, step_s=20.0)  # a rover that may be silent for a minute
    rows.q.age_used_s[:] = 4.0
    rows.epochs.latitude_deg[:] += 1e-7 * np.arange(40)
    track = judged(rows).track
    assert codes(standing(track, 6 * S - 1, Setup()).bits) == []
    rough = standing(track, 6 * S, Setup())
    assert (rough.word, codes(rough.bits), rough.age_s) == ("ROUGH", ["corrections_ageing"], 10.0)
    assert rough.since_ns == track.time_ns + 6 * S
    hold = standing(track, 26 * S, Setup())
    assert (hold.word, codes(hold.bits)) == ("HOLD", ["corrections_old", "corrections_ageing"])
    rows.fix(slice(None), ft.FLOAT, 5.0)
    floating = standing(judged(rows).track, 26 * S, Setup())
    assert codes(floating.bits) == ["rtk_float"] and floating.since_ns == 100 * S


def test_before_the_first_row_all_is_hold() -> None:
    nothing = standing(Track(), 5 * S, Setup())
    assert (nothing.word, codes(nothing.bits), nothing.silent_s, nothing.since_ns) == ("HOLD", ["no_rover"], 5.0, 0)
    assert np.isnan(nothing.age_s) and VERDICTS == ("GRADE", "ROUGH", "HOLD")
    first = judged(Rows(1)).track
    assert standing(first, 0, Setup()).bits == first.bits and first.n_rows == 1
    assert "no_rover" not in codes(first.bits) and standing(first, 0, Setup()).age_s == 1.0
