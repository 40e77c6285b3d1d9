"""Where bytes stand and when they came: the same for a few bytes as for many."""

from __future__ import annotations

import random

import numpy as np

from hubtack.session.arrivals import ArrivalLog


def test_a_few_bytes_are_looked_up_as_many_are() -> None:
    rng = random.Random(4)
    log, place = ArrivalLog(), 0
    for i in range(300):
        n = rng.randrange(1, 40)
        log.add(n, place, None if i % 7 == 0 else 10**18 + i, None if i % 5 == 0 else i)
        place += n + rng.randrange(3) * 11  # bytes of another source in between
    offsets = np.array([rng.randrange(log.total) for _ in range(400)], dtype=np.int64)
    for look_up in (log.places, log.utc_ns, log.mono_ns):
        many = look_up(offsets)
        few = np.concatenate([look_up(offsets[i : i + 3]) for i in range(0, 400, 3)])
        np.testing.assert_array_equal(many, few)
    assert len(log.utc_ns(offsets[:0])) == 0
