"""A pause among a session's first rows is silence, live as in a log: it must not excuse itself as a slow rover."""

from __future__ import annotations

import pytest
from tests.rover_text import good_rows

from hubtack.engine.judge import GRADE, HOLD
from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.fleet.minutes import MinuteRows
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session, join_rows


def run(data: bytes, block: int) -> tuple[object, ...]:
    """Verdicts, sums, findings and minutes of a rover's log, fed in pieces of so many bytes."""
    session = Session(Setup(assumed_baseline_m=1000.0), LinkSetup(), link_role="rover")
    minutes = MinuteRows(300.0)
    parts = []
    for i in range(0, len(data), block):
        parts.append(session.feed(Chunk("rover", data[i : i + block])))
        minutes.add(parts[-1])
    parts.append(session.close())
    minutes.add(parts[-1])
    tally = session.rover.tally
    minutes.close(tally.interval_s())
    verdict = join_rows([p for p in parts if len(p.epochs)]).judged.verdict.tolist()
    return (
        verdict, tally.verdict_seconds(), tally.fix_losses, [f.code for f in session.findings()], minutes.columns(None),
        minutes.losses,
    )  # fmt: skip


@pytest.mark.parametrize("before", [1, 2, 5])
def test_a_long_pause_after_the_first_rows_is_held_and_told_for_any_cut(before: int) -> None:
    data = good_rows(40_000_000, before) + good_rows(40_100_000, 50)
    verdict, seconds, losses, found, *_ = log = run(data, 1 << 20)
    assert verdict[: before + 10] == [HOLD] * (before + 10) and verdict[-1] == GRADE  # type: ignore[index]
    assert losses == 1 and "no_rover" in found and seconds["hold"] >= 100.0  # type: ignore[operator, index]
    for block in (60, 1000):
        assert run(data, block) == log
