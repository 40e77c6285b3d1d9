"""Climbs of the age: a queue's is steady and slow, a stall's is steep, a hiccup's is one step."""

from __future__ import annotations

import numpy as np
import pytest

from hubtack.diagnosis.saturation import _drained_ns, climbs

BIN_NS = 10_000_000_000


def series(age_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.arange(len(age_s), dtype=np.int64) * BIN_NS, age_s


@pytest.mark.parametrize("slope", [0.02, 0.1, 0.5])
def test_a_steady_climb_is_found_with_its_slope(slope: float) -> None:
    age = 0.5 + slope * 10 * np.maximum(np.arange(60) - 20, 0)
    found = climbs(*series(age))
    assert len(found) == 1
    assert found[0].slope == pytest.approx(slope, rel=0.05)
    assert found[0].start_ns == 20 * BIN_NS


def test_whole_seconds_are_no_steps() -> None:
    age = 1.0 + np.floor(0.06 * 10 * np.arange(40))
    assert len(climbs(*series(age))) == 1


def test_a_stall_a_step_and_noise_are_no_climbs() -> None:
    level = np.full(60, 0.6)
    stall = np.where(np.arange(60) >= 30, 0.6 + 10.0 * np.clip(np.arange(60) - 30, 0, 12), 0.6)
    step = np.where(np.arange(60) >= 30, 6.0, 0.6)
    noise = 1.0 + 0.8 * np.random.default_rng(3).random(600)
    for age in (level, stall, step, noise):
        assert climbs(*series(age)) == []
    assert climbs(np.zeros(0, dtype=np.int64), np.zeros(0)) == []


def test_a_saw_tooth_is_one_climb_a_tooth() -> None:
    tooth = 0.5 + 0.1 * 10 * np.arange(12)
    assert len(climbs(*series(np.tile(tooth, 4)))) == 4


def test_a_climb_ends_where_the_buffer_is_full() -> None:
    """Seven bins up to 46.7 s, and level from then on but for a tenth: the plateau is no part of the slope."""
    level = 46.7 + 0.1 * (np.arange(23) % 3)
    (climb,) = climbs(*series(np.concatenate((1.1 + 6.5 * np.arange(7), level))))
    assert climb.end_ns == 7 * BIN_NS and climb.slope == pytest.approx(0.65, rel=0.02)


def test_a_queue_that_stays_full_is_still_there() -> None:
    level = np.concatenate((1.0 + 5.0 * np.arange(8), np.full(20, 36.0)))
    (climb,) = climbs(*series(level))
    assert _drained_ns(climb, *series(level)) is None
    emptied = np.concatenate((level, [30.0, 18.0, 1.0]))
    assert _drained_ns(climb, *series(emptied)) == 29 * BIN_NS
