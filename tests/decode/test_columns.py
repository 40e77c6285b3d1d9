"""The block reader equals the sentence reader, value by value, on tidy and on damaged logs."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.decode.test_decoder import CHECK_SENTENCES
from tests.framing.test_splitter import EXAMPLE_1005, frame
from tests.rover_text import gga, gst, hdt, sentence

from hubtack.decode.columns import MIN_BYTES
from hubtack.decode.decoder import Decoder
from hubtack.decode.tables import Decoded


def decode(chunks: list[bytes]) -> Decoded:
    decoder = Decoder()
    return Decoded.joined([*(decoder.feed(c) for c in chunks), decoder.flush()])


def assert_equal_to_scalar(data: bytes) -> None:
    assert len(data) > MIN_BYTES
    small = MIN_BYTES // 2
    columns = decode([data])
    assert_equal(columns, decode([data[i : i + small] for i in range(0, len(data), small)]), data)


def assert_equal(a: Decoded, b: Decoded, data: bytes) -> None:
    assert a.counts == b.counts
    assert covered(a, "other", data) == covered(b, "other", data)
    assert covered(a, "bad_crc", data) == covered(b, "bad_crc", data)
    assert a.texts == b.texts
    assert a.payloads == b.payloads
    assert set(a.sentences) == set(b.sentences)
    tables = [(rows, b.sentences[kind]) for kind, rows in a.sentences.items()]
    for one, other in [*tables, (a.frames, b.frames), (a.satellites, b.satellites), (a.stations, b.stations)]:
        np.testing.assert_array_equal(one.pos, other.pos, err_msg=one.kind)
        np.testing.assert_array_equal(one.end, other.end, err_msg=one.kind)
        np.testing.assert_array_equal(one.values, other.values, err_msg=one.kind)


def covered(decoded: Decoded, kind: str, data: bytes) -> set[int]:
    """Bytes in spans of a kind, line ends left out; how a junk run is cut into spans depends on how it came."""
    spans = [span for span in decoded.spans if span.kind == kind]
    return {i for span in spans for i in range(span.pos, span.end) if data[i : i + 1] not in (b"\r", b"\n")}


def a_log() -> bytes:
    """Epochs with every sentence of the table, differing digit counts, empty fields and a maker's own sentence."""
    parts = []
    for i in range(60):
        tod = 86_370_000 + i * 1000
        parts.extend(
            (gga(tod, age_s=None if i % 7 == 0 else i / 10, h_m=i * 1.5 - 20), gst(tod, up_m=i / 1000), hdt(i * 6.1))
        )
        parts.append(sentence(f"GNGSA,A,3,{i % 32 + 1:02d},12,,,,,,,,,,,{i % 5 + 1}.{i % 10},0.7,1.2,{i % 4 + 1}"))
        parts.append(
            sentence(f"GPGSV,2,1,06,01,{i % 90:02d},{i * 6 % 360:03d},{40 + i % 9},02,12,040,,03,33,111,38,04,5,9,29,1")
        )
        parts.append(sentence(f"GPGSV,2,2,06,05,{i % 90:02d},{i * 6 % 360:03d},{40 + i % 9},06,12,040,,1"))
        parts.append(sentence(f"GNVTG,{i * 6.1:.2f},T,,M,{i / 100:.3f},N,0.1,K,R"))
        parts.append(sentence("PXYZ,1,2,3"))
        parts.append(sentence(f"GNRMC,{i:06d}.00,A,4501.86,S,17000.72,E,0.03,0.0,180426,,,R,V"))
        parts.append(sentence("GPZDA,000000.69,06,12,2018,,"))
        parts.append(sentence("GNGNS,103607.00,5327.03942,N,00214.42462,W,RRN,06,5.88,56.0,48.5,1.0,0412,V"))
    parts.extend(text + b"\r\n" for text in CHECK_SENTENCES)
    return b"".join(parts)


def test_a_tidy_log_of_every_sentence() -> None:
    assert_equal_to_scalar(a_log())


@pytest.mark.parametrize("end", [b"\r\n", b"\n", b"\r", b"\r\r\n", b"\n\r\n"])
def test_any_line_end(end: bytes) -> None:
    assert_equal_to_scalar(a_log().replace(b"\r\n", end))


@pytest.mark.parametrize("seed", range(60))
def test_a_damaged_log(seed: int) -> None:
    """Flipped bits, missing and inserted characters, foreign bytes: what is odd goes the scalar way."""
    rng = random.Random(seed)
    data = bytearray(a_log())
    for _ in range(rng.randrange(1, 200)):
        at = rng.randrange(len(data))
        match rng.randrange(4):
            case 0:
                data[at] ^= 1 << rng.randrange(7)
            case 1:
                del data[at : at + rng.randrange(1, 5)]
            case 2:
                data[at:at] = bytes(rng.choice(b"$*,\r\n .-+0 Aa\x80") for _ in range(rng.randrange(1, 4)))
            case _:
                data[at] = 44
    assert_equal_to_scalar(bytes(data).replace(b"\xd3", b"\xd2"))


