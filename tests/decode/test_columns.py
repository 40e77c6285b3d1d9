"""The block reader equals the sentence reader, value by value, on tidy and on damaged logs."""

from __future__ import annotations

import random

import numpy as np
import pytest
from tests.decode.test_decoder import CHECK_SENTENCES
from tests.rover_text import gga, gst, hdt, sentence

from hubtack.decode import decoder as door
from hubtack.decode.columns import MIN_BYTES
from hubtack.decode.decoder import Decoder
from hubtack.decode.tables import Decoded


def decode(chunks: list[bytes]) -> Decoded:
    decoder = Decoder()
    return door._joined([*(decoder.feed(c) for c in chunks), decoder.flush()])


def assert_equal_to_scalar(data: bytes) -> None:
    assert len(data) > MIN_BYTES
    small = MIN_BYTES // 2
    columns = decode([data])
    scalar = decode([data[i : i + small] for i in range(0, len(data), small)])
    assert columns.counts.by_formatter == scalar.counts.by_formatter
    for name in ("sentences", "bad_checksums", "no_checksum", "other_bytes"):
        assert getattr(columns.counts, name) == getattr(scalar.counts, name), name
    assert set(columns.sentences) == set(scalar.sentences)
    for kind, rows in columns.sentences.items():
        other = scalar.sentences[kind]
        np.testing.assert_array_equal(rows.pos, other.pos)
        np.testing.assert_array_equal(rows.end, other.end)
        np.testing.assert_array_equal(rows.values, other.values, err_msg=kind)


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
