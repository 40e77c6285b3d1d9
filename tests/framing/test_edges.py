"""Ends of blocks and of input: what the framing decides with one byte too few, and what it leaves to the next block."""

from __future__ import annotations

import pytest
from tests.link_stream import ARP_M, arp_1005

from hubtack.framing.scan import scan_frames
from hubtack.framing.sniff import sniff
from hubtack.framing.splitter import Splitter

FRAME = arp_1005(412, ARP_M)


@pytest.mark.parametrize("kept", range(1, len(FRAME)))
def test_a_frame_that_the_block_does_not_end_is_left_from_its_preamble_on(kept: int) -> None:
    scan = scan_frames(b"xy" + FRAME + FRAME[:kept])
    assert (scan.start, scan.length, scan.bad) == ([2], [len(FRAME)], []) and scan.limit == 2 + len(FRAME)


def test_a_preamble_byte_that_cannot_begin_a_frame_decides_nothing() -> None:
    # The six bits behind a preamble are zero (RTCM 10403.3, section 4): 0xD3 0x04 begins no frame, so all is decided.
    assert scan_frames(b"ab\xd3\x04").limit == 4
    assert scan_frames(b"ab\xd3\x03").limit == 2 and scan_frames(b"ab\xd3").limit == 2
    assert scan_frames(b"\xd3\x04\xd3\x04\xd3").limit == 4 and scan_frames(b"").limit == 0


def test_no_bytes_look_like_nothing() -> None:
    assert sniff(b"") is None and sniff(b"x", frames=1) == "rtcm3"


def test_a_splitter_that_holds_bytes_is_not_moved() -> None:
    splitter = Splitter()
    splitter.feed(FRAME[:5])
    with pytest.raises(ValueError, match="5 bytes are pending"):
        splitter.move_to(99)
    assert splitter.hand_over() == FRAME[:5]
    splitter.move_to(99)
    assert splitter.feed(FRAME)[0].pos == 99


def test_a_false_preamble_on_a_quiet_link_gives_up_the_frame_behind_it_and_only_then() -> None:
    # A preamble that claims a thousand bytes, then a whole frame: the frame need not wait for the rest of the claim.
    splitter = Splitter()
    assert splitter.feed(b"\xd3\x03\xe8" + FRAME) == []
    assert [p.data for p in splitter.release() if p.data == FRAME] == [FRAME]
    # The same with a frame behind it that is damaged, or not yet whole: waiting loses nothing.
    damaged = bytes((*FRAME[:8], FRAME[8] ^ 1, *FRAME[9:]))
    for rest in (damaged, FRAME[:-1], damaged + b"\xd3", b""):
        waiting = Splitter()
        assert waiting.feed(b"\xd3\x03\xe8" + rest) == [] and waiting.release() == []
    late = Splitter()
    late.feed(b"\xd3\x03\xe8" + damaged + FRAME)
    assert any(p.data == FRAME for p in late.release())
