"""Any cut gives the same pieces, nothing raises, no byte is lost, and no good record behind bad bytes is lost."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.rover_text import gga, gst

from hubtack.framing.crc import crc24q
from hubtack.framing.scan import scan_frames
from hubtack.framing.splitter import MAX_SENTENCE, Kind, Piece, Splitter

# RTCM 10403.3, section 4: the published 1005 example. It holds a false preamble, D3 02 02, at offset 5.
EXAMPLE_1005 = bytes.fromhex("d300133ed7d30202980edeef34b4bd62ac0941986f33360b98")


def frame(payload: bytes) -> bytes:
    head = bytes((0xD3, len(payload) >> 8, len(payload) & 0xFF)) + payload
    return head + crc24q(head).to_bytes(3, "big")


def split(*chunks: bytes) -> list[Piece]:
    splitter, pieces = Splitter(), []
    for chunk in chunks:
        pieces.extend(splitter.feed(chunk))
    pieces.extend(splitter.flush())
    return joined(pieces)


def joined(pieces: list[Piece]) -> list[Piece]:
    """Pieces with neighbouring other bytes as one: how a junk run is cut depends on how it came."""
    out: list[Piece] = []
    for piece in pieces:
        if piece.kind is Kind.OTHER and out and out[-1].kind is Kind.OTHER and out[-1].end == piece.pos:
            out[-1] = Piece(Kind.OTHER, out[-1].pos, out[-1].data + piece.data)
        else:
            out.append(piece)
    return out


def records(pieces: list[Piece]) -> list[bytes]:
    return [p.data for p in pieces if p.kind in (Kind.SENTENCE, Kind.FRAME)]


STREAM = (
    b"HTTP/1.1 200 OK\r\nContent-Type: gnss/data\r\n\r\n" + gga(1000) + EXAMPLE_1005 + b"\xd3\x00\xff" + gst(1000)
    + frame(bytes(range(200))) + b"\xb5\x62\x01\x07" + bytes(40) + gga(2000) + frame(b"\x3e\xd0" + bytes(30))
    + b"$GPGGA,12" + gga(3000)
)  # fmt: skip


def test_crc24q_is_that_of_the_standard() -> None:
    # CRC catalogue, CRC-24/LTE-A: same polynomial and start; the catalogue's check value.
    assert crc24q(b"123456789") == 0xCDE703
    assert crc24q(EXAMPLE_1005) == 0


def test_the_published_1005_frame_comes_out_whole() -> None:
    assert split(EXAMPLE_1005) == [Piece(Kind.FRAME, 0, EXAMPLE_1005)]


@settings(max_examples=150, deadline=None)
@given(st.lists(st.integers(0, len(STREAM)), max_size=30))
def test_any_cut_gives_the_same_pieces(places: list[int]) -> None:
    bounds = [0, *sorted(places), len(STREAM)]
    assert split(*(STREAM[a:b] for a, b in itertools.pairwise(bounds))) == split(STREAM)


def test_byte_by_byte_gives_the_same_pieces() -> None:
    assert split(*(STREAM[i : i + 1] for i in range(len(STREAM)))) == split(STREAM)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=3000), st.integers(1, 400))
def test_arbitrary_bytes_raise_nothing_and_none_is_lost(data: bytes, step: int) -> None:
    splitter, out = Splitter(), []
    for i in range(0, len(data), step):
        out.extend(splitter.feed(data[i : i + step]))
        assert sum(len(p.data) for p in out) + splitter.pending == min(len(data), i + step)
        assert splitter.pending <= max(1023 + 6, MAX_SENTENCE)
    out.extend(splitter.flush())
    assert b"".join(p.data for p in out) == data
    assert all(a.end == b.pos for a, b in itertools.pairwise(out))


@pytest.mark.parametrize("seed", range(40))
def test_every_untouched_record_survives_damage_around_it(seed: int) -> None:
    """Insert random bytes, flip bits, cut records: whatever was not touched still comes out."""
    rng = random.Random(seed)
    parts: list[bytes] = []
    kept: list[bytes] = []
    for i in range(60):
        record = rng.choice([gga(i * 1000), gst(i * 1000), frame(rng.randbytes(rng.randrange(2, 300)))])
        damage = rng.randrange(5)
        if damage == 0:
            broken = bytearray(record)
            broken[rng.randrange(len(broken))] ^= 1 << rng.randrange(8)
            parts.append(bytes(broken))
        elif damage == 1:
            parts.append(record[: rng.randrange(len(record))])
        elif damage == 2:
            parts.append(rng.randbytes(rng.randrange(1, 60)))
            kept.append(record)
            parts.append(record)
        else:
            kept.append(record)
            parts.append(record)
    found = records(split(b"".join(parts)))
    for record in kept:
        assert record.rstrip(b"\r\n") in found, f"seed {seed} lost {record[:20]!r}"


def test_a_false_preamble_holds_back_at_most_one_frame_and_loses_nothing() -> None:
    good = EXAMPLE_1005 * 20
    pieces = split(b"\xd3\x00\xff" + good)
    assert records(pieces) == [EXAMPLE_1005] * 20


def test_a_lone_preamble_is_given_out_when_the_link_falls_silent() -> None:
    splitter = Splitter()
    assert splitter.feed(b"\xd3") == []
    assert splitter.flush() == [Piece(Kind.OTHER, 0, b"\xd3")]
    assert splitter.feed(EXAMPLE_1005)[0].kind is Kind.FRAME


def test_a_damaged_frame_says_what_it_claimed_to_be() -> None:
    broken = bytearray(EXAMPLE_1005)
    broken[-1] ^= 1
    bad = next(p for p in split(bytes(broken) + gga(1000)) if p.kind is Kind.BAD_CRC)
    assert (bad.type, bad.length, bad.pos) == (1005, 25, 0)


def test_a_sentence_spliced_into_a_broken_one_is_found() -> None:
    good = gga(1000).rstrip()
    assert records(split(b"$GPGGA,12345" + good + b"\r\n")) == [good]
    assert records(split(b"$$" + good[1:] + b"\r\n")) == [good]


def test_the_last_line_of_a_file_may_lack_its_end() -> None:
    good = gga(1000).rstrip()
    assert records(split(good)) == [good]


def test_an_endless_line_is_not_held_for_ever() -> None:
    pieces = split(b"$" + b"A" * 5000 + b"\r\n" + gga(1000))
    assert records(pieces)[-1] == gga(1000).rstrip()


def test_the_smallest_and_the_largest_frame() -> None:
    # RTCM 10403.3, section 4: a payload of 0 to 1023 bytes; D3 00 00 47 EA 4B is the filler (from memory).
    assert records(split(bytes.fromhex("d3000047ea4b"))) == [bytes.fromhex("d3000047ea4b")]
    assert len(records(split(frame(bytes(1023))))[0]) == 1029


def test_a_last_line_that_lacks_its_end_and_its_checksum_is_no_sentence() -> None:
    """Cut short, 545.4 m of height would read as 54."""
    assert records(split(b"$GPGGA,123519,4807.038,N,01131.000,E,4,08,0.9,54")) == []


def test_release_gives_out_what_a_false_preamble_holds_back() -> None:
    splitter = Splitter()
    good = gga(1000)
    assert records(splitter.feed(b"\xd3\x00\xff" + good + EXAMPLE_1005 + b"$GPGGA,12")) == []
    assert records(splitter.release()) == [good.rstrip(), EXAMPLE_1005]
    assert splitter.pending == len(b"$GPGGA,12")  # the line that is being received lives on
    assert records(splitter.feed(good[len(b"$GPGGA,12") :] + gga(2000))) != []


@pytest.mark.parametrize("cut", range(1, 25))
def test_release_in_the_middle_of_a_frame_does_not_lose_it(cut: int) -> None:
    splitter = Splitter()
    pieces = [*splitter.feed(EXAMPLE_1005[:cut]), *splitter.release(), *splitter.feed(EXAMPLE_1005[cut:])]
    assert records(pieces) == [EXAMPLE_1005]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(1, len(STREAM)), max_size=30))
def test_release_at_any_time_changes_no_record(places: list[int]) -> None:
    splitter, pieces = Splitter(), []
    bounds = [0, *sorted(places), len(STREAM)]
    for a, b in itertools.pairwise(bounds):
        pieces.extend(splitter.feed(STREAM[a:b]))
        pieces.extend(splitter.release())
    pieces.extend(splitter.flush())
    assert records(pieces) == records(split(STREAM))
    assert b"".join(p.data for p in pieces) == STREAM


@pytest.mark.parametrize("seed", range(20))
def test_the_scan_of_a_block_finds_the_splitters_frames(seed: int) -> None:
    rng = random.Random(seed)
    fixed = [gga(1000), b"\xd3", b"\xd3\x01", EXAMPLE_1005[:-1]]
    data = b"".join(
        rng.choice([frame(rng.randbytes(rng.randrange(0, 400))), rng.randbytes(30), *fixed]) for _ in range(200)
    )
    scan = scan_frames(data)
    pieces = Splitter().feed(data)
    assert [(p.pos, len(p.data)) for p in pieces if p.kind is Kind.FRAME] == list(
        zip(scan.start, scan.length, strict=True)
    )
    assert [(p.pos, p.type, p.length) for p in pieces if p.kind is Kind.BAD_CRC] == scan.bad
