"""A residual is given a name only where it fits one and would hardly do so by chance."""

from __future__ import annotations

import numpy as np
import pytest

from hubtack.control.datum_candidates import Candidate, foot_candidates, frame_candidates, height_candidates
from hubtack.control.datum_fit import fit_datum

SIGMA = np.array([0.012, 0.012, 0.018])
PLACE = (40.0, -83.0, 250.0)


@pytest.fixture(scope="module")
def american() -> list[Candidate]:
    frames = frame_candidates(*PLACE, 2026.2)
    heights = height_candidates(
        PLACE[0], PLACE[1], receiver_separation_m=-33.4, site_separation_m=-33.0, antenna_height_m=2.0,
        base_antenna_height_m=1.8,
    )  # fmt: skip
    feet = foot_candidates(558_000.0, 221_000.0, 250.0)
    return [*frames.tried, *heights.tried, *feet.tried]


def noisy(vector: tuple[float, float, float], seed: int) -> np.ndarray:
    return np.array(vector) + np.random.default_rng(seed).normal(0, 1, 3) * SIGMA * 0.7


def named(candidates: list[Candidate], name: str) -> Candidate:
    return next(c for c in candidates if c.name == name)


@pytest.mark.parametrize(
    "name",
    [
        "base in NAD83(2011), mark in ITRF2014",
        "base in ITRF2014, mark in NAD83(2011)",
        "the rover's antenna height left out",
        "the rover's antenna height taken off twice",
        "ellipsoidal height compared with a height above the geoid (the site's geoid separation)",
        "the mark's coordinates: US survey feet taken as international feet",
    ],
)
def test_a_known_cause_is_named_or_stands_among_those_that_fit_as_well(american, name):
    found = 0
    for seed in range(10):
        answer = fit_datum(noisy(named(american, name).enu_m, seed), SIGMA, american)
        if answer.fit is not None:
            assert name in (answer.fit.name, *answer.fit.also_fits)
            assert answer.fit.left_m < 0.1
            assert answer.fit.make_sure
            found += 1
    assert found >= 9


def test_a_residual_of_no_known_cause_is_hardly_ever_named(american):
    # Against chance: 400 residuals of 0.2 to 3 m in any direction; at 1 in 100 some 4 are expected.
    rng = np.random.default_rng(20)
    claims = 0
    for _ in range(400):
        direction = rng.standard_normal(3)
        residual = direction / np.linalg.norm(direction) * rng.uniform(0.2, 3.0)
        claims += fit_datum(residual, SIGMA, american).fit is not None
    assert claims <= 10


def test_noise_is_given_no_name(american):
    for seed in range(20):
        answer = fit_datum(noisy((0.0, 0.0, 0.0), seed), SIGMA, american)
        assert answer.fit is None
        assert "noise" in answer.why_none


def test_the_noisier_the_occupation_the_less_is_claimed(american):
    vector = np.array(named(american, "base in NAD83(2011), mark in ITRF2014").enu_m)
    assert fit_datum(vector, SIGMA, american).fit is not None
    assert fit_datum(vector, SIGMA * 25, american).fit is None


def test_without_a_height_the_plan_decides_and_no_height_is_tried(american):
    vector = np.array(named(american, "base in NAD83(2011), mark in ITRF2014").enu_m)
    vector[2] = np.nan
    answer = fit_datum(vector, SIGMA / 2, american)  # two numbers agree by chance more easily than three
    assert answer.fit is not None
    assert "NAD83(2011)" in answer.fit.name
    assert answer.tried < len(american)


def test_what_could_not_be_tried_is_said():
    here = frame_candidates(-45.0, 170.0, 10.0, 2026.2)
    heights = height_candidates(
        -45.0, 170.0, receiver_separation_m=float("nan"), site_separation_m=None, antenna_height_m=0.0,
        base_antenna_height_m=0.0,
    )  # fmt: skip
    assert any("NZGD2000" in text for text in here.not_tried)
    assert any("does not state one" in text for text in heights.not_tried)
    assert all(np.isfinite(c.enu_m).all() for c in (*here.tried, *heights.tried))


def test_the_grid_s_convergence_turns_a_step_and_leaves_its_length():
    straight = frame_candidates(*PLACE, 2026.2).tried[0]
    turned = frame_candidates(*PLACE, 2026.2, convergence_deg=90.0).tried[0]
    # Grid north that points east: what was east is then north, and what was north is west.
    assert turned.enu_m[1] == pytest.approx(straight.enu_m[0])
    assert turned.enu_m[0] == pytest.approx(-straight.enu_m[1])
