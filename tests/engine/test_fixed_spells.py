"""Two fixed spells of a machine that stood still between them must agree; one that moved may be anywhere."""

from __future__ import annotations

import numpy as np
import pytest
from tests.rover_text import LAT_DEG, gga, gst, vtg, wobble

from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.knowledge.reasons import BIT
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session, join_rows

DEG_PER_M = 1.0 / 111_132.0  # of latitude, WGS 84 at 45 degrees to a part in a thousand: enough for decimetres


def log(*, float_s: int, offset_m: float, speed_m_s: float) -> bytes:
    """Thirty seconds fixed, a float spell in which the machine moves at ``speed_m_s``, and fixed again elsewhere."""
    parts = []
    for i in range(60 + float_s):
        is_float = 30 <= i < 30 + float_s
        shift_m = 0.35 if is_float else offset_m if i >= 30 + float_s else 0.0
        place = LAT_DEG + wobble(i) + shift_m * DEG_PER_M
        parts.append(gga(43_200_000 + i * 1000, quality=5 if is_float else 4, lat_deg=place))
        parts.append(gst(43_200_000 + i * 1000) + vtg(speed_m_s if is_float else 0.01))
    return b"".join(parts)


def jumps(data: bytes, block: int = 1 << 20) -> np.ndarray:
    session = Session(Setup(assumed_baseline_m=1000.0), LinkSetup(), link_role="corrections")
    parts = [session.feed(Chunk("rover", data[i : i + block])) for i in range(0, len(data), block)]
    parts.append(session.close())
    rows = join_rows([p for p in parts if len(p.epochs)])
    return np.flatnonzero(rows.judged.bits & BIT["suspect_fix"])


@pytest.mark.parametrize("float_s", [1, 8, 300])
def test_another_place_after_standing_still_is_a_jump(float_s: int) -> None:
    assert jumps(log(float_s=float_s, offset_m=0.25, speed_m_s=0.01)).tolist() == [30 + float_s]


def test_the_same_place_is_none_and_a_float_position_is_never_one() -> None:
    assert not len(jumps(log(float_s=20, offset_m=0.03, speed_m_s=0.01)))


def test_a_machine_that_moved_in_between_may_be_anywhere() -> None:
    assert not len(jumps(log(float_s=20, offset_m=2.0, speed_m_s=0.5)))


@pytest.mark.parametrize("block", [57, 400, 5000])
def test_the_cut_of_the_input_changes_nothing(block: int) -> None:
    data = log(float_s=8, offset_m=0.25, speed_m_s=0.01)
    assert jumps(data, block).tolist() == jumps(data).tolist()
