"""The tables of the diagnosis: complete, acyclic, and every sentence can be filled."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.fold import fill, findings_of
from hubtack.knowledge.explains import EXPLAINS
from hubtack.knowledge.findings import BY_CODE, FINDINGS
from hubtack.knowledge.job_classes import JOB_CLASSES
from hubtack.knowledge.limits import LIMITS
from hubtack.knowledge.reasons import REASONS, settle_bits

S = 1_000_000_000


def test_every_effect_and_cause_is_a_finding_and_nothing_explains_itself_round_a_circle() -> None:
    def walk(code: str, path: tuple[str, ...]) -> None:
        assert code not in path, " -> ".join((*path, code))
        for effect in EXPLAINS.get(code, {}):
            assert effect in BY_CODE
            walk(effect, (*path, code))

    for cause in EXPLAINS:
        assert cause in BY_CODE
        walk(cause, ())


@pytest.mark.parametrize("rule", FINDINGS, ids=lambda r: r.code)
def test_every_finding_says_what_to_do_and_where_it_is_from(rule) -> None:  # type: ignore[no-untyped-def]
    assert rule.next_steps
    assert rule.source
    assert "{" not in fill(rule.summary, {})


def test_codes_and_keys_are_unique_and_each_limit_has_a_source() -> None:
    for table, key in ((FINDINGS, "code"), (LIMITS, "key"), (REASONS, "code"), (JOB_CLASSES, "key")):
        names = [getattr(row, key) for row in table]
        assert len(names) == len(set(names))
    assert all(limit.source and limit.effect for limit in LIMITS)


def test_every_hold_reason_that_can_end_has_a_settling_time() -> None:
    settled = settle_bits("settle_fix_s") | settle_bits("settle_age_s") | settle_bits("settle_jump_s")
    from hubtack.knowledge.reasons import BIT

    for reason in REASONS:
        if reason.caps == "HOLD" and reason.code not in ("settling", "error_too_large"):
            assert BIT[reason.code] & settled, reason.code


def test_an_effect_is_folded_into_its_cause_and_its_hold_time_counts_for_the_cause() -> None:
    stall = Episode("link_stalled", 100 * S, 170 * S, severity="warn")
    floating = Episode("stuck_float", 150 * S, 300 * S, hold_ns=120 * S, severity="stop")
    found = findings_of([floating, stall], 400 * S)
    assert [f.code for f in found] == ["link_stalled"]
    assert found[0].hold_ns == 120 * S
    assert found[0].evidence["consequences"][0]["code"] == "stuck_float"


def test_what_begins_long_after_a_cause_is_no_effect_of_it() -> None:
    stall = Episode("link_stalled", 100 * S, 170 * S, severity="warn")
    floating = Episode("stuck_float", 900 * S, 1200 * S, severity="stop")
    assert [f.code for f in findings_of([floating, stall], 1300 * S)] == ["stuck_float", "link_stalled"]


def test_findings_are_ranked_by_severity_then_by_the_hold_time_they_own() -> None:
    episodes = [
        Episode("rover_fields", 0, None), Episode("heading_lost", 0, 50 * S, hold_ns=50 * S, severity="stop"),
        Episode("frozen_position", 100 * S, 300 * S, hold_ns=200 * S, severity="stop"),
    ]  # fmt: skip
    assert [f.code for f in findings_of(episodes, 400 * S)] == ["frozen_position", "heading_lost", "rover_fields"]


def test_many_episodes_are_counted_and_twenty_are_listed() -> None:
    episodes = [Episode("link_stalled", i * 1000 * S, (i * 1000 + 20) * S) for i in range(50)]
    finding = findings_of(episodes, 60_000 * S)[0]
    assert finding.evidence["count"] == 50
    assert len(finding.evidence["episodes"]) == 20


def test_the_engine_keeps_to_whole_arrays_and_integers() -> None:
    """Bits must not depend on the cut: no ``math`` on rows, no nan-reductions in what judges them."""
    source = Path(__file__).parents[2] / "src/hubtack/engine"
    for name in ("quantities.py", "judge.py"):
        text = (source / name).read_text()
        assert not re.search(r"\bmath\.|np\.nan(mean|sum|std|median|max|min)\b", text), name