FRAMES = (EXAMPLE_1005, frame(bytes.fromhex("3ef0") + bytes(8)), frame(b"\n$GPGGA,1*00\r\n\xd3\x00"), frame(b""))


@pytest.mark.parametrize("seed", range(60))
def test_a_mixed_log_with_damage(seed: int) -> None:
    """Frames between sentences, at any place, some of them broken; false preambles; a logger's stamps; cut lines."""
    rng = random.Random(5000 + seed)
    parts = []
    for line in (a_log() * 2).splitlines(keepends=True):
        if rng.random() < 0.3:
            parts.append(rng.choice(FRAMES))
        if rng.random() < 0.3:
            stamp = rng.choice([b"2018-12-06T00:00:00.5%03dZ ", b"2018-12-06 23:59:5%d+01:30,", b"15440544%02d.25 "])
            parts.append(stamp % rng.randrange(10))
        parts.append(line)
        if rng.random() < 0.1:
            parts.append(line[: rng.randrange(len(line))] + rng.choice((b"", b"\r\n", rng.choice(FRAMES))))
        if rng.random() < 0.05:
            junk = rng.randbytes(rng.randrange(1, 40))
            parts.append(junk + rng.choice((b"\xd3", b"\xd3\x00", b"\xd3\x00\x60", b"\n")))
        if rng.random() < 0.05:
            broken = bytearray(EXAMPLE_1005)
            broken[rng.randrange(5, 25)] ^= 1 << rng.randrange(8)
            parts.append(bytes(broken))
    assert_equal_to_scalar(b"".join(parts))


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(1, 3 * MIN_BYTES), min_size=1, max_size=8), st.integers(0, 10**6))
def test_any_cut_of_a_mixed_log_gives_the_same_tables(sizes: list[int], seed: int) -> None:
    rng = random.Random(seed)
    stamps = (b"", b"2018-12-06T00:00:00.5Z ", b"1544054400.25,")
    lines = (a_log() * 2).splitlines(keepends=True)
    data = b"".join(rng.choice(stamps) + line + rng.choice((b"", *FRAMES)) for line in lines)
    chunks, at = [], 0
    for size in sizes:
        chunks.append(data[at : at + size])
        at += size
    assert_equal(decode([*chunks, data[at:]]), decode([data[i : i + 4000] for i in range(0, len(data), 4000)]), data)


def test_a_frame_that_was_cut_at_the_edge_of_a_block_of_lines_comes_out() -> None:
    lines = b"".join(gga(i * 1000) for i in range(300))
    decoded = decode([EXAMPLE_1005[:10], EXAMPLE_1005[10:] + b"\r\n" + lines])
    assert (len(decoded.frames), len(decoded.stations), len(decoded.sentences["GGA"])) == (1, 1, 300)


def test_satellites_of_later_stretches_point_at_their_own_frames() -> None:
    # GPS MSM4: satellite 1, signal 1 and their cell are the bits after 73, 137 and 169 of the payload.
    msm = frame(bytes.fromhex("43200123456780000040000000000000004000000040") + bytes(20))
    decoded = decode([EXAMPLE_1005 + msm, EXAMPLE_1005 + msm])
    assert len(decoded.satellites) == 2
    assert decoded.satellites["frame"].tolist() == [1, 3]


@pytest.mark.parametrize("seed", range(60))
def test_fields_that_are_hard_to_read(seed: int) -> None:
    """Signs, spaces, long digits, hexadecimal, exponents, in any field, with a checksum that agrees."""
    rng = random.Random(1000 + seed)
    hard = ["", "-", "+1.5", "-0", " 1", "1 ", "1e3", "nan", ".5", "5.", "00001", "123456789012345678",
            "1.23456789012345678",
            "9" * 15, "0." + "1" * 15, "A", "ABCDEFGH", "12 3", "--1", "1.2.3", "N", "S", "240000", "235960", "126160",
            "9000.0",
            "9000.1", "18000.00", "-4500.1", "45", "123"]  # fmt: skip
    lines = []
    for text in CHECK_SENTENCES * 30:
        fields = text[1 : text.index(b"*")].decode().split(",")
        for _ in range(rng.randrange(1, 3)):
            fields[rng.randrange(1, len(fields))] = rng.choice(hard)
        if rng.random() < 0.1:
            fields.append(rng.choice(hard))
        if rng.random() < 0.1:
            fields.pop()
        lines.append(sentence(",".join(fields)))
    assert_equal_to_scalar(b"".join(lines))


def test_blocks_of_any_size_give_the_same_tables() -> None:
    data = a_log() * 4
    whole = decode([data])
    for size in (MIN_BYTES, MIN_BYTES + 1, 3 * MIN_BYTES + 17):
        cut = decode([data[i : i + size] for i in range(0, len(data), size)])
        for kind, rows in whole.sentences.items():
            np.testing.assert_array_equal(rows.values, cut.sentences[kind].values)
            np.testing.assert_array_equal(rows.pos, cut.sentences[kind].pos)
