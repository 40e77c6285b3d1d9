"""The operator's screen at any size: nothing that matters is cut, and no line is wider than the screen."""

from __future__ import annotations

import dataclasses
import math
import re

import pytest
from rich.cells import cell_len

from hubtack.diagnosis.episode import Finding
from hubtack.engine.judge import VERDICTS, Standing
from hubtack.knowledge.findings import BY_CODE as FINDINGS_BY_CODE
from hubtack.knowledge.fix_types import FIXED
from hubtack.knowledge.reasons import BIT, REASONS
from hubtack.knowledge.screen_words import FOOT, KEYS, WORDS
from hubtack.session.snapshot import HistoryPoint, LinkLine, Snapshot
from hubtack.units import UNITS
from hubtack.views.dashboard import Dashboard
from hubtack.views.dashboard_rows import span
from hubtack.views.letters import word_rows

S = 1_000_000_000
LONG = "x" * 60


def finding(code: str = "two_bases", severity: str = "stop") -> Finding:
    rule = FINDINGS_BY_CODE[code]
    return Finding(code, severity, 0, None, rule.summary, {}, rule.next_steps)  # type: ignore[arg-type]


def snapshot(word: str = "GRADE", reasons: tuple[str, ...] = (), **figures: object) -> Snapshot:
    bits = sum(BIT[code] for code in reasons)
    given: dict[str, object] = {
        "time_ns": 600 * S, "utc": "2026-03-02T10:10:00Z", "clock": "10:10:00",
        "standing": Standing(VERDICTS.index(word), bits, 0, 0.0, 1.0), "verdict_since_utc": None,
        "next_step": "dig to grade; check on a control mark twice a day", "fix": FIXED, "fix_for_s": 11_000.0,
        "age_s": 1.2, "baseline_m": 12_654.8, "baseline_bearing_deg": 274.4, "up_from_base_m": -4.0,
        "heading_deg": 269.9, "heading_sigma_deg": 0.1, "heading_required": True, "edge_vertical_95_m": 0.0447,
        "edge_horizontal_95_m": 0.0512, "tolerance_vertical_95_m": 0.05, "tolerance_horizontal_95_m": 0.1,
        "job_class": "trench", "best_vertical_95_m": 0.044, "best_possible": "GRADE",
        "shares_vertical_m": (0.017, 0.002, 0.001, 0.0077, 0.013, 0.0289, 0.004), "sigma_along_m": 0.016,
        "sigma_across_m": 0.024, "satellites": 28.0, "hdop": 0.5, "pdop": 0.93, "base_id": 4011, "base_computed": False,
        "link": LinkLine(7_120.0, 21_430, 128, 0.4, "corrections"), "pdop_computed": 1.04,
        "sectors": (12.0, 3.0, 3.0, 12.0, 2.0, 5.0, 12.0, 5.0),
        "sky": "sky 12 h ####?#????????????  good until 02:29, poor from 03:10 (PDOP 7.2), not known from 04:29",
        "history": tuple(HistoryPoint(i * S, i % 3, FIXED, i % 13, 0.04) for i in range(600)),
    }  # fmt: skip
    return Snapshot(**{**given, **figures})  # type: ignore[arg-type]


def text_of(snap: Snapshot, width: int = 80, height: int = 24, **how: object) -> list[str]:
    board = Dashboard(snap, how.pop("unit", UNITS["m"]), **how)  # type: ignore[arg-type]
    return ["".join(part.text for part in line) for line in board.lines(width, height)]


def said(lines: list[str]) -> str:
    """All that is on the screen, whatever line it stands on."""
    return re.sub(r"\s+", " ", " ".join(lines))


