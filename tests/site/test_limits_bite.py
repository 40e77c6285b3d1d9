"""Every limit of the table is read by something: one that nobody reads looks as if a site file could move it."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

import hubtack
from hubtack.engine.quantities import Quantities, quantities
from hubtack.engine.setup import Setup
from hubtack.epochs.columns import Epochs
from hubtack.knowledge.fix_types import FIX_TYPES
from hubtack.knowledge.limits import LIMITS, LIMITS_BY_KEY

SOURCE = Path(hubtack.__file__).parent


def test_every_limit_is_read_by_something() -> None:
    said = {
        node.value
        for path in SOURCE.rglob("*.py")
        if path.name != "limits.py"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    assert {limit.key for limit in LIMITS} - said == set()


def test_keys_are_their_own_and_values_are_in_their_range() -> None:
    assert len(LIMITS_BY_KEY) == len(LIMITS)
    for limit in LIMITS:
        assert limit.value > 0 and limit.effect and limit.source
        if limit.key.endswith("_share"):
            assert limit.value < 1
    # What warns comes before what stops; satellites are counted down.
    for low, high in (
        ("correction_age_warn_s", "correction_age_rough_s"), ("correction_age_rough_s", "correction_age_hold_s"),
        ("pdop_warn", "pdop_hold"), ("satellites_hold", "satellites_warn"), ("common_stop", "common_warn"),
        ("baseline_warn_m", "baseline_no_grade_m"), ("corrupt_warn_share", "corrupt_stop_share"),
        ("separation_warn_m", "separation_stop_m"), ("heading_off_warn_deg", "heading_off_stop_deg"),
        ("settle_age_s", "settle_fix_s"), ("settle_fix_s", "settle_jump_s"), ("base_moved_m", "wrong_base_m"),
        ("jump_m", "standing_jump_m"), ("overnight_least_h", "overnight_most_h"),
    ):  # fmt: skip
        assert LIMITS_BY_KEY[low].value < LIMITS_BY_KEY[high].value, (low, high)


def floated(setup: Setup) -> Quantities:
    epochs = Epochs.blank(1)
    epochs.quality[:], epochs.latitude_deg[:], epochs.longitude_deg[:], epochs.h_geoid_m[:] = 5.0, -45.0, 170.0, 8.0
    epochs.sigma_up_m[:] = epochs.sigma_north_m[:] = epochs.sigma_east_m[:] = 0.01
    nan = np.full((1, 3), np.nan)
    return quantities(
        epochs, setup, arp_ecef_m=nan, base_computed=np.zeros(1, dtype=bool), obs_utc_ms=np.full(1, np.nan),
        heading_deg=np.full(1, np.nan),
    )  # fmt: skip


def test_a_float_is_never_better_than_its_floor_whatever_the_receiver_says() -> None:
    key = "float_floor_m"
    assert LIMITS_BY_KEY[key].value == next(fix.floor_m for fix in FIX_TYPES if fix.key == "rtk_float")
    assert float(floated(Setup()).share_vertical_m[0, 0]) == pytest.approx(0.20)
    assert float(floated(Setup(overrides={key: 0.35})).share_vertical_m[0, 0]) == pytest.approx(0.35)
