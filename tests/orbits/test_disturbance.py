"""Moves of the base's antenna from its own phases."""

import numpy as np
import pytest
from tests.orbits.made_sky import PLACE, observe
from tests.orbits.orbit_helpers import LEAP_S, T0_S, constellation

from hubtack.orbits.book import OrbitBook
from hubtack.orbits.disturbance import DisturbanceWatch, reduced_phases
from hubtack.orbits.ephemeris import EphemerisStore

SKY = constellation(seed=4, gps=24, galileo=18)
STORE = EphemerisStore()
STORE.add_payloads(SKY)
NEAR = STORE.nearest(T0_S, LEAP_S)


def _run(watch, seconds, *, moves=None, slip=None, seed=1, change=None, place_error=0.0):
    """Feed epochs once a second; ``moves`` maps a second to an offset (Earth-centred) from then on."""
    rng = np.random.default_rng(seed)
    found, offset = [], np.zeros(3)
    for k in range(seconds):
        offset = np.asarray((moves or {}).get(k, offset))
        cells = observe(SKY, PLACE, T0_S + k, rng, move_m=offset, clock_s=3e-5 + 1e-7 * k)
        if slip and k >= slip[0]:
            hit = cells["satellite"] == cells["satellite"][0]
            cells["phase_range_m"][hit] += slip[1]
        if change:
            change(k, cells)
        step = watch.add(
            T0_S + k,
            LEAP_S,
            NEAR,
            cells["system"].astype(int),
            cells["satellite"].astype(int),
            cells["signal"].astype(int),
            cells["phase_range_m"],
            cells["pseudorange_m"],
            cells["lock_ms"],
        )
        if step is not None:
            found.append((k, step))
    return found


def test_a_base_that_stands_still_makes_no_claim_in_five_minutes():
    watch = DisturbanceWatch(PLACE)
    assert _run(watch, 300) == []
    assert watch.judged > 250
    assert np.hypot(*watch.last_sigma_enu_m[:2]) < 0.008
    assert watch.last_sigma_enu_m[2] < 0.015


def test_a_knock_of_60_mm_is_found_within_ten_seconds_with_its_size():
    up = PLACE / np.linalg.norm(PLACE)
    east = np.cross([0.0, 0.0, 1.0], up)
    east /= np.linalg.norm(east)
    watch = DisturbanceWatch(PLACE)
    found = _run(watch, 60, moves={30: 0.06 * east})
    assert len(found) == 1
    k, step = found[0]
    assert 30 < k <= 40
    assert abs(step.t_gpst_s - T0_S - 30) <= 2.0
    assert step.offset_enu_m[0] == pytest.approx(0.06, abs=0.015)
    assert list(watch.steps) == [step]


def test_a_settled_leg_of_80_mm_down_is_found():
    up = PLACE / np.linalg.norm(PLACE)
    found = _run(DisturbanceWatch(PLACE), 60, moves={30: -0.08 * up})
    assert len(found) == 1
    assert found[0][1].offset_enu_m[2] == pytest.approx(-0.08, abs=0.03)


def test_a_sway_that_comes_back_is_no_claim():
    assert _run(DisturbanceWatch(PLACE), 60, moves={30: [0.0, 0.08, 0.0], 33: [0.0, 0.0, 0.0]}) == []


def test_a_cycle_slip_of_one_satellite_is_no_claim():
    assert _run(DisturbanceWatch(PLACE), 60, slip=(30, 0.19)) == []


def test_creep_is_not_seen():
    # 1 mm a second: 60 mm in a minute, and never 20 mm in 2 s. Stated as a limit.
    assert _run(DisturbanceWatch(PLACE), 60, moves={k: [0.0, 0.001 * k, 0.0] for k in range(60)}) == []


def test_a_wrong_assumed_place_of_30_m_does_no_harm():
    watch = DisturbanceWatch(PLACE + 30.0)
    assert _run(watch, 120) == []


def test_missing_phases_and_few_satellites_say_nothing():
    def empty(k, cells):
        cells["phase_range_m"][:] = np.nan

    watch = DisturbanceWatch(PLACE)
    assert _run(watch, 20, change=empty) == []
    assert watch.judged == 0


@pytest.mark.parametrize("moves", [None, {40: np.array([0.0, 0.3, 0.1])}])
@pytest.mark.parametrize("many", [7, 200])
def test_many_epochs_in_one_stroke_give_what_one_by_one_gives(moves, many):
    rng, offset, parts = np.random.default_rng(8), np.zeros(3), []
    for k in range(0, 120, 2):
        offset = np.asarray((moves or {}).get(k, offset))
        cells = observe(SKY, PLACE, T0_S + k, rng, move_m=offset)
        if k % 16 == 0:
            cells["phase_range_m"][cells["satellite"] == cells["satellite"][0]] += 0.4  # a slip, and back again
        if k % 22 == 0:
            cells = {name: values[5:] for name, values in cells.items()}  # satellites that are not there
        parts.append(cells)
    book = OrbitBook()
    cells = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    epoch = np.repeat(np.arange(len(parts)), [len(part["system"]) for part in parts])
    epochs = reduced_phases(
        book, LEAP_S, PLACE, T0_S + 2.0 * np.arange(len(parts)), epoch,
        book.table(NEAR.values())[(100 * cells["system"] + cells["satellite"]).astype(int)], cells["signal"].astype(int),
        cells["phase_range_m"], cells["pseudorange_m"], cells["lock_ms"],
    )  # fmt: skip
    one, all_ = DisturbanceWatch(PLACE), DisturbanceWatch(PLACE)
    by_one = [one.add_many(epochs.part(k, k + 1))[0] for k in range(len(epochs))]
    at_once = [
        s for k in range(0, len(epochs), many) for s in all_.add_many(epochs.part(k, min(k + many, len(epochs))))
    ]
    assert [step is None for step in by_one] == [step is None for step in at_once]
    assert sum(step is not None for step in by_one) == (1 if moves else 0)
    assert one.judged == all_.judged > 40
    assert np.array_equal(one.last_sigma_enu_m, all_.last_sigma_enu_m)
    for a, b in zip(one.steps, all_.steps, strict=True):
        assert np.array_equal(a.offset_enu_m, b.offset_enu_m)
        assert np.array_equal(a.sigma_enu_m, b.sigma_enu_m)
