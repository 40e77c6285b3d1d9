"""Short cuts of the block reader against the long way: line feeds, odd lines in their places, look-ups by line."""

from __future__ import annotations

import numpy as np
import pytest

from hubtack.decode.layouts import LayoutBook, layout_of
from hubtack.decode.tables import Decoded, Rows
from hubtack.decode.tidy import LEAST_LINES, _line_feeds, read_layouts


@pytest.mark.parametrize("share", [0.0, 0.01, 0.1, 0.5, 1.0])
@pytest.mark.parametrize("n", [0, 1, 7, 8, 9, 4_001])
def test_line_feeds_are_found_however_close_they_stand(n: int, share: float) -> None:
    rng = np.random.default_rng(n)
    text = np.where(rng.random(n) < share, 10, rng.integers(11, 256, n)).astype(np.uint8)
    np.testing.assert_array_equal(_line_feeds(text), np.flatnonzero(text == 10))


def table(kind: str, at: np.ndarray) -> Rows:
    pos = np.sort(at).astype(np.int64) * 40
    values = np.asfortranarray(np.column_stack([pos * 1.0, pos + 0.5, pos + 0.25]))
    return Rows(kind, pos, pos + 30, values)


@pytest.mark.parametrize("n_odd", [1, 3, 40, 41, 200])
def test_odd_lines_come_to_stand_where_their_bytes_stand(n_odd: int) -> None:
    rng = np.random.default_rng(n_odd)
    places = rng.permutation(1_000)
    many, few = table("HDT", places[n_odd:]), table("HDT", places[:n_odd])
    a, b = Decoded(), Decoded()
    a.sentences, b.sentences = {"HDT": many}, {"HDT": few}
    got, whole = Decoded.joined([a, b]).sentences["HDT"], table("HDT", places)
    for mine, theirs in ((got.pos, whole.pos), (got.end, whole.end), (got.values, whole.values)):
        np.testing.assert_array_equal(mine, theirs)


@pytest.mark.parametrize("by_end", [False, True])
def test_lines_that_touch_share_a_look_up_and_get_the_same_answer(by_end: bool) -> None:
    rng = np.random.default_rng(5)
    for _ in range(30):
        length = rng.integers(11, 90, 300)
        gap = rng.choice([1, 2, 2, 2, 40], 300)  # CR LF, LF alone, or other bytes between
        pos = np.cumsum(length + gap) - length
        rows = Rows("GSV", pos, pos + length, np.zeros((300, 1)))
        is_timed = rng.random(300) < 0.2
        timed, others = np.flatnonzero(is_timed), np.flatnonzero(~is_timed)
        some = Rows("GSV", rows.pos[others], rows.end[others], rows.values[others])
        at = some.end if by_end else some.pos
        places = (rows.end if by_end else rows.pos)[timed]
        np.testing.assert_array_equal(
            some.newest_before(places, by_end=by_end), np.searchsorted(places, at, side="right") - 1
        )


def test_no_lines_have_none_before_them() -> None:
    assert len(Rows.empty("GSV").newest_before(np.array([1, 2]))) == 0


@pytest.mark.parametrize("byte", [0x80, 0xFF, 0xB0])
def test_a_byte_beyond_ascii_never_passes_for_a_digit(byte: int) -> None:
    """0xB0 is "0" with its top bit set, and so would be all the others if only seven bits were looked at."""
    line = b"$GPHDT,274.07,T*03\r\n"
    assert layout_of(line) is not None
    spoilt = bytearray(line)
    spoilt[8] = byte
    got = read_layouts(line * LEAST_LINES + bytes(spoilt) + line, LayoutBook())
    assert got.taken.tolist() == [True] * LEAST_LINES + [False, True]
