"""Set-out by two touched points: the arithmetic, its ends, and the command."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from hubtack.cli.main import main
from hubtack.control import setout as so


def test_far_end_matches_a_simulation_of_touched_points():
    rng = np.random.default_rng(3)
    first, second = rng.normal(0, 0.010, 200_000), rng.normal(0, 0.010, 200_000)
    far = first + (30.0 / 4.0) * (second - first)
    assert float(so.far_end_sigma_m(4.0, 30.0, 0.010)) == pytest.approx(far.std(), rel=0.01)


@pytest.mark.parametrize(
    ("length_m", "factor"), [(0.0, 1.0), (5.0, math.sqrt(0.5)), (10.0, 1.0), (20.0, math.sqrt(5.0))]
)
def test_far_end_is_one_sigma_at_each_point_and_less_between_them(length_m, factor):
    assert float(so.far_end_sigma_m(separation_m=10.0, length_m=length_m, sigma_m=0.01)) == pytest.approx(0.01 * factor)


def test_figures_take_arrays_and_keep_nan_and_nothing():
    values = so.far_end_sigma_m(np.array([1.0, np.nan, 0.0, -2.0]), 10.0, 0.01)
    assert np.isfinite(values[0])
    assert np.isnan(values[1:]).all()
    assert so.bearing_sigma_rad(np.zeros(0), 0.01).shape == (0,)
    assert np.isnan(so.grade_sigma(10.0, np.nan))


@pytest.mark.parametrize("tolerance_m", [0.012, 0.02, 0.05, 0.5])
def test_the_separation_needed_gives_exactly_the_tolerance(tolerance_m):
    separation = so.separation_needed_m(30.0, 0.008, tolerance_m)
    assert so.Z95 * float(so.far_end_sigma_m(separation, 30.0, 0.008)) == pytest.approx(tolerance_m)


def test_a_tolerance_finer_than_any_two_touches_has_no_separation():
    assert math.isnan(so.separation_needed_m(30.0, 0.010, 0.010))
    assert math.isnan(so.separation_needed_m(30.0, float("nan"), 0.010))


def test_a_line_knows_its_bearing_in_all_quadrants():
    bearings = [
        so.line_between((0, 0, 0), (east, north, 0), sigma_m=0.01, sigma_height_m=0.01).bearing_deg
        for east, north in ((0, 1), (1, 0), (0, -1), (-1, 0))
    ]
    assert bearings == pytest.approx([0.0, 90.0, 180.0, 270.0])


def test_a_point_right_of_the_line_is_positive_and_above_it_too():
    offset = so.offset_from_line((0, 0, 10), (0, 20, 10.2), (3, 5, 10.1), sigma_m=0.01, sigma_height_m=0.02)
    assert offset.station_m == pytest.approx(5.0)
    assert offset.offset_m == pytest.approx(3.0)
    assert offset.above_m == pytest.approx(0.05)
    assert offset.offset_95_m == pytest.approx(1.96 * 0.01 * math.sqrt(0.25**2 + 0.75**2 + 1), rel=1e-3)


def test_grade_has_its_ratio_with_the_level_as_the_flattest_where_the_error_is_larger():
    line = so.line_between((0, 0, 0), (10, 0, -0.04), sigma_m=0.0, sigma_height_m=0.016)
    measured, steepest, flattest = line.ratio_range()
    assert measured == pytest.approx(250.0)
    assert steepest < measured
    assert math.isinf(flattest)
    assert line.grade_deg == pytest.approx(math.degrees(math.atan(-0.004)))


@pytest.mark.parametrize(
    ("fall", "error", "least", "answer"),
    [
        (0.02, 0.001, 0.004, so.FALL_SHOWN),
        (0.004, 0.0044, None, so.ADVERSE_POSSIBLE),
        (0.0045, 0.001, 0.004, so.BELOW_MINIMUM_POSSIBLE),
        (0.001, 0.0005, 0.004, so.FALL_TOO_FLAT),
        (0.0, 0.0, None, so.ADVERSE_POSSIBLE),
    ],
)
def test_a_fall_is_shown_only_where_its_error_leaves_it(fall, error, least, answer):
    assert so.slope_answer(fall, error, least) == answer


def test_the_command_answers_in_json_and_says_no_where_the_tolerance_is_broken(capsys):
    code = main(
        [
            "setout",
            "--separation-m",
            "3ft",
            "--length-m",
            "100ft",
            "--sigma-m",
            "10mm",
            "--tolerance-m",
            "0.05",
            "--json",
        ]
    )
    answer = json.loads(capsys.readouterr().out)
    assert code == 1
    assert (answer["schema"], answer["kind"]) == ("hubtack/1", "setout")
    assert answer["separation_m"] == pytest.approx(0.9144)
    assert answer["far_end_error_95_m"] == pytest.approx(0.91, abs=0.005)
    assert answer["separation_needed_m"] > 10
    assert answer["within_tolerance"] is False


def test_the_command_checks_two_measured_points_against_the_design(capsys):
    points = ["--first", "5000.012,8000.004,21.310", "--second", "5024.968,8000.019,21.205", "--sigma-m", "0.012"]
    assert main(["setout", *points, "--design-distance-m", "25"]) == 1
    assert "does NOT fit" in capsys.readouterr().out
    assert main(["setout", *points, "--design-distance-m", "24.96"]) == 0
    assert main(["setout", *points, "--design-grade", "-0.4", "--pipe-mm", "200", "--json"]) == 1
    answer = json.loads(capsys.readouterr().out.partition("{")[2].join(["{", ""]))
    assert answer["slope"]["least_m_per_m"] == pytest.approx(0.004)
    assert answer["slope"]["answer"] == so.BELOW_MINIMUM_POSSIBLE
    assert answer["line"]["grade_percent"] == pytest.approx(-0.4207, abs=1e-4)


@pytest.mark.parametrize(
    ("words", "needle"),
    [
        (["--sigma-m", "0.01"], "--separation-m"),
        (["--separation-m", "3", "--sigma-m", "0.01"], "--length-m"),
        (["--separation-m", "3", "--length-m", "10", "--sigma-m", "10"], "another unit"),
        (["--first", "1,2,3", "--sigma-m", "0.01"], "belong together"),
        (["--first", "1,2,3", "--second", "1,2,9", "--sigma-m", "0.01"], "apart"),
        (["--separation-m", "3", "--length-m", "10", "--sigma-m", "0.01", "--pipe-mm", "200"], "--first"),
        (["--first", "1,2,3", "--second", "9,2,3", "--sigma-m", "0.01", "--pipe-mm", "100"], "8 in"),
    ],
)
def test_what_is_missing_or_odd_gets_a_sentence(words, needle, capsys):
    assert main(["setout", *words]) == 2
    assert needle in capsys.readouterr().err


@pytest.mark.parametrize("word", ["-3", "0", "3yd", "nan", "1e999", "three"])
def test_a_length_that_is_none_is_refused(word, capsys):
    with pytest.raises(SystemExit) as end:
        main(["setout", f"--separation-m={word}", "--length-m", "10", "--sigma-m", "0.01"])
    assert end.value.code == 2
