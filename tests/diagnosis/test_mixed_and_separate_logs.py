"""What one mixed log or two separate ones can tell of clocks, queues and damage: simulated causes, told by the session."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from hubtack.diagnosis.episode import Finding
from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session
from hubtack.simulate.faults import FAULTS
from hubtack.simulate.session import Simulated, simulate
from hubtack.simulate.sky import GALILEO, GPS
from hubtack.simulate.world import World


def findings_of_mixed(result: Simulated) -> list[Finding]:
    """All findings of a session as one mixed log, in the order of arrival."""
    chunks = [(t, 1, data) for t, data in result.rover] + [(h.t_s, 0, h.data) for h in result.heard]
    session = Session(Setup(), LinkSetup(source_kind="mixed"), link_role="rover")
    session.expect("rover")
    session.feed(Chunk("rover", b"".join(data for _, _, data in sorted(chunks, key=lambda c: (c[0], c[1])))))
    session.close()
    return session.findings()


def findings_of_separate(result: Simulated) -> list[Finding]:
    """All findings of a session as two logs that are laid side by side by the time they speak of."""
    session = Session(Setup(has_corrections=True), LinkSetup(), by_content=True)
    session.expect("rover")
    session.expect("corrections")
    session.feed(Chunk("corrections", b"".join(h.data for h in result.heard)))
    session.end_source("corrections")
    session.feed(Chunk("rover", b"".join(data for _, data in result.rover)))
    session.close()
    return session.findings()


def test_damage_is_told_in_a_mixed_log_too() -> None:
    found = findings_of_mixed(simulate(["corrupt_frames"], "two_system", 558146065, 360, 1.0))
    assert found[0].code == "corrupt_frames"


@pytest.mark.parametrize("fault", ["link_saturated", "late_corrections"])
def test_a_queue_is_told_by_the_streams_time_where_the_receiver_says_no_age(fault: str) -> None:
    seed = {"link_saturated": 1459174191, "late_corrections": 432080583}[fault]
    found = findings_of_mixed(simulate([fault], "blank_age", seed, 400, 1.0))
    assert found[0].code == fault
    assert found[0].evidence["basis"] == "the rover's time beside the stream's"


STEP_AT_S = 60.0


def with_fault(monkeypatch: pytest.MonkeyPatch, apply: Callable[[World], None], seconds: int = 130) -> Simulated:
    """Some quiet minutes to which something of the test's own is done."""

    def fault(world: World, rng: np.random.Generator) -> None:
        apply(world)

    monkeypatch.setitem(FAULTS, "of_this_test", fault)  # type: ignore[misc]
    return simulate(["of_this_test"], "tidy", 5, seconds, 1.0)


@pytest.mark.parametrize("step_s", [11.0, 18.0, 37.0])
@pytest.mark.parametrize("read", [findings_of_mixed, findings_of_separate])
def test_a_clock_set_forward_is_told_from_a_silence_as_long(
    monkeypatch: pytest.MonkeyPatch, read: Callable[[Simulated], list[Finding]], step_s: float
) -> None:
    stepped = with_fault(monkeypatch, lambda w: w.receiver.clock_steps.append((STEP_AT_S, step_s)))
    first = read(stepped)[0]
    assert first.code == "clock_mismatch"
    assert first.evidence["step_s"] == pytest.approx(step_s, abs=1.1)
    silent = with_fault(monkeypatch, lambda w: w.receiver.silent.append((STEP_AT_S, STEP_AT_S + step_s)))
    assert read(silent)[0].code == "no_rover"


def test_systems_that_the_stream_lacks_explain_no_float_while_others_are_enough(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def two_systems_and_steel(world: World) -> None:
        world.base.systems = (GPS, GALILEO)
        world.sky.reflections.append((0.0, 1e9))

    found = findings_of_separate(with_fault(monkeypatch, two_systems_and_steel, seconds=200))
    assert [f.code for f in found[:2]] == ["stuck_float", "missing_system"]
    assert found[1].severity == "note" and not found[1].evidence["consequences"]


def test_a_base_that_sees_next_to_nothing_is_no_missing_system() -> None:
    found = findings_of_mixed(simulate(["few_common_satellites"], "untidy", 200852165, 300, 1.0))
    assert found[0].code == "few_common_satellites"


@pytest.mark.parametrize("off_s", [-29.0, 11.0])
def test_a_rover_whose_clock_was_never_right_is_told_by_the_bases_own_utc(
    monkeypatch: pytest.MonkeyPatch, off_s: float
) -> None:
    off = with_fault(monkeypatch, lambda w: w.receiver.clock_steps.append((0.0, off_s)))
    for read in (findings_of_separate, findings_of_mixed):
        found = read(off)
        assert found[0].code == "clock_mismatch"
        assert "link_stalled" not in {f.code for f in found}  # no silence at either end
        assert found[0].evidence["step_s"] == pytest.approx(off_s, abs=2.1)


def test_a_base_whose_two_clocks_disagree_is_the_one_that_is_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    def set_off(world: World) -> None:
        world.base.clock_off_s = 18.0

    found = findings_of_separate(with_fault(monkeypatch, set_off))
    assert found[0].code == "base_clock" and "1013" in found[0].summary


def test_a_log_with_an_epoch_every_few_seconds_is_told_as_a_note(monkeypatch: pytest.MonkeyPatch) -> None:
    def seldom(world: World) -> None:
        world.rate_hz = 0.25

    found = findings_of_separate(with_fault(monkeypatch, seldom))
    assert [(f.code, f.severity) for f in found] == [("rover_fields", "note")]
    assert "one every 4 s in this log" in found[0].summary
