"""A full queue in a log without arrivals: what is left of the stream is as even as nothing else leaves it."""

from __future__ import annotations

import random

import numpy as np
import pytest
from scipy.stats import chi2
from tests.link_session import found, read
from tests.link_stream import Base, Radio, sent, stream

from hubtack.diagnosis.even_flow import even_flow, evenness_p


@pytest.mark.parametrize("share", [0.5, 0.7, 0.93])
def test_a_full_queue_is_told_where_nobody_knows_how_late_it_is(share: float) -> None:
    frames = sent(Base(level=7), 300)
    rate_bps = share * 8 * len(stream(frames)) / 300
    carried = Radio(rate_bps, buffer_bytes=4000).carry(frames)
    codes = found(read(b"".join(data for _, data in carried)))
    assert next(iter(codes)) == "link_saturated" and "burst_loss" not in codes
    assert codes["link_saturated"].evidence["link_bits_per_s"] == pytest.approx(rate_bps, rel=0.02)
    assert codes["link_saturated"].evidence["load_bits_per_s"] == pytest.approx(rate_bps / share, rel=0.1)


@pytest.mark.parametrize("seed", range(2))
def test_frames_that_the_air_takes_leave_no_even_flow(seed: int) -> None:
    rng = random.Random(seed)
    kept = [(t, f) for t, f in sent(Base(level=7), 300) if rng.random() > 0.12]
    assert "link_saturated" not in found(read(stream(kept)))


def test_another_transmitter_that_takes_whole_epochs_in_its_turn_is_no_queue() -> None:
    kept = [(t, f) for t, f in sent(Base(level=7), 300) if int(t) % 5]
    assert next(iter(found(read(stream(kept))))) == "periodic_loss"


def test_how_even_is_too_even_is_the_lower_tail_of_chi_square() -> None:
    """Against scipy.stats.chi2; the normal form is good to a tenth of the probability's logarithm."""
    carried = 2000.0 + 20.0 * np.tile([-1.0, 1.0], 10)
    for lost_frames in (0.03, 0.05, 0.1):
        exact = chi2.cdf(20 * 400.0 / (lost_frames * 150.0**2), 19)
        assert np.log(evenness_p(carried, lost_frames, 150.0)) == pytest.approx(np.log(exact), rel=0.1, abs=0.05)
    assert evenness_p(carried[:1], 1.0, 150.0) == 1.0 and evenness_p(carried, 0.0, 150.0) == 1.0


def test_less_than_two_minutes_of_cut_epochs_do_not_tell_how_even_they_are() -> None:
    frames = sent(Base(level=7), 180)
    carried = Radio(0.7 * 8 * len(stream(frames)) / 180, buffer_bytes=4000).carry(frames)
    data = [b"".join(data for at, data in carried if at < frames[0][0] + seconds) for seconds in (110, 181)]
    short, long = (even_flow(read(some).link_view()) for some in data)
    assert short is None and long is not None and long.code == "link_saturated"


def test_a_base_that_never_closes_an_epoch_and_sends_one_system_now_and_then_is_no_queue() -> None:
    whole, three = Base(level=7), Base(level=7, systems=(1, 2, 3))
    parts = []
    for i in range(30):
        frames = sent(whole if i % 3 == 0 else three, 10, 3 * 86_400 + 36_000.0 + 10 * i)
        parts += [(t, f) for t, f in frames if f[3] << 4 | f[4] >> 4 != 1127]
    assert "link_saturated" not in found(read(stream(parts)))


def test_a_few_seconds_whose_epochs_all_lack_their_end_are_no_queue_and_neither_is_nothing() -> None:
    frames = sent(Base(level=7), 9)
    first_s = frames[0][0]
    ends_lost = [(t, f) for t, f in frames if t == first_s or f[3] << 4 | f[4] >> 4 != 1127]
    session = read(stream(ends_lost))
    assert 0 < session.link.tally.ledger.closed <= 2 and session.link.tally.epochs == 9
    assert even_flow(session.link_view()) is None
    assert even_flow(read(b"").link_view()) is None
