"""Episodes to findings: effects under their causes, causes in order, figures that add up."""

from __future__ import annotations

from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.fold import MOST_EPISODES, fill, findings_of
from hubtack.documents.finding import finding_document
from hubtack.engine.axis import SessionAxis

S = 1_000_000_000


def episode(code: str, start_s: float, end_s: float | None, **kwargs: object) -> Episode:
    return Episode(code, round(start_s * S), None if end_s is None else round(end_s * S), **kwargs)  # type: ignore[arg-type]


def test_an_effect_that_starts_within_its_cause_is_folded_into_it() -> None:
    found = findings_of([episode("stuck_float", 130, 300), episode("link_stalled", 100, 160)], 400 * S)
    assert [f.code for f in found] == ["link_stalled"]
    assert found[0].evidence["consequences"] == [{"code": "stuck_float", "start_ns": 130 * S, "end_ns": 300 * S}]


def test_an_effect_far_from_its_cause_stands_alone() -> None:
    found = findings_of([episode("stuck_float", 2000, 2300), episode("link_stalled", 100, 160)], 2400 * S)
    assert {f.code for f in found} == {"stuck_float", "link_stalled"}


def test_a_chain_ends_at_its_root() -> None:
    episodes = [
        episode("corrupt_frames", 90, 200), episode("link_stalled", 100, 160), episode("stuck_float", 150, 300),
    ]  # fmt: skip
    found = findings_of(episodes, 400 * S)
    assert [f.code for f in found] == ["corrupt_frames"]
    assert {c["code"] for c in found[0].evidence["consequences"]} == {"link_stalled", "stuck_float"}


def test_a_cause_owns_the_hold_time_of_its_effects_and_ranks_by_it() -> None:
    episodes = [
        episode("link_stalled", 100, 160, severity="stop", hold_ns=5 * S),
        episode("stuck_float", 150, 300, hold_ns=100 * S),
        episode("heading_lost", 1000, 1050, severity="stop", hold_ns=50 * S),
        episode("antenna_unknown", 0, None),
    ]
    found = findings_of(episodes, 2000 * S)
    assert [f.code for f in found] == ["link_stalled", "heading_lost", "antenna_unknown"]
    assert found[0].hold_ns == 105 * S


def test_one_finding_a_code_and_subject_with_figures_of_all_its_episodes() -> None:
    episodes = [episode("link_stalled", 100 * i, 100 * i + 10 + i) for i in range(30)]
    episodes += [episode("rover_fields", 0, None, subject="GST"), episode("rover_fields", 0, None, subject="age")]
    found = {(f.code, f.subject): f for f in findings_of(episodes, 4000 * S)}
    assert set(found) == {("link_stalled", ""), ("rover_fields", "GST"), ("rover_fields", "age")}
    evidence = found["link_stalled", ""].evidence
    assert evidence["count"] == 30 and evidence["longest_s"] == 39.0
    assert evidence["total_s"] == sum(10 + i for i in range(30))
    assert len(evidence["episodes"]) == MOST_EPISODES
    assert found["rover_fields", "GST"].open_at_end and found["rover_fields", "GST"].end_ns is None


def test_the_gravest_episode_gives_the_severity_and_the_table_its_floor() -> None:
    found = findings_of([episode("link_stalled", 0, 20), episode("link_stalled", 50, 90, severity="stop")], 100 * S)
    assert found[0].severity == "stop"
    assert findings_of([episode("link_stalled", 0, 20)], 100 * S)[0].severity == "warn"


def test_a_figure_that_is_missing_reads_as_a_question_mark() -> None:
    assert fill("{a} of {b}, {c}", {"a": 3, "c": float("nan")}) == "3 of ?, ?"
    assert fill("{x}", {"x": 1234.56}) == "1235" and fill("{x}", {"x": [7, 412]}) == "7, 412"


def test_a_document_has_no_nanoseconds_and_nothing_that_could_harm_a_screen() -> None:
    axis = SessionAxis()
    axis.learn_date(20_000, 0, "given")
    bad = episode("wrong_base", 10, None, evidence={"why": "station \x1b[2J"}, subject="\x1b]0;x\x07")
    text = finding_document(findings_of([bad], 60 * S)[0], axis)
    assert "\x1b" not in repr(text).replace("\\x1b", "\x1b") and "_ns" not in repr(text)
    assert text["start_utc"] == "2024-10-04T00:00:10Z" and text["end_utc"] is None
