"""Frames out of order, told late or told twice: the sums are the same frame by frame and in one stretch."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from tests.link_session import read
from tests.link_stream import GPS, TWO_BANDS, msm

from hubtack.session.session import Session

START_S = 3 * 86_400 + 36_000.0


def observed(at_s: float, satellites: tuple[int, ...], *, more: bool = False, system: int = GPS) -> bytes:
    said: dict[str, Any] = {"more": more, "cn0_dbhz": lambda s, g: 45.0}
    return msm(system, 4, 412, START_S + at_s, satellites, TWO_BANDS[system], **said)


def told(session: Session) -> dict[str, object]:
    """What the cut may not change."""
    tally = session.link.tally
    return {
        "duplicates": tally.duplicates,
        "epochs": tally.epochs,
        "late": tally.ledger.late_frames,
        "twins": tally.content.twins,
        "satellites": {s: t.satellites.counts.tolist() for s, t in tally.systems.items()},
        "findings": [(f.code, f.severity, dict(f.evidence)) for f in session.findings()],
    }


def the_same_in_any_cut(frames: list[bytes]) -> dict[str, object]:
    """The figures in one stretch, which are those of frame by frame and of some other cuts."""
    data = b"".join(frames)
    ends = np.cumsum([len(f) for f in frames]).tolist()
    whole = told(read(data))
    assert told(read(data, cuts=ends)) == whole
    assert told(read(data, cuts=ends[1::2])) == whole
    return whole


MANY = tuple(range(1, 10))


def test_a_frame_that_comes_after_a_later_epoch_is_no_part_of_that() -> None:
    frames = []
    for i in range(30):
        now, late = observed(i, MANY if i % 7 else MANY[:4]), observed(i - 1.0, (20, 21), system=GPS)
        frames += [now, late] if i % 9 == 5 else [now]
    the_same_in_any_cut(frames)


def test_an_epoch_whose_times_drift_apart_by_milliseconds_is_one() -> None:
    frames = [observed(i + k * 0.008, MANY[3 * k : 3 * k + 3], more=k < 2) for i in range(12) for k in range(3)]
    whole = the_same_in_any_cut(frames)
    assert whole["satellites"][GPS][9] == 11  # type: ignore[index]  # the newest is held back


def test_twins_are_told_where_the_clock_goes_back_and_comes_again() -> None:
    steady = [observed(i + 34.0, MANY) for i in range(65)]
    split = [observed(99.0, MANY[:5], more=True), observed(99.0, MANY[5:])]
    again = [*split, observed(98.0, MANY[:5]), observed(99.0, MANY[5:8]), observed(99.0, MANY[8:])]
    assert the_same_in_any_cut([*steady, *again, *(observed(100.0 + i, MANY) for i in range(3))])["twins"] == 0


@pytest.mark.parametrize("behind_s", [2, 30, 31])
def test_a_buffer_that_is_sent_again_is_told_alike_whether_it_is_a_repeat_or_a_jump(behind_s: int) -> None:
    frames = [observed(i + 30.0, MANY) for i in range(70)]
    again = frames[69 - behind_s : 69 - behind_s + 5]
    whole = the_same_in_any_cut([*frames, *again, *(observed(100.0 + i, MANY) for i in range(3))])
    # Half a minute is all that a repeat may take; what is older is a clock that has jumped (as for epochs).
    assert whole["duplicates"] == (min(5, behind_s + 1) if behind_s <= 30 else 0)
