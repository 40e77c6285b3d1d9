"""Episodes to findings: effects under their causes, causes in order, figures that add up."""

from __future__ import annotations

from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.fold import MOST_EPISODES, fill, findings_of
from hubtack.documents.finding import finding_document
from hubtack.engine.axis import SessionAxis
from hubtack.knowledge.explains import EXPLAINS

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


def test_lead_and_tail_are_seconds_and_their_ends_count() -> None:
    lead_s, tail_s = EXPLAINS["few_satellites"]["suspect_fix"]
    assert lead_s > 0 and tail_s > 0
    for start_s, folded in (
        (100 - lead_s, True),
        (100 - lead_s - 0.1, False),
        (160 + tail_s, True),
        (160 + tail_s + 0.1, False),
    ):
        found = findings_of([episode("few_satellites", 100, 160), episode("suspect_fix", start_s, 400)], 500 * S)
        assert ("suspect_fix" not in [f.code for f in found]) is folded, start_s


def test_a_cause_that_goes_on_explains_what_starts_while_it_does() -> None:
    still = [episode("few_satellites", 100, None), episode("suspect_fix", 900, 950)]
    assert [f.code for f in findings_of(still, 1000 * S)] == ["few_satellites"]
    # Seen at a moment long before the effect, the cause had reached no farther than that.
    _, tail_s = EXPLAINS["few_satellites"]["suspect_fix"]
    assert len(findings_of(still, round((900 - tail_s - 1) * S))) == 2


def test_a_chain_goes_on_from_the_episode_that_explained_and_from_no_other() -> None:
    # The stall at 2000 s has the corrupt frames; that at 100 s, which explains the float, has nothing before it.
    episodes = [
        episode("link_stalled", 100, 160), episode("stuck_float", 150, 300),
        episode("corrupt_frames", 1990, 2100), episode("link_stalled", 2000, 2060),
    ]  # fmt: skip
    found = {f.code: f for f in findings_of(episodes, 3000 * S)}
    assert {c["code"] for c in found["link_stalled"].evidence["consequences"]} == {"stuck_float"}
    assert {c["code"] for c in found["corrupt_frames"].evidence["consequences"]} == {"link_stalled"}


def test_an_open_chain_ends_at_its_root() -> None:
    episodes = [
        episode("corrupt_frames", 90, None), episode("link_stalled", 500, None), episode("stuck_float", 900, None),
    ]  # fmt: skip
    found = findings_of(episodes, 1000 * S)
    assert [f.code for f in found] == ["corrupt_frames"]


def test_of_several_causes_the_first_of_the_table_has_the_effect() -> None:
    # Both explain the float. The table names the dropped link before the satellites.
    order = list(EXPLAINS)
    assert order.index("link_stalled") < order.index("few_satellites")
    episodes = [
        episode("few_satellites", 100, 200),
        episode("link_stalled", 100, 200),
        episode("stuck_float", 150, 300),
    ]
    found = {f.code: f for f in findings_of(episodes, 400 * S)}
    assert found["link_stalled"].evidence["consequences"] and not found["few_satellites"].evidence["consequences"]


def test_severities_are_compared_by_weight_and_not_by_their_letters() -> None:
    # "note" comes before "stop" and "warn" in a dictionary.
    group = [episode("link_stalled", 0, 20, severity="note"), episode("link_stalled", 50, 90, severity="warn")]
    assert findings_of(group, 100 * S)[0].severity == "warn"
    group = [episode("link_stalled", 0, 20, severity="warn"), episode("link_stalled", 50, 90, severity="stop")]
    assert findings_of(group, 100 * S)[0].severity == "stop"


def test_the_longest_episode_gives_the_figures() -> None:
    group = [
        episode("link_stalled", 0, 50, evidence={"bytes": 1}),
        episode("link_stalled", 100, 190, evidence={"bytes": 2}),
        episode("link_stalled", 300, 330, evidence={"bytes": 3}),
    ]
    assert findings_of(group, 400 * S)[0].evidence["bytes"] == 2


def test_the_times_of_a_finding_are_those_of_its_episodes() -> None:
    closed = findings_of([episode("link_stalled", 10, 90), episode("link_stalled", 20, 50)], 400 * S)[0]
    assert (closed.start_ns, closed.end_ns, closed.open_at_end) == (10 * S, 90 * S, False)
    assert closed.evidence["episodes"] == [
        {"start_ns": 10 * S, "end_ns": 90 * S},
        {"start_ns": 20 * S, "end_ns": 50 * S},
    ]
    still = findings_of([episode("link_stalled", 10, 90), episode("link_stalled", 100, None)], 400 * S)[0]
    assert (still.end_ns, still.open_at_end, still.evidence["longest_s"]) == (None, True, 300.0)


def test_a_subject_stands_in_the_evidence_only_where_there_is_one() -> None:
    with_one = findings_of([episode("rover_fields", 0, 9, subject="GST")], 10 * S)[0]
    without = findings_of([episode("link_stalled", 0, 9)], 10 * S)[0]
    assert with_one.evidence["subject"] == "GST" and "subject" not in without.evidence


def test_a_number_is_rounded_to_what_a_person_reads() -> None:
    read = {v: fill("{x}", {"x": v}) for v in (100.0, 100.4, -100.6, 99.96, 10.0, 10.04, 10.96, 9.996, 9.94, 0.01234)}
    assert read == {
        100.0: "100", 100.4: "100", -100.6: "-101", 99.96: "100.0", 10.0: "10.0", 10.04: "10.0", 10.96: "11.0",
        9.996: "10", 9.94: "9.94", 0.01234: "0.0123",
    }  # fmt: skip
    assert fill("{x} {y}", {"x": None, "y": "word"}) == "? word"


def test_a_cause_that_explains_only_through_another_is_still_the_root() -> None:
    # A wrong computer clock makes the base's look wrong, and that a stall; the clock itself explains no stall.
    assert "link_stalled" not in EXPLAINS["computer_clock"] and "link_stalled" in EXPLAINS["base_clock"]
    for end_s in (None, 900):
        episodes = [
            episode("computer_clock", 0, end_s), episode("base_clock", 0, end_s), episode("link_stalled", 100, 160),
        ]  # fmt: skip
        found = findings_of(episodes, 1000 * S)
        assert [f.code for f in found] == ["computer_clock"]
        assert [c["code"] for c in found[0].evidence["consequences"]] == ["base_clock", "link_stalled"]


def test_an_episode_that_explains_nothing_does_not_hide_the_next_one() -> None:
    only_a_note = episode("few_satellites", 90, 200, explains=False)
    effect = episode("suspect_fix", 120, 140)
    assert {f.code for f in findings_of([only_a_note, effect], 300 * S)} == {"few_satellites", "suspect_fix"}
    both = [only_a_note, episode("few_satellites", 100, 200), effect]
    assert [f.code for f in findings_of(both, 300 * S)] == ["few_satellites"]


def test_what_has_proof_of_its_own_is_nobodys_effect_and_what_is_slight_explains_nothing() -> None:
    cause = episode("periodic_loss", 0, None)
    assert [f.code for f in findings_of([cause, episode("clock_mismatch", 0, None)], 400 * S)] == ["periodic_loss"]
    proven = episode("clock_mismatch", 0, None, stands_alone=True)
    assert {f.code for f in findings_of([cause, proven], 400 * S)} == {"periodic_loss", "clock_mismatch"}
    slight, effect = episode("missing_system", 0, None, explains=False), episode("stuck_float", 10, None)
    assert {f.code for f in findings_of([slight, effect], 400 * S)} == {"missing_system", "stuck_float"}
