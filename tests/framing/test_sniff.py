"""What a stream that is no RTCM 3 looks like, from its bytes alone."""

from __future__ import annotations

import bz2
import gzip
import itertools
import lzma
import random

import pytest
from tests.rover_text import gga, gst

from hubtack.framing.rtcm2 import has_words, parity
from hubtack.framing.sniff import sniff


def rtcm2(rng: random.Random, n_words: int) -> bytes:
    """Words of random data with the right parity, as bytes of six bits, least significant first, 01 on top."""
    before, out = 0, bytearray()
    for _ in range(n_words):
        data = rng.getrandbits(24)
        word = (data ^ (0xFFFFFF if before & 1 else 0)) << 6 | parity(data, before)
        for shift in (24, 18, 12, 6, 0):
            out.append(0x40 | int(f"{word >> shift & 0x3F:06b}"[::-1], 2))
        before = word & 3
    return bytes(out)


def test_the_parity_code_finds_every_error_of_one_to_three_bits() -> None:
    """IS-GPS-200, 20.3.5: an extended Hamming code, whose words differ in four bits or more."""
    rng = random.Random(3)
    for _ in range(3):
        data, before = rng.getrandbits(24), rng.getrandbits(2)
        word = data << 6 | parity(data, before)
        for n in (1, 2, 3):
            for bits in itertools.combinations(range(30), n):
                wrong = word ^ sum(1 << bit for bit in bits)
                assert parity(wrong >> 6, before) != wrong & 0x3F


@pytest.mark.parametrize("skip", range(5))
def test_rtcm2_is_recognised_from_any_byte_on(skip: int) -> None:
    data = rtcm2(random.Random(skip), 30)[skip:]
    assert has_words(data)
    assert sniff(data) == "rtcm2"


def test_rtcm2_is_recognised_among_noise() -> None:
    rng = random.Random(9)
    data = rtcm2(rng, 12) + rng.randbytes(20) + rtcm2(rng, 12)
    assert sniff(data) == "rtcm2"


@pytest.mark.parametrize("seed", range(30))
def test_noise_is_not_rtcm2(seed: int) -> None:
    rng = random.Random(seed)
    assert sniff(rng.randbytes(2_000)) == "unknown"
    assert not has_words(bytes(rng.randrange(0x40, 0x80) for _ in range(500)))


@pytest.mark.parametrize(("sample", "looks"), [
    (b"", None),
    (b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\n\r\n<html>", "html"),
    (b"<!DOCTYPE html><html><body>Login</body></html>", "html"),
    (b"The quick brown fox jumps over the lazy dog. " * 5, "text"),
    (b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz" * 3, "text"),
    (gzip.compress(b"x" * 500, mtime=0), "compressed"),
    (bz2.compress(b"x" * 500), "compressed"),
    (lzma.compress(b"x" * 500), "compressed"),
    (b"\xb5\x62\x01\x07" + bytes(range(0, 250, 3)), "unknown"),
])  # fmt: skip
def test_other_streams_are_named(sample: bytes, looks: str | None) -> None:
    assert sniff(sample) == looks


def test_nmea_is_named_when_framing_has_found_sentences() -> None:
    assert sniff((gga(1000) + gst(1000)) * 4, sentences=8) == "nmea"
