"""The ledger of correction epochs is the same whether frames come one at a time or in blocks."""

from __future__ import annotations

import random

import numpy as np
import pytest

from hubtack.engine.link_ledger import Ledger

S = 1_000_000_000


def frames(seed: int) -> tuple[list[int], list[int], list[int]]:
    """Epochs of some message types, with gaps, lost frames, lost last frames, and now and then a jump of the clock."""
    rng = random.Random(seed)
    at, out = 7 * S, []
    for _ in range(900):
        at += S * rng.choice((1, 1, 1, 1, 1, 2, 5))
        if rng.random() < 0.003:
            at -= 3600 * S
        kinds = [k for k in (1074, 1084, 1094, 1124) if rng.random() > 0.04]
        out += [(at + rng.choice((0, 0, 1_000_000)), k, int(k != kinds[-1] or rng.random() < 0.05)) for k in kinds]
    times, numbers, more = zip(*out, strict=True)
    return list(times), list(numbers), list(more)


@pytest.mark.parametrize("seed", range(6))
def test_blocks_of_frames_give_the_ledger_of_single_frames(seed: int) -> None:
    columns = [np.array(c, dtype=np.int64) for c in frames(seed)]
    rng = random.Random(seed)
    one, many = Ledger(), Ledger()
    for i in range(len(columns[0])):
        one.add(*(c[i : i + 1] for c in columns))
    at = 0
    while at < len(columns[0]):
        size = rng.choice((1, 30, 65, 200, 1000))
        many.add(*(c[at : at + size] for c in columns))
        at += size
    assert repr(one) == repr(many)
    np.testing.assert_array_equal(one.slots(60_000.0), many.slots(60_000.0))
    assert one.gaps() == many.gaps()
