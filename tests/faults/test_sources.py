"""Sources that die, stall, drip, flood, restart or change their speed, through the live loop on a hand-moved clock."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest
from tests.rover_text import LAT_DEG, gga, gst, wobble

from hubtack.engine.judge import HOLD, VERDICTS, standing
from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.live.run import LiveRun
from hubtack.readers.chunk import Chunk, Event, Notice, SourceState
from hubtack.session.session import Session

SETUP = Setup(assumed_baseline_m=1000.0, has_arrival=True)
START_MS = 36_000_000
UTC_0_NS = 1_790_000_000 * 10**9


class Script:
    """Events at their seconds; waiting moves the clock, so that an hour passes at once."""

    def __init__(self, events: list[tuple[float, Event | bytes]], until_s: float) -> None:
        self.now_s = 0.0
        self.until_s = until_s
        self._events = events
        self._next = 0

    def mono(self) -> float:
        return self.now_s

    @property
    def done(self) -> bool:
        return self.now_s >= self.until_s

    def events(self, timeout_s: float) -> Iterator[Event]:
        end_s = self.now_s + max(timeout_s, 1e-3)
        if self._next < len(self._events) and self._events[self._next][0] <= end_s:
            while self._next < len(self._events) and self._events[self._next][0] <= end_s:
                at_s, event = self._events[self._next]
                self.now_s = max(self.now_s, at_s)
                self._next += 1
                ns = int(self.now_s * 1e9)
                yield Chunk("rover", event, UTC_0_NS + ns, ns) if isinstance(event, bytes) else event
        else:
            self.now_s = end_s


def epoch(second: int, quality: int = 4) -> bytes:
    tod = START_MS + second * 1000
    return gga(tod, quality=quality, lat_deg=LAT_DEG + wobble(second)) + gst(tod)


def shown(events: list[tuple[float, Event | bytes]], until_s: float) -> dict[float, str]:
    """What a screen that looks four times a second says, by the clock."""
    session = Session(SETUP, LinkSetup(has_arrival=True), link_role="rover")
    session.expect("rover")
    script = Script(sorted(events, key=lambda e: e[0]), until_s)
    seen: dict[float, str] = {}

    def look(elapsed_ns: int, partial: bool) -> bool:
        peeked = session.peek(allow_partial=partial)
        track = peeked[1] if peeked is not None else session.rover.track
        seen[script.now_s] = VERDICTS[standing(track, elapsed_ns, SETUP).verdict]
        return True

    LiveRun(session, script, lambda rows: None, look, for_s=until_s, mono=script.mono).loop()
    return seen


def between(seen: dict[float, str], from_s: float, to_s: float) -> set[str]:
    return {word for at_s, word in seen.items() if from_s <= at_s < to_s}


GOOD = [(float(i), epoch(i)) for i in range(30)]


def test_a_source_that_dies_or_stalls_is_hold_within_the_stale_limit() -> None:
    for how in (SourceState.FAILED, SourceState.ENDED, None):
        notice: list[tuple[float, Event | bytes]] = [] if how is None else [(29.1, Notice("rover", how, "gone"))]
        seen = shown([*GOOD, *notice], 60.0)
        assert between(seen, 12, 29) == {"GRADE"}
        assert between(seen, 29.0 + 3.3, 60) == {"HOLD"}, how


def test_a_source_that_comes_back_settles_before_it_is_graded() -> None:
    later = [(float(i), epoch(i)) for i in range(45, 75)]
    seen = shown([*GOOD, *later], 75.0)
    assert between(seen, 33, 54.5) == {"HOLD"}
    assert between(seen, 56, 74) == {"GRADE"}


def test_a_receiver_that_restarts_is_held_until_it_has_settled() -> None:
    anew = [(40.0 + i, epoch(40 + i, quality=4 if i > 5 else 0)) for i in range(50)]
    seen = shown([*GOOD, *anew], 90.0)
    assert between(seen, 33, 55.5) == {"HOLD"}
    assert seen[max(seen)] == "GRADE"


def test_a_receiver_that_goes_on_in_the_past_is_not_believed() -> None:
    # Its rows may be a buffer of old ones: only a person can tell, by starting Hubtack anew.
    past = [(30.0 + i, epoch(i - 600)) for i in range(60)]
    seen = shown([*GOOD, *past], 90.0)
    assert between(seen, 30.3, 90) == {"HOLD"}


def test_drops_of_single_bytes_say_the_same_as_whole_sentences() -> None:
    drops = [(at_s + i * 2e-3, data[i : i + 1]) for at_s, data in GOOD[:15] for i in range(len(data))]
    assert between(shown(drops, 15.0), 12, 15) == between(shown(GOOD, 15.0), 12, 15) == {"GRADE"}


@pytest.mark.parametrize("seed", range(1))
def test_a_flood_of_noise_between_epochs_hides_none_of_them(seed: int) -> None:
    rng = random.Random(seed)
    noise = [(i + 0.5, rng.randbytes(20_000) + b"\r\n" + b"\0" * 1100) for i in range(30)]
    seen = shown([*GOOD, *noise], 30.0)
    assert between(seen, 13, 29) == {"GRADE"}


def test_a_port_that_changes_its_speed_is_hold_within_the_stale_limit() -> None:
    rng = random.Random(5)
    garbage = [(float(i), bytes(b & rng.randrange(256) | 0x80 for b in epoch(i))) for i in range(30, 50)]
    seen = shown([*GOOD, *garbage], 50.0)
    assert between(seen, 12, 29) == {"GRADE"}
    assert between(seen, 32.3, 50) == {"HOLD"}


def test_a_source_that_floods_old_epochs_after_a_pause_is_never_graded_on_them() -> None:
    flood = [(60.0, b"".join(epoch(i) for i in range(30, 56)))]
    seen = shown([*GOOD, *flood], 62.0)
    assert between(seen, 33, 62) == {"HOLD"}


def test_no_source_at_all_is_hold() -> None:
    seen = shown([], 20.0)
    assert between(seen, 0, 20) == {VERDICTS[HOLD]}
