"""DOP of the satellites used, beside the receiver's own, in any cut."""

from __future__ import annotations

import numpy as np
import pytest

from hubtack.decode.decoder import Decoder
from hubtack.engine.axis import SessionAxis
from hubtack.engine.rover_sky import RoverSky
from hubtack.simulate.session import simulate


def sky_of(data: bytes, block: int) -> RoverSky:
    sky, decoder, axis = RoverSky(), Decoder(), SessionAxis()
    for i in range(0, len(data), block):
        sky.add(decoder.feed(data[i : i + block]).sentences, axis)
    sky.add(decoder.flush().sentences, axis)
    return sky


@pytest.fixture(scope="module")
def day() -> bytes:
    got = simulate([], "tidy", 11, 400, 1.0)
    return b"".join(data for _, data in got.rover)


def test_the_same_in_any_cut(day: bytes) -> None:
    whole, pieces = sky_of(day, 1 << 20), sky_of(day, 333)
    assert sorted(whole.geometry.minutes) == sorted(pieces.geometry.minutes)
    for a, b in zip(whole.geometry.table(whole.used), pieces.geometry.table(pieces.used), strict=True):
        assert np.array_equal(a, b, equal_nan=True)


def test_it_is_that_of_the_receiver_that_counts_alike(day: bytes) -> None:
    """The simulated receiver works its DOP out with one clock a constellation, by its own code (simulate.sky)."""
    sky = sky_of(day, 1 << 20)
    _, pdop, _ = sky.geometry.table(sky.used)
    said = [
        float(line.split(b",")[15])
        for line in day.split(b"\r\n")
        if line[3:6] == b"GSA" and line.split(b",")[2] == b"3"
    ]
    assert np.nanmedian(pdop) == pytest.approx(np.median(said), abs=0.15)


def test_a_sky_without_satellites_in_use_has_no_dop() -> None:
    sky = RoverSky()
    sky.geometry.add(
        np.zeros(3, dtype=np.int64), np.array([66, 67, 68]), np.array([0.0, 90.0, 180.0]), np.full(3, 40.0)
    )
    _, pdop, _ = sky.geometry.table(sky.used)
    assert np.isnan(pdop).all()
