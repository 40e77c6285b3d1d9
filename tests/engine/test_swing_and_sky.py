"""The house's swing tells where the antenna is; the sky by sectors tells a bank from interference."""

from __future__ import annotations

import numpy as np
import pytest

from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.engine.swing import _fit
from hubtack.logs.discover import SessionFiles
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session
from hubtack.simulate.session import simulate


def session_of(codes: list[str], setup: Setup, seed: int, seconds: int = 480, block: int = 1 << 20) -> Session:
    data = b"".join(d for _, d in simulate(codes, "tidy", seed, seconds, 1.0).rover)
    session = Session(setup, LinkSetup())
    session.expect("rover")
    for i in range(0, len(data), block):
        session.feed(Chunk("rover", data[i : i + block]))
    session.close()
    return session


@pytest.mark.parametrize(("forward", "right"), [(0.0, -1.6), (-1.3, 0.9), (1.0, 1.0)])
def test_a_swing_gives_the_antennas_place_on_the_house(forward: float, right: float) -> None:
    rng = np.random.default_rng(1)
    psi = np.radians(np.linspace(10, 190, 40))
    east = 5.0 + forward * np.sin(psi) + right * np.cos(psi) + rng.normal(0, 0.008, 40)
    north = -3.0 + forward * np.cos(psi) - right * np.sin(psi) + rng.normal(0, 0.008, 40)
    fit = _fit(np.arange(40.0), np.degrees(psi), east, north)
    assert fit is not None
    assert fit.radius_m == pytest.approx(np.hypot(forward, right), abs=0.02)
    off = (fit.direction_deg - np.degrees(np.arctan2(right, forward)) + 180) % 360 - 180
    assert (
        abs(off) < 0.5
    )  # 180 degrees of arc, 1.6 m off the axis: 0.12 degrees 1 sigma in 60 s (Hubtack's own limits page)


@pytest.mark.parametrize(
    ("radius_m", "arc_deg", "known"), [(2.3, 48.0, True), (0.35, 48.0, False), (0.35, 60.0, True), (2.3, 39.0, False)]
)
def test_a_short_swing_tells_as_much_as_its_way_is_long(radius_m: float, arc_deg: float, known: bool) -> None:
    """The way of 60 degrees at 0.3 m, 31 cm, beside a centimetre of noise; and 40 degrees at least."""
    psi = np.radians(np.linspace(10.0, 10.0 + arc_deg, 8))
    fit = _fit(np.arange(8.0), np.degrees(psi), -radius_m * np.cos(psi), radius_m * np.sin(psi))
    assert (fit is not None) is known
    if fit is not None:
        assert abs(abs(fit.direction_deg) - 90.0) < 0.1


def test_a_machine_that_tracks_along_while_it_turns_gives_no_fit() -> None:
    psi = np.radians(np.linspace(0, 120, 30))
    along = np.linspace(0, 8, 30)
    assert _fit(np.arange(30.0), np.degrees(psi), along + 1.6 * np.cos(psi), -1.6 * np.sin(psi)) is None


ANTENNA = Setup(assumed_baseline_m=1000.0, antenna_forward_m=0.0, antenna_right_m=-1.6, pair_separation_m=1.8)


def test_swapped_antennas_are_held_from_the_first_whole_swing_on() -> None:
    good, bad = session_of([], ANTENNA, 4), session_of(["heading_flipped"], ANTENNA, 4)
    assert "heading_flipped" not in [f.code for f in good.findings()]
    finding = next(f for f in bad.findings() if f.code == "heading_flipped")
    assert finding.severity == "stop"
    assert abs(finding.evidence["offset_deg"]) == pytest.approx(180.0, abs=1.0)
    assert bad.rover.track.verdict == 2
    assert good.rover.tally.verdict_seconds()["grade"] > bad.rover.tally.verdict_seconds()["grade"]


def test_the_cut_of_the_input_does_not_change_what_the_swing_says() -> None:
    whole, cut = session_of(["heading_flipped"], ANTENNA, 6), session_of(["heading_flipped"], ANTENNA, 6, block=1_700)
    assert repr(whole.rover.track) == repr(cut.rover.track)
    assert whole.rover.tally.verdict_seconds() == cut.rover.tally.verdict_seconds()
    assert [repr(f) for f in whole.findings()] == [repr(f) for f in cut.findings()]


@pytest.mark.parametrize("seed", [2, 5])
def test_a_bank_is_told_from_interference(seed: int) -> None:
    setup = Setup(assumed_baseline_m=1000.0)
    assert [f.code for f in session_of(["sky_blocked"], setup, seed).findings()][:1] == ["sky_blocked"]
    assert [f.code for f in session_of(["signal_drop"], setup, seed).findings()][:1] == ["signal_drop"]
    clean = [f.code for f in session_of([], setup, seed).findings()]
    assert "sky_blocked" not in clean
    assert "signal_drop" not in clean


def test_session_files_name_the_rover_first() -> None:
    from pathlib import Path

    files = SessionFiles("day", Path("rover.nmea"), (Path("a.rtcm3"),))
    assert [p.name for p in files.paths] == ["rover.nmea", "a.rtcm3"]


@pytest.mark.parametrize("block", [97, 5_000])
def test_the_cut_of_the_input_does_not_change_the_sky(block: int) -> None:
    whole, cut = session_of([], Setup(), 8, 90), session_of([], Setup(), 8, 90, block=block)
    for a, b in zip(whole.rover_sky.sectors.table(), cut.rover_sky.sectors.table(), strict=True):
        np.testing.assert_array_equal(a, b)
    assert whole.rover_sky.tracked.bins == cut.rover_sky.tracked.bins
    assert whole.rover_sky.used.bins == cut.rover_sky.used.bins


def test_the_closed_form_of_the_swing_is_the_least_squares_solution() -> None:
    """Against numpy's own least squares over the four unknowns."""
    rng = np.random.default_rng(5)
    for sign in (-1.0, 1.0):
        heading = (rng.uniform(0, 360) + sign * np.cumsum(rng.uniform(2, 9, 40))) % 360
        psi = np.radians(heading)
        east = 5.0 - 1.3 * np.sin(psi) + 0.9 * np.cos(psi) + rng.normal(0, 0.008, 40)
        north = 2.0 - 1.3 * np.cos(psi) - 0.9 * np.sin(psi) + rng.normal(0, 0.008, 40)
        one, zero = np.ones(40), np.zeros(40)
        design = np.concatenate(
            (np.stack((one, zero, np.sin(psi), np.cos(psi)), 1), np.stack((zero, one, np.cos(psi), -np.sin(psi)), 1))
        )
        expected = np.linalg.lstsq(design, np.concatenate((east, north)), rcond=None)[0]
        fit = _fit(np.arange(40.0), heading, east, north)
        assert fit is not None
        assert fit.radius_m == pytest.approx(float(np.hypot(expected[2], expected[3])), abs=1e-9)
        assert fit.direction_deg == pytest.approx(float(np.degrees(np.arctan2(expected[3], expected[2]))), abs=1e-9)
        assert fit.arc_deg == pytest.approx(float(np.ptp(np.unwrap(heading, period=360.0))), abs=1e-9)
