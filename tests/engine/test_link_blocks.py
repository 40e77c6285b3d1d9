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


def assert_same(one: Ledger, many: Ledger) -> None:
    for name in Ledger.__dataclass_fields__:
        assert getattr(one, name) == getattr(many, name), name


def spread(times: list[int], numbers: list[int] | None = None) -> tuple[list[int], list[int], list[int]]:
    """Frames of these times [ms], of four types in turn unless told, the last of each epoch saying that it is."""
    numbers = numbers or [(1074, 1084, 1094, 1124)[i % 4] for i in range(len(times))]
    more = [int(i + 1 < len(times) and times[i + 1] == t) for i, t in enumerate(times)]
    return [t * 1_000_000 for t in times], numbers, more


STEADY = [1000 * (9 + i // 4) for i in range(80)]
EDGES = {
    "a stretch that begins with a frame of the epoch before": ([9000] * 4, [8000, *STEADY[4:]]),
    "a stretch that goes on with the epoch that runs": ([8996], [9000] * 4 + STEADY[4:]),
    "a stretch whose first epoch ends more than ten milliseconds behind the start of the one that runs": (
        [8992], [9000, 9000, 9001, 9004, *STEADY[4:]],
    ),
    "a stretch whose frames drift apart by less than ten milliseconds each": ([], [9000 + 6 * i for i in range(80)]),
    "a stretch in which the time goes back": ([], [*STEADY[:40], *STEADY[:40]]),
}  # fmt: skip


@pytest.mark.parametrize("name", EDGES)
def test_a_stretch_at_the_edges_of_epochs_gives_the_ledger_of_single_frames(name: str) -> None:
    one, many = Ledger(), Ledger()
    for part in EDGES[name]:
        columns = [np.array(c, dtype=np.int64) for c in spread(part)]
        many.add(*columns)
        for i in range(len(part)):
            one.add(*(c[i : i + 1] for c in columns))
    assert_same(one, many)
    assert one.epochs > 1


def test_a_stretch_of_more_types_than_a_mask_holds_gives_the_ledger_of_single_frames() -> None:
    times = [1000 * (9 + i // 70) for i in range(210)]
    columns = [np.array(c, dtype=np.int64) for c in spread(times, [1000 + i % 70 for i in range(210)])]
    one, many = Ledger(), Ledger()
    many.add(*columns)
    for i in range(210):
        one.add(*(c[i : i + 1] for c in columns))
    assert_same(one, many)
    assert many.epochs == 3 and len(many.sets[0]) == 70


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