UNKNOWN = (
    "age_s", "baseline_m", "heading_deg", "edge_vertical_95_m", "edge_horizontal_95_m", "sigma_along_m", "satellites",
    "hdop", "pdop", "pdop_computed", "fix_for_s",
)  # fmt: skip
HARD = {
    "good": snapshot(),
    "every reason": snapshot("HOLD", tuple(r.code for r in REASONS)),
    "rough without a class": snapshot("ROUGH", ("edge_vertical",), job_class=None, edge_vertical_95_m=0.1551),
    "equipment": snapshot("ROUGH", ("edge_vertical", "long_baseline"), best_possible="ROUGH"),
    "nothing known": snapshot("HOLD", ("no_rover",), **dict.fromkeys(UNKNOWN, math.nan), history=(), sectors=(), sky="",
                              link=LinkLine(), clock="-", base_id=None),
    "far off": snapshot("HOLD", ("edge_horizontal",), edge_horizontal_95_m=3_612.4, baseline_m=1_234_567.0),
    "findings": snapshot("HOLD", ("latched_two_bases",), findings=tuple(finding(c) for c in FINDINGS_BY_CODE)),
    "a source that fails": snapshot(
        "HOLD", ("no_rover",), notices={"rover": f"ntrip://caster.example:2101/{LONG}: connection refused; again in 8 s"},
        link=LinkLine(state="the caster closed the line after 3 s, for the fourth time; next try in 16 s"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("unit", UNITS.values(), ids=UNITS)
@pytest.mark.parametrize("snap", HARD.values(), ids=HARD)
def test_no_line_is_wider_than_the_screen_and_no_page_taller(snap: Snapshot, unit: object) -> None:
    for width, height in ((40, 12), (60, 20), (72, 24), (80, 24), (100, 30), (120, 40), (200, 50)):
        for page in ("state", "findings", "keys"):
            for block in (True, False):
                lines = text_of(
                    snap, width, height, unit=unit, page=page, block=block, title=LONG, keys="? keys  q end   bell on"
                )
                assert len(lines) == height
                assert max(cell_len(line) for line in lines) <= width, (width, page)


@pytest.mark.parametrize("unit", UNITS.values(), ids=UNITS)
@pytest.mark.parametrize("name", HARD)
def test_verdict_tolerance_reason_next_step_and_caution_are_whole_at_80_by_24(name: str, unit: object) -> None:
    snap = HARD[name]
    lines = text_of(snap, unit=unit)
    shown = said(lines)
    assert [line.strip() for line in lines[:5]] == [line.strip() for line in word_rows(snap.standing.word, block=True)]
    assert "at 95 %" in shown and ("trench" in shown) and "NOT CHECKED" in shown
    assert ("no job class set" in shown) is (snap.job_class is None)
    assert f"next: {snap.next_step}" in shown
    assert FOOT in shown
    assert "edge height" in shown and "edge plan" in shown


def test_figures_that_do_not_fit_a_half_go_below_one_another_and_are_whole() -> None:
    shown = said(text_of(HARD["far off"], unit=UNITS["ft_us"]))
    assert "baseline 4,050,409 ftUS to base 4011, 274°" in shown
    assert "ABOVE 0.33 ftUS" in shown


def test_a_link_that_tells_much_is_told_whole() -> None:
    lines = text_of(HARD["a source that fails"], 80, 30)
    assert HARD["a source that fails"].link.state in said(lines)
    assert "connection refused; again in 8 s" in said(lines)
    assert any(line.startswith("source ntrip://") for line in lines)


def test_two_columns_stand_side_by_side_where_they_fit() -> None:
    lines = text_of(snapshot())
    (age,) = (line for line in lines if line.startswith("age         1.2 s"))
    assert age.index("edge height") == 40
    assert any(line.startswith("satellites  28, HDOP 0.5") and "0.9 (worked out 1.0)" in line for line in lines)


def test_the_sector_ahead_is_marked_and_the_mark_is_explained_beside_it() -> None:
    lines = text_of(snapshot(heading_deg=269.9))
    (sky,) = (line for line in lines if line.startswith("sky"))
    assert sky.startswith("sky ^ ahead ") and "SW-W^5" in sky and "NW-N 5" in sky
    (sky,) = (line for line in text_of(snapshot(heading_deg=math.nan)) if line.startswith("sky"))
    assert "^" not in sky


def test_a_finding_is_on_the_screen_before_the_strips_are() -> None:
    snap = dataclasses.replace(HARD["findings"], findings=(finding(), finding("late_corrections", "warn")))
    lines = text_of(snap)
    (at,) = (i for i, line in enumerate(lines) if line.startswith("STOP"))
    assert lines[at - 1].startswith("-- findings: 2 ---")  # not all of them are on the screen
    assert said(lines[at + 1 : at + 2]).startswith(" do: ")


def test_findings_in_full_say_how_many_lines_are_left() -> None:
    whole = text_of(HARD["findings"], 100, 2000, page="findings")
    assert all(step in said(whole) for step in FINDINGS_BY_CODE["two_bases"].next_steps)
    cut = text_of(HARD["findings"], 100, 40, page="findings")
    (more,) = (line for line in cut if "lines more" in line)
    full = [line for line in whole if line.strip()]
    assert int(re.findall(r"\d+", more)[0]) == len(full) - len([line for line in cut if line.strip()]) + 1


def test_the_page_of_keys_explains_every_key_and_every_label() -> None:
    shown = text_of(snapshot(), 80, 60, page="keys")
    for key in KEYS:
        assert any(line.startswith(f"{key.key:<12}") for line in shown)
    explained = {word.label for word in WORDS}
    lines = text_of(snapshot(), 60, 60)
    (top,) = (i for i, line in enumerate(lines) if line.startswith("-- "))
    rows = [line for line in lines[top + 1 : -2] if line[12:].strip()]
    labels = {line[:12].removesuffix("^ ahead ").strip() for line in rows} - {""}
    assert labels - explained == {"link", "satellites", "verdict"}


def test_the_word_is_as_large_as_the_screen_allows() -> None:
    for word in VERDICTS:
        heights = {}
        for width, height in ((80, 24), (120, 40), (200, 50)):
            lines = text_of(snapshot(word), width, height)
            inked = [line for line in lines[: height // 3] if "█" in line]
            heights[width] = len(inked)
            assert max(line.rstrip().rindex("█") - line.index("█") for line in inked) >= 0.4 * width
        assert heights == {80: 5, 120: 10, 200: 15}


def test_on_a_screen_of_three_lines_the_word_is_left() -> None:
    assert said(text_of(snapshot("HOLD"), 20, 2)).strip() == "HOLD"


@pytest.mark.parametrize(("seconds", "text"), [
    (0.4, "0 s"), (59.9, "59 s"), (60, "1 min 00 s"), (3_599, "59 min 59 s"), (3_600, "1 h 00 min"), (-5, "0 s"),
])  # fmt: skip
def test_a_span_is_in_its_two_largest_units(seconds: float, text: str) -> None:
    assert span(seconds) == text


def test_where_rows_are_wanting_the_legend_goes_first_and_time_and_figures_stay() -> None:
    snap = dataclasses.replace(HARD["findings"], findings=(finding(),))
    lines = text_of(snap, 80, 22)
    assert any(line.startswith("-- 10:10:00 UTC  RTK fixed") for line in lines)
    assert any(line.startswith("age         1.2 s") for line in lines)
    assert not any("last 10 min" in line for line in lines)
    assert any("last 10 min" in line for line in text_of(snap, 80, 40))


def test_a_long_next_step_is_whole_on_a_narrow_screen() -> None:
    step = "find the second transmitter or change the channel, then check on a control mark before digging to grade"
    assert f"next: {step}" in said(text_of(snapshot("HOLD", ("latched_two_bases",), next_step=step), 60, 24))
