"""Two recordings of one stream: what was lost, where, and by whose fault."""

from __future__ import annotations

import random

import numpy as np
import pytest
from tests.link_stream import Base, damaged, moved, sent, stream, without_epochs

from hubtack.decode.decoder import Decoder
from hubtack.diagnosis.against import judge_against
from hubtack.engine.link_compare import Comparison, Recording, compare


def recording(data: bytes) -> Recording:
    out, decoder = Recording(), Decoder()
    for i in range(0, len(data), 5000):
        out.add(decoder.feed(data[i : i + 5000]))
    out.add(decoder.flush())
    return out


def both(base: bytes, rover: bytes) -> Comparison:
    found = compare(recording(base), recording(rover))
    assert found is not None
    return found


SENT = sent(Base(), 300)


def test_the_same_twice_has_lost_nothing() -> None:
    result = both(stream(SENT), stream(SENT))
    assert (result.lost, result.foreign, result.doubled, result.cut) == (0, 0, 0, 0)
    assert judge_against(result).fault == "none"


def test_exactly_the_frames_left_out_are_lost_in_the_air() -> None:
    rng = random.Random(1)
    kept = [f for i, f in enumerate(SENT) if i in (0, len(SENT) - 1) or rng.random() > 0.04]
    result = both(stream(SENT), stream(kept))
    assert result.lost == len(SENT) - len(kept)
    assert result.sent == len(SENT)
    judged = judge_against(result)
    assert judged.fault == "air" and judged.figures["pattern"] == "independent"


@pytest.mark.parametrize(("untimed", "known"), [(0, True), (150, True), (300, False)])
def test_how_long_the_way_takes_is_told_of_the_frames_whose_arrival_both_ends_know(untimed: int, known: bool) -> None:
    def end(delay_s: float, *, from_s: int) -> Recording:
        out, decoder = Recording(), Decoder()
        for i, (at_s, data) in enumerate(SENT[:300]):
            decoded = decoder.feed(data)
            ns = round((at_s + delay_s * (1 + i % 2)) * 1e9) if i >= from_s else -1
            out.add(decoded, np.full(len(decoded.frames), ns))
        return out

    found = compare(end(0.0, from_s=0), end(0.4, from_s=untimed))
    assert found is not None and found.lost == 0 and (found.delay_s is not None) is known
    delay = judge_against(found).figures["delay_s"]
    assert delay == (
        {"median": pytest.approx(0.6), "p95": pytest.approx(0.8), "max": pytest.approx(0.8)} if known else None
    )


def test_epochs_the_base_never_sent_are_the_bases_fault() -> None:
    short = without_epochs(SENT, lambda i, t: 100 <= i < 130)
    judged = judge_against(both(stream(short), stream(short)))
    assert judged.fault == "base" and judged.figures["base_lost_epochs"] == 30


def test_damaged_frames_are_counted_where_they_arrived() -> None:
    result = both(stream(SENT), stream(damaged(SENT, 0.1, 2)))
    assert result.cut == pytest.approx(result.lost, abs=2) and result.lost > 80


def test_frames_from_elsewhere_and_second_copies_are_told_apart() -> None:
    other = sent(moved(Base(station=9), 40.0), 300)
    mix = sorted(
        SENT + [(t + 0.4, f) for t, f in other[:50]] + [(t + 0.2, f) for t, f in SENT[:40]], key=lambda x: x[0]
    )
    result = both(stream(SENT), stream(mix))
    assert result.lost == 0 and result.doubled == 40
    assert result.foreign == pytest.approx(50, abs=12)  # what comes after the last common frame is not counted


def test_a_recording_that_began_later_is_compared_where_both_recorded() -> None:
    result = both(stream(SENT), stream(SENT[400:900]))
    assert result.lost == 0 and result.sent == 500


def test_recordings_of_different_streams_have_nothing_in_common() -> None:
    other = sent(moved(Base(station=9), 40.0), 30, 5 * 86_400.0)
    assert compare(recording(stream(SENT)), recording(stream(other))) is None


def test_noise_hits_long_frames_and_the_figures_say_so() -> None:
    rng = random.Random(4)
    uneven = sent(Base(systems=(1,), level=7, arp_every_s=1.0, bias_every_s=1.0, descriptor_every_s=1.0), 300)
    noisy = [(t, f) for t, f in uneven if rng.random() > len(f) * 8 * 1e-4]
    assert judge_against(both(stream(uneven), stream(noisy))).figures["long_frames_lost_more"] is True
    fair = [(t, f) for t, f in uneven if rng.random() > 0.08]
    assert judge_against(both(stream(uneven), stream(fair))).figures["long_frames_lost_more"] is False
