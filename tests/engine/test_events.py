"""What was known at a place, however the questions are put; what is latched, however late it is told."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from hubtack.engine.events import Events, Latches

KEYS = np.arange(-2, 60, dtype=np.int64)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 50), st.floats(-1e6, 1e6)), max_size=30))
def test_few_rows_and_many_rows_get_the_same_answers(told: list[tuple[int, float]]) -> None:
    events = Events(2)
    for key, value in sorted(told, key=lambda event: event[0]):
        events.add(key, value, float(key))
    together = events.at(KEYS)
    np.testing.assert_array_equal(np.concatenate([events.at(KEYS[i : i + 1]) for i in range(len(KEYS))]), together)
    assert together.shape == (len(KEYS), 2)
    assert np.isnan(together[:2]).all()


def test_what_is_forgotten_still_answers_for_the_rows_that_may_ask() -> None:
    events, latches = Events(1), Latches()
    for key in range(2000):
        events.add(key, float(key))
        latches.latch(1 << key % 4, key)
    latches.confirm(1990)
    asked = np.arange(1500, 2000, dtype=np.int64)
    before = events.at(asked), latches.at(asked)
    events.forget_before(1500)
    latches.forget_before(1500)
    assert len(events.key) < 600
    np.testing.assert_array_equal(events.at(asked), before[0])
    np.testing.assert_array_equal(latches.at(asked), before[1])


Told = tuple[str, int, int]


def standing(told: list[Told], key: int) -> int:
    """The same by the words of the rules: what stands at a key, told one after another in the order of their places."""
    stated: set[int] = set()
    observed: set[int] = set()
    # A confirmation speaks of what was latched before its place, so it comes first among those of one place.
    for what, at, flag in sorted(told, key=lambda t: (t[1], t[0] != "confirm")):
        if at > key:
            break
        if what == "stated":
            stated.add(flag)
        elif what == "observed":
            observed.add(flag)
        elif what == "agree":
            stated.clear()
        else:
            stated.clear()
            observed.clear()
    return sum({1 << flag for flag in stated | observed})


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(["stated", "observed", "agree"]), st.integers(0, 50), st.integers(0, 4)), max_size=25
    ),
    st.lists(st.tuples(st.integers(0, 25), st.integers(0, 50)), max_size=3),
)
def test_latches_stand_as_their_rules_say_in_whatever_order_they_are_told(
    stream: list[Told], confirmed: list[tuple[int, int]]
) -> None:
    # The stream speaks in the order of its places; its observations are told late, a person's word at any time.
    stream = sorted({(at, what): (what, at, flag) for what, at, flag in stream}.values(), key=lambda t: t[1])
    spoken = [t for t in stream if t[0] != "observed"]
    late = [t for t in stream if t[0] == "observed"]
    words = [("confirm", at, 0) for _, at in confirmed]
    latches = Latches()
    for what, at, flag in (*spoken, *late, *words):
        if what == "agree":
            latches.agree(at)
        elif what == "confirm":
            latches.confirm(at)
        else:
            latches.latch(1 << flag, at, observed=what == "observed")
    expected = [standing([*spoken, *late, *words], int(key)) for key in KEYS]
    assert latches.at(KEYS).tolist() == expected
    assert [int(latches.at(KEYS[i : i + 1])[0]) for i in range(len(KEYS))] == expected
    assert latches.any == expected[-1]


def test_a_confirmation_leaves_what_was_latched_after_its_place() -> None:
    latches = Latches()
    latches.latch(1, 10)
    latches.latch(2, 30)
    latches.confirm(20)
    assert latches.at(np.array([5, 15, 25, 35])).tolist() == [0, 1, 0, 2]


def test_what_the_stream_takes_back_is_only_what_it_said() -> None:
    latches = Latches()
    latches.latch(1, 10)
    latches.latch(8, 12, observed=True)
    latches.agree(20)
    assert latches.at(np.array([15, 25])).tolist() == [9, 8]
    assert (latches.stated, latches.any) == (0, 8)
    latches.confirm(30)
    assert latches.any == 0
