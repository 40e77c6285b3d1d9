"""Whether a base knows the leap seconds, from its own epochs."""

from __future__ import annotations

import numpy as np
import pytest

from hubtack.decode.tables import FRAME_COLUMNS, Rows
from hubtack.session.leap_watch import LeapWatch


def _frames(order: tuple[int, ...], seconds: int, glonass_off_s: float = 0.0, interval_s: int = 1) -> Rows:
    records = []
    for k in range(0, seconds * interval_s, interval_s):
        for number in order:
            row = dict.fromkeys(FRAME_COLUMNS, float("nan"))
            off = glonass_off_s if 1081 <= number <= 1087 else 0.0
            row |= {"type": float(number), "utc_ms_of_week": (86_390.0 + k + off) * 1000.0}
            records.append((len(records), len(records) + 1, [row[name] for name in FRAME_COLUMNS]))
    return Rows.of("frames", records)


@pytest.mark.parametrize("order", [(1074, 1084, 1094), (1084, 1074), (1087, 1097), (1074, 1230, 1084)])
@pytest.mark.parametrize("interval_s", [1, 2, 18])
def test_epochs_that_agree_are_no_finding_in_whatever_order_they_come(order: tuple[int, ...], interval_s: int) -> None:
    watch = LeapWatch()
    watch.feed(_frames(order, 60, interval_s=interval_s))  # over midnight
    assert watch.off_s(18) is None


@pytest.mark.parametrize("order", [(1074, 1084, 1094), (1084, 1074)])
@pytest.mark.parametrize("off_s", [18, -18, -14, 4, 10_800])
def test_leap_seconds_left_out_are_found(order: tuple[int, ...], off_s: int) -> None:
    watch = LeapWatch()
    frames = _frames(order, 60, off_s)
    for i in range(len(frames)):  # frame by frame, as live
        watch.feed(frames.take(slice(i, i + 1)))
    assert watch.off_s(None) == off_s


def test_one_second_needs_the_word_of_1013() -> None:
    # GPS at even seconds and GLONASS at odd ones is a matter of taste.
    watch = LeapWatch()
    watch.feed(_frames((1074, 1084), 60, 1.0, interval_s=2))
    assert watch.off_s(None) is None
    assert watch.off_s(18) is None
    assert watch.off_s(17) == 1


def test_a_stream_without_glonass_says_nothing() -> None:
    watch = LeapWatch()
    watch.feed(_frames((1074, 1094), 100))
    assert watch.off_s(18) is None and np.isnan(_frames((1074,), 1)["epoch_ms"][0])
