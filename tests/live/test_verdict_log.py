"""The verdict log: chained, private, shared by several writers, and honest about what was changed."""

from __future__ import annotations

import datetime as dt
import json
import stat
from pathlib import Path
from typing import Any

import pytest

from hubtack.live.verdict_log import VerdictLog, read_verdict_log


class Clock:
    def __init__(self) -> None:
        self.at = dt.datetime(2026, 3, 2, 7, 0, tzinfo=dt.UTC)

    def __call__(self) -> dt.datetime:
        return self.at

    def wait(self, seconds: float) -> None:
        self.at += dt.timedelta(seconds=seconds)


def shown(verdict: str, *reasons: str) -> dict[str, Any]:
    return {"verdict": verdict, "reasons": list(reasons), "tolerance_95_m": {"vertical": 0.05, "horizontal": 0.075},
            "utc": "2026-03-02T07:00:00Z", "clearance_m": None, "checked": None}  # fmt: skip


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def log(tmp_path: Path, clock: Clock) -> VerdictLog:
    return VerdictLog(tmp_path / "verdicts.jsonl", "abc", "Digger 7", now=clock)


def test_time_in_each_verdict_is_what_was_shown(log: VerdictLog, clock: Clock) -> None:
    for seconds, verdict in ((0, "HOLD"), (20, "GRADE"), (30, "ROUGH"), (10, "GRADE")):
        clock.wait(seconds)
        log.show(shown(verdict))
    got = read_verdict_log(log.path)
    assert (got.hold_s, got.grade_s, got.rough_s) == (20, 30, 10)
    assert got.broken_at is None
    assert got.lines == 4


def test_a_verdict_that_stays_is_written_once_a_minute(log: VerdictLog, clock: Clock) -> None:
    for _ in range(301):
        log.show(shown("GRADE"))
        clock.wait(1)
    assert read_verdict_log(log.path).lines == 6


def test_what_was_not_shown_is_not_counted(log: VerdictLog, clock: Clock) -> None:
    log.show(shown("GRADE"))
    clock.wait(3600)
    log.show(shown("HOLD"))
    assert read_verdict_log(log.path).grade_s == 90


def test_only_the_stretch_asked_for_is_counted(log: VerdictLog, clock: Clock) -> None:
    log.show(shown("GRADE"))
    clock.wait(60)
    log.show(shown("HOLD"))
    got = read_verdict_log(log.path, "2026-03-02T07:00:20Z", "2026-03-02T07:00:50Z")
    assert got.grade_s == 30


@pytest.mark.parametrize("tamper", ["change", "remove", "insert", "swap"])
def test_tampering_breaks_the_chain_where_it_was_done(log: VerdictLog, clock: Clock, tamper: str) -> None:
    for verdict in ("HOLD", "GRADE", "HOLD", "GRADE", "HOLD"):
        log.show(shown(verdict))
        clock.wait(30)
    lines = log.path.read_text().splitlines(keepends=True)
    if tamper == "change":
        lines[1] = lines[1].replace("GRADE", "HOLD")
    elif tamper == "remove":
        del lines[2]
    elif tamper == "insert":
        lines.insert(2, lines[1])
    else:
        lines[1], lines[2] = lines[2], lines[1]
    log.path.write_text("".join(lines))
    broken = read_verdict_log(log.path).broken_at
    assert broken is not None
    assert broken <= 3


def test_a_line_cut_short_by_a_loss_of_power_costs_itself_only(log: VerdictLog, clock: Clock) -> None:
    log.show(shown("HOLD"))
    clock.wait(10)
    log.show(shown("GRADE"))
    log.path.write_bytes(log.path.read_bytes()[:-40])
    clock.wait(10)
    log.show(shown("HOLD"))
    got = read_verdict_log(log.path)
    assert got.lines == 3
    assert got.broken_at == 2
    assert json.loads(log.path.read_bytes().splitlines()[-1])["verdict"] == "HOLD"


def test_two_writers_share_one_chain(log: VerdictLog, clock: Clock) -> None:
    other = VerdictLog(log.path, "abc", "Digger 8", now=clock)
    for _ in range(5):
        log.show(shown("GRADE"))
        other.show(shown("HOLD"))
        clock.wait(61)
    assert read_verdict_log(log.path).broken_at is None


def test_the_file_is_private(log: VerdictLog) -> None:
    log.show(shown("HOLD"))
    assert stat.S_IMODE(log.path.stat().st_mode) == 0o600


def test_a_log_that_cannot_be_written_is_said_and_stops_nothing(tmp_path: Path, clock: Clock) -> None:
    log = VerdictLog(tmp_path / "missing" / "verdicts.jsonl", now=clock)
    log.show(shown("HOLD"))
    assert log.failed is not None
    assert "missing" in log.failed


def test_names_cannot_break_a_line(log: VerdictLog) -> None:
    log.machine = 'Digger\n{"verdict": "GRADE"}\x1b[31m'
    log.show(shown("HOLD"))
    raw = log.path.read_bytes()
    assert raw.count(b"\n") == 1
    assert b"\x1b" not in raw
