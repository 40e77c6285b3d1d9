"""Short cuts of assembling against the long way: steady time, rows in stretches, columns that are not blanked first."""

from __future__ import annotations

import numpy as np
import pytest

from hubtack.decode.tables import pack_text
from hubtack.epochs import grouping
from hubtack.epochs.columns import Epochs
from hubtack.epochs.place import Filling, Place


@pytest.mark.parametrize("anchor_ms", [None, 86_399_000, 86_400_000 * 2 + 500])
@pytest.mark.parametrize("seed", range(6))
def test_steady_time_makes_the_rows_that_any_time_makes(
    monkeypatch: pytest.MonkeyPatch, seed: int, anchor_ms: int | None
) -> None:
    rng = np.random.default_rng(seed)
    time_ms = 500 + np.cumsum(rng.choice([0, 0, 200, 200, 1_000, 60_000], 300))
    quick = grouping.group(time_ms, anchor_ms, 4)
    monkeypatch.setattr(grouping, "_steady", lambda *_: None)
    slow = grouping.group(time_ms, anchor_ms, 4)
    for name in ("row", "opens", "tod_ms", "segment"):
        np.testing.assert_array_equal(getattr(quick, name), getattr(slow, name))
    assert quick.n_late == slow.n_late == 0


def test_time_that_steps_back_or_far_ahead_is_not_steady() -> None:
    for time_ms in ([1_000, 2_000, 1_900], [1_000, 2_000_000]):
        assert grouping._steady(np.array(time_ms), None, 0) is None


@pytest.mark.parametrize("n_gaps", [0, 1, 5, 12, 60])
def test_a_row_that_is_missed_here_and_there_changes_nothing_for_the_others(n_gaps: int) -> None:
    rng = np.random.default_rng(n_gaps)
    n = 200
    row = np.delete(np.arange(n), rng.choice(n, n_gaps, replace=False))
    value = np.where(rng.random(len(row)) < 0.2, np.nan, rng.random(len(row)))
    again = np.where(rng.random(len(row)) < 0.5, np.nan, 7.0)
    place = Place.of(row, n, np.full(len(row), pack_text(b"GN")))
    assert (place.runs is not None) or n_gaps >= 12
    assert (place.runs is None) or n_gaps < 60
    expected = np.full(n, np.nan)
    for i, at in enumerate(row):
        expected[at] = value[i] if not np.isnan(value[i]) else again[i]
    filling = Filling.of(n)
    filling.first_valid(place, "age_s", value)
    filling.first_valid(place, "age_s", again)
    np.testing.assert_array_equal(filling.finish().age_s, expected)
    least, most, marks = np.full(n, 50), np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64)
    place.keep_least(least, row)
    place.keep_most(most, row)
    place.mark(marks, 4)
    here = np.isin(np.arange(n), row)
    np.testing.assert_array_equal(least, np.where(here, np.minimum(np.arange(n), 50), 50))
    np.testing.assert_array_equal(most, np.where(here, np.arange(n), 0))
    np.testing.assert_array_equal(marks, np.where(here, 4, 0))


@pytest.mark.parametrize("n", [0, 1, 64, 65, 300])
def test_what_nobody_has_written_is_not_known(n: int) -> None:
    made, blank = Filling.of(n).finish(), Epochs.blank(n)
    for name in Epochs.__dataclass_fields__:
        np.testing.assert_array_equal(getattr(made, name), getattr(blank, name))
