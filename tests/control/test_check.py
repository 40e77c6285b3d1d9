"""One check from rows to answer: what the uncertainty holds, what is noted, and other occupations of the mark."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from tests.control.standing import CRS, grid, rows_at

from hubtack.commands.control_rows import occupation_state
from hubtack.control.check import Check, Circumstances, check_mark
from hubtack.control.frame import Mark, frame_of
from hubtack.control.judge import limits_for
from hubtack.control.occupation import OccupationRows
from hubtack.engine.setup import Setup

ABOUT = Circumstances(limits_for("trench"))
FRAME = frame_of(crs=CRS, local=None, geoid_m=None)
NOISE_M = np.random.default_rng(4).normal(0.0, 0.004, 120)


def checked(rows: OccupationRows, height_m: float = 14.0, about: Circumstances = ABOUT) -> Check:
    return check_mark(rows, FRAME, Mark("CP3", *grid(-45.0, 170.0), height_m), about)


def noted(check: Check, word: str) -> list[str]:
    return [note for note in check.notes if word in note]


def test_what_the_maker_states_grows_with_the_baseline_and_more_slowly_where_a_network_computes_the_base():
    setup = Setup(horizontal_m=0.008, horizontal_ppm=1.0, vertical_m=0.015, vertical_ppm=2.0, computed_ppm=0.5)
    own = Circumstances(limits_for("trench"), setup)
    computed = Circumstances(limits_for("trench"), setup, base_computed=True)
    assert own.stated_sigma_m(10_000.0) == pytest.approx([0.018, 0.018, 0.035])
    assert computed.stated_sigma_m(10_000.0) == pytest.approx([0.013, 0.013, 0.020])
    assert own.stated_sigma_m(float("nan")) == pytest.approx([0.008, 0.008, 0.015])


def test_what_the_receiver_rounds_away_stays_in_the_uncertainty_however_long_it_stood():
    # Even spread over one step of 1e-4 minutes (185.2 mm): step / sqrt(12) = 53.5 mm (JCGM 100:2008, 4.3.7).
    coarse, fine = (checked(rows_at(NOISE_M, minute_decimals=d, height_decimals=1)) for d in (4, 8))
    assert coarse.sigma_m[0] == pytest.approx(np.hypot(0.05346, fine.sigma_m[0]), abs=1e-4)
    assert fine.sigma_m[2] > 0.1 / np.sqrt(12)


def test_a_mark_on_which_the_receiver_was_seldom_fixed_is_noted():
    quality = np.where(np.arange(120) % 5 == 0, 5.0, 4.0)
    assert noted(checked(rows_at(NOISE_M, quality=quality)), "only 96 of 119 epochs")
    quality[10:] = 4.0
    assert not noted(checked(rows_at(NOISE_M, quality=quality)), "only")


def test_a_position_that_creeps_all_along_is_noted_and_noise_is_not():
    assert noted(checked(rows_at(np.linspace(0.0, 0.1, 120))), "crept")
    assert not noted(checked(rows_at(NOISE_M)), "crept")


@pytest.mark.parametrize(("pause_s", "repeats"), [(290, 0), (310, 1)])
def test_only_after_some_minutes_is_a_second_stretch_on_the_mark_another_occupation(pause_s, repeats):
    time_ns = np.concatenate((np.arange(60), np.arange(59 + pause_s, 119 + pause_s))) * 1_000_000_000
    check = checked(rows_at(NOISE_M, time_ns=time_ns))
    assert (check.stretches, len(check.repeats)) == (2, repeats)


def test_a_height_in_feet_is_named_and_one_that_is_a_little_off_is_not():
    assert noted(checked(rows_at(NOISE_M), height_m=14.0 / 0.3048), "looks like feet")
    assert not noted(checked(rows_at(NOISE_M), height_m=14.5), "looks like")


def test_a_live_occupation_waits_for_a_fix_that_is_gone_and_not_for_one_that_blinks():
    blinks, gone = (rows_at(np.zeros(20 + n), quality=[4.0] * 20 + [5.0] * n) for n in (9, 12))
    assert occupation_state(gone, None) == ("no RTK fix now: wait", "")
    assert "20 of 20 epochs" in occupation_state(blinks, None)[0]


def test_a_live_occupation_ends_when_its_mean_is_stable_in_height_as_well():
    text, why = occupation_state(rows_at(NOISE_M), None)
    assert why == "the mean was stable"
    jumps = 10.0 + np.repeat(np.random.default_rng(2).normal(0.0, 0.06, 12), 10)
    text, why = occupation_state(rows_at(NOISE_M, h_geoid_m=jumps), None)
    assert why == "", text
    text, why = occupation_state(rows_at(np.resize(NOISE_M, 310), h_geoid_m=np.resize(jumps, 310)), None)
    assert why == "the longest time of an occupation was over"
    assert occupation_state(rows_at(NOISE_M[:50]), None)[1] == ""  # a minute at least


@pytest.mark.parametrize(
    ("asked_east_m", "here_east_m", "named"),
    [(25.0, 0.0, True), (25.0, 0.02, True), (25.0, 0.05, False), (0.06, 0.0, False), (0.0, 0.0, False)],
    ids=["on the other", "on it but for 20 mm", "beside it", "too close together to tell", "on its own"],
)
def test_a_rover_that_stands_on_another_mark_of_the_site_is_told_its_name(asked_east_m, here_east_m, named):
    east, north = grid(-45.0, 170.0)
    others = (Mark("CP3", east + asked_east_m, north, 14.0), Mark("CP4", east + here_east_m, north, 14.0))
    about = dataclasses.replace(ABOUT, others=others)
    check = check_mark(rows_at(NOISE_M), FRAME, others[0], about)
    assert (check.mistake is not None and "stands on CP4, and CP3 was asked for" in check.mistake) is named
    assert not (named and check.passed)
