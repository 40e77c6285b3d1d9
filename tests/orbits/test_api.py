"""The watcher as a session uses it: decoded stretches in, answers out."""

import numpy as np
import pytest
from tests.orbits.made_sky import PLACE, decoded, observe
from tests.orbits.orbit_helpers import LEAP_S, T0_S, constellation

from hubtack.geo import ecef_to_geodetic, enu_to_ecef_offset
from hubtack.orbits.api import BasePositionResult, BaseWatcher, CannotTell
from hubtack.orbits.ephemeris import parse_ephemeris

SKY = constellation(seed=4, gps=24, galileo=18)


def _off(enu):
    lat, lon, _ = ecef_to_geodetic(PLACE[None])
    return PLACE + enu_to_ecef_offset(np.array([enu], dtype=float), lat, lon)[0]


def _run(watcher, arp, *, seconds=120, payloads=SKY, first_payload_at=0, t0_s=T0_S, station=7.0, seed=2):
    rng = np.random.default_rng(seed)
    steps = []
    for k in range(seconds):
        cells = observe(SKY, PLACE, t0_s + k, rng)
        now = payloads if k == first_payload_at else ()
        steps += watcher.feed(decoded(cells, t0_s + k, payloads=now, arp=arp if k % 10 == 0 else None, station=station))
    steps += watcher.close()
    return steps


def test_a_right_base_agrees():
    watcher = BaseWatcher(leap_s=LEAP_S)
    assert _run(watcher, PLACE) == []
    result = watcher.result()
    assert isinstance(result, BasePositionResult)
    assert not result.misplaced
    assert result.measured.epochs == 5  # every 15 s for a minute, then once a minute
    assert result.measured.span_s == pytest.approx(105.0)
    assert result.measured.two_frequency
    assert abs(result.offset_enu_m).max() < 3.0
    assert watcher.disturbances == []
    assert "would be seen" in watcher.disturbance_limit()


def test_a_base_60_m_off_is_claimed():
    watcher = BaseWatcher(leap_s=LEAP_S)
    _run(watcher, _off([0.0, 60.0, 0.0]), seconds=30)
    result = watcher.result()
    assert result.misplaced_plan
    assert not result.misplaced_up
    assert result.bearing_deg == pytest.approx(0.0, abs=6.0) or result.bearing_deg > 354.0


def test_ephemerides_that_come_late_serve_the_epochs_before_them():
    watcher = BaseWatcher(leap_s=LEAP_S, phase_every_s=np.inf)
    _run(watcher, PLACE, seconds=60, first_payload_at=50)
    assert watcher.result().measured.epochs == 4


def test_without_ephemerides_it_cannot_tell_and_a_file_helps():
    watcher = BaseWatcher(leap_s=LEAP_S, phase_every_s=np.inf)
    _run(watcher, PLACE, seconds=30, payloads=())
    answer = watcher.result()
    assert isinstance(answer, CannotTell)
    assert answer.code == "no_ephemerides"
    assert "1019" in answer.next_step
    watcher.add_ephemerides(e for p in SKY if (e := parse_ephemeris(p)))
    assert isinstance(watcher.result(), BasePositionResult)


def test_each_missing_thing_is_named():
    watcher = BaseWatcher(leap_s=LEAP_S)
    assert watcher.result().code == "no_observations"
    cells = observe(SKY, PLACE, T0_S, np.random.default_rng(1))
    watcher.feed(decoded({**cells, "pseudorange_m": np.full(len(cells["system"]), np.nan)}, T0_S))
    watcher.close()
    assert watcher.result().code == "no_ranges"
    watcher = BaseWatcher(leap_s=LEAP_S)
    _run(watcher, None, seconds=10)
    assert watcher.result().code == "no_position"
    assert not isinstance(watcher.measured(), CannotTell)  # a rover's own stream has no 1005 and is still positioned


def test_ephemerides_of_another_day_are_a_contradiction_or_no_solution():
    watcher = BaseWatcher(leap_s=LEAP_S, phase_every_s=np.inf)
    _run(watcher, PLACE, seconds=20, payloads=constellation(seed=99, gps=24, galileo=18))
    assert watcher.result().code in ("contradiction", "too_few_satellites")


def test_a_new_broadcast_position_begins_a_new_average():
    watcher = BaseWatcher(leap_s=LEAP_S, phase_every_s=np.inf)
    _run(watcher, PLACE, seconds=60)
    watcher.feed(decoded(None, T0_S + 60, arp=_off([500.0, 0.0, 0.0])))
    assert watcher.result().code == "too_few_satellites"


def test_the_week_may_end_in_the_middle():
    # Same sky, all times moved so that the GPS week turns after 20 s.
    from tests.orbits.orbit_helpers import encode, kepler_values

    rng = np.random.default_rng(4)
    t0 = 604_780.0
    payloads = [encode(1019, kepler_values(1019, i + 1, rng, toe_s=604_784.0, toc_s=604_784.0)) for i in range(30)]
    watcher = BaseWatcher(leap_s=LEAP_S)
    for k in range(60):
        cells = observe(payloads, PLACE, (t0 + k) % 604_800.0, rng)
        watcher.feed(decoded(cells, t0 + k, payloads=payloads if k == 0 else (), arp=PLACE))
    watcher.close()
    result = watcher.result()
    assert result.measured.span_s == pytest.approx(45.0)
    assert not result.misplaced
    assert watcher.disturbances == []


def test_any_cut_of_the_input_gives_the_same_answer():
    from hubtack.decode.tables import Decoded

    rng = np.random.default_rng(3)
    parts = [
        decoded(observe(SKY, PLACE, T0_S + k, rng), T0_S + k, payloads=SKY if k == 0 else (), arp=PLACE)
        for k in range(30)
    ]
    one, many = BaseWatcher(leap_s=LEAP_S), BaseWatcher(leap_s=LEAP_S)
    one.feed(Decoded.joined(parts))
    for part in parts:
        many.feed(part)
    one.close(), many.close()
    assert np.array_equal(one.result().offset_enu_m, many.result().offset_enu_m)


def test_the_sky_is_there_once_the_base_is():
    watcher = BaseWatcher(leap_s=LEAP_S, phase_every_s=np.inf)
    assert watcher.view() is None
    _run(watcher, PLACE, seconds=12)
    assert len(watcher.view().names()) == 42
    assert watcher.sky_tally.looks == 1


def test_an_epoch_sent_twice_with_two_receiver_clocks_is_used_once():
    # Seen in a recorded stream: MSM6 and MSM7 of one epoch, 108 km apart.
    from hubtack.decode.tables import FRAME_COLUMNS

    rng = np.random.default_rng(2)
    watcher = BaseWatcher(leap_s=LEAP_S)
    for k in range(30):
        raw = decoded(observe(SKY, PLACE, T0_S + k, rng, clock_s=3.6e-4), T0_S + k, payloads=SKY if k == 0 else ())
        steered = decoded(observe(SKY, PLACE, T0_S + k, rng, clock_s=0.0), T0_S + k, arp=PLACE)
        steered.frames.values[0, FRAME_COLUMNS.index("type")] = 1076.0
        watcher.feed(steered)
        watcher.feed(raw)
    watcher.close()
    result = watcher.result()
    assert not result.misplaced
    assert result.measured.scale < 1.5
    assert abs(result.offset_enu_m).max() < 3.0
