"""Scatter of a standing machine against its sigmas: silent on honest noise, however correlated; loud on a lie."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from hubtack.engine.quantities import quantities
from hubtack.engine.scatter import Scatter
from hubtack.engine.setup import Setup
from hubtack.epochs.columns import Epochs
from hubtack.knowledge.limits import LIMITS_BY_KEY

DEG_PER_M = 1.0 / 111_132.0


def noise(rng: np.random.Generator, n: int, sigma: float, tau_s: float) -> np.ndarray:
    """Noise of first order (Gauss-Markov): correlation exp(-dt / tau)."""
    if tau_s == 0:
        return rng.normal(size=n) * sigma
    keep = np.exp(-1.0 / tau_s)
    out = np.empty(n)
    out[0] = rng.normal() * sigma
    for i in range(1, n):
        out[i] = keep * out[i - 1] + rng.normal() * sigma * np.sqrt(1 - keep * keep)
    return out


def rows(seconds: int, up_m: np.ndarray, speed_m_s: float = 0.01, sigma_up_m: float = 0.015) -> tuple[Epochs, object]:
    e = Epochs.blank(seconds)
    e.time_ns[:] = np.arange(seconds) * 10**9 + 43_200 * 10**9
    e.tod_ms[:] = e.time_ns // 10**6
    e.latitude_deg[:], e.longitude_deg[:], e.h_geoid_m[:] = -45.0, 170.0, 8.0 + up_m
    e.geoid_separation_m[:] = 4.0
    e.quality[:], e.speed_m_s[:] = 4.0, speed_m_s
    e.sigma_north_m[:] = e.sigma_east_m[:] = e.sigma_major_m[:] = 0.008
    e.sigma_up_m[:] = sigma_up_m
    none = np.full(seconds, np.nan)
    q = quantities(e, Setup(), arp_ecef_m=np.full((seconds, 3), np.nan), base_computed=np.zeros(seconds, dtype=bool),
                   obs_utc_ms=none, heading_deg=none)  # fmt: skip
    return e, q


def flags(up_m: np.ndarray, block: int = 10_000, **kwargs: float) -> np.ndarray:
    e, q = rows(len(up_m), up_m, **kwargs)
    test = Scatter(0.008, 0.015, 0.05, LIMITS_BY_KEY["scatter_variance_ratio"].value)
    out = []
    for i in range(0, len(up_m), block):
        part = slice(i, i + block)
        own = type(q)(**{name: getattr(q, name)[part] for name in type(q).__dataclass_fields__})
        out.append(test.add(e.take(part), own))
    return np.concatenate(out)


def test_the_point_of_chi_square_is_that_of_scipy() -> None:
    assert pytest.approx(stats.chi2.isf(1e-7, 9) / 9, abs=1e-4) == LIMITS_BY_KEY["scatter_variance_ratio"].value


@pytest.mark.parametrize("tau_s", [0.0, 3.0, 20.0, 120.0])
def test_honest_noise_is_silent_over_a_working_week(tau_s: float) -> None:
    """Forty hours a case; the sigma is the one that is stated."""
    rng = np.random.default_rng(int(tau_s) + 1)
    assert not flags(noise(rng, 144_000, 0.015, tau_s)).any()


def test_a_scatter_of_three_sigma_is_found_within_two_minutes() -> None:
    got = flags(noise(np.random.default_rng(2), 300, 0.045, 2.0))
    assert got.any()
    assert np.argmax(got) <= 120


def test_a_machine_that_moves_says_nothing() -> None:
    assert not flags(noise(np.random.default_rng(2), 300, 0.045, 2.0), speed_m_s=0.2).any()


def test_a_receiver_that_states_its_sigma_large_is_honest() -> None:
    assert not flags(noise(np.random.default_rng(2), 300, 0.045, 2.0), sigma_up_m=0.045).any()


@pytest.mark.parametrize("block", [1, 7, 30, 100])
def test_the_cut_changes_nothing(block: int) -> None:
    up_m = noise(np.random.default_rng(9), 240, 0.05, 2.0)
    assert np.array_equal(flags(up_m, block), flags(up_m))


def test_heights_to_the_decimetre_go_to_and_fro_and_lie_to_nobody() -> None:
    """A height between two tenths is rounded to either; the same to the millimetre is a lie of three sigma."""
    fine = np.tile([0.0, 0.1], 200) + noise(np.random.default_rng(4), 400, 0.002, 0.0)
    assert flags(fine).any()
    e, q = rows(400, np.round(fine, 1))
    e.height_decimals[:] = 1
    assert not Scatter(0.008, 0.015, 0.05, LIMITS_BY_KEY["scatter_variance_ratio"].value).add(e, q).any()
