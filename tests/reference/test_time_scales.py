"""Epoch fields of each system to UTC, against worked conversions and a real set of simultaneous fields."""

from __future__ import annotations

import numpy as np
import pytest
from tests.framing.test_splitter import frame

from hubtack.decode.decoder import Decoder
from hubtack.knowledge.leap_seconds import CURRENT_LEAP_S

DAY_MS = 86_400_000


def empty_msm(kind: int, epoch: int) -> bytes:
    """An MSM header without satellites: type, station 0, epoch (30 bits), the last of its epoch."""
    return frame(_bits(kind, epoch))


def _bits(kind: int, epoch: int) -> bytes:
    value = (kind << 12 << 30 | epoch) << (169 - 54)
    return (value << 7).to_bytes(22, "big")


def utc_of(kind: int, epoch: int) -> float:
    return float(Decoder().feed(empty_msm(kind, epoch)).frames["utc_ms_of_week"][0])


# One station's messages of the same instant, 2024-03-13 16:35:27 UTC (public test capture of an RTCM parser library,
# 1013 in it says leap second 18): time fields of GPS, GLONASS, Galileo, SBAS, QZSS, BeiDou, NavIC.
SAME_INSTANT = {
    1077: 318_945_000, 1087: 473_180_184, 1097: 318_945_000, 1107: 318_945_000, 1117: 318_945_000, 1127: 318_931_000,
    1137: 318_945_000,
}  # fmt: skip


@pytest.mark.parametrize(("kind", "epoch"), SAME_INSTANT.items())
def test_all_systems_give_the_same_utc(kind: int, epoch: int) -> None:
    wednesday = 3
    assert utc_of(kind, epoch) == wednesday * DAY_MS + (16 * 3600 + 35 * 60 + 27) * 1000


# Worked conversions at GPS - UTC = 18 s: (UTC day of week and ms, GPS, BeiDou, GLONASS day and ms).
WORKED = [
    ((6, 86_381_000), 604_799_000, 604_785_000, (0, 10_781_000)),  # 2026-10-31 23:59:41
    ((6, 86_382_000), 0, 604_786_000, (0, 10_782_000)),  # the GPS week turns 18 s before Sunday midnight UTC
    ((0, 0), 18_000, 4_000, (0, 10_800_000)),  # 2026-11-01 00:00:00
    ((5, 43_200_000), 475_218_000, 475_204_000, (5, 54_000_000)),  # 2026-12-25 12:00:00
]


@pytest.mark.parametrize(("utc", "gps", "beidou", "glonass"), WORKED)
def test_worked_conversions(utc: tuple[int, int], gps: int, beidou: int, glonass: tuple[int, int]) -> None:
    expected = utc[0] * DAY_MS + utc[1]
    assert utc_of(1074, gps) == expected
    assert utc_of(1124, beidou) == expected
    assert utc_of(1084, glonass[0] << 27 | glonass[1]) == expected


def test_an_unknown_glonass_day_and_a_week_that_is_too_long_are_no_time() -> None:
    assert np.isnan(utc_of(1084, 7 << 27 | 1000))
    assert np.isnan(utc_of(1074, 604_800_000))


def test_gps_time_is_ahead_of_utc_as_the_iers_list_says() -> None:
    # IERS Leap_Second.dat: TAI - UTC is 37 s since 2017-01-01; GPS time is TAI - 19 s (IS-GPS-200, 3.3.4).
    assert CURRENT_LEAP_S == 37 - 19
