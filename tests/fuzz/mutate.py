"""Inputs out of good ones: cut, doubled, overwritten, spliced with what parsers stumble over."""

from __future__ import annotations

import random

TOKENS = (
    b"\xd3\x00\x13>\xd0", b"\xd3\x03\xff", b"$", b"$GPGGA,", b"*00\r\n", b"\r\n\r\n", b",,,,", b"nan", b"inf", b"-0", b"1e999",
    b"\0", b"\xff\xfe", b"\xed\xa0\x80", b"9" * 40, b"-9223372036854775809", b"[[", b"{", b'"', b"=", b";;;;", b"%00", b"\x1b[",
    b"0x", b"FFFFFFFF\r\n", b"240000.00", b"235960.00", b"\xe2\x80\xae", b"u" * 300,
)  # fmt: skip


def mutated(seed: bytes, rng: random.Random) -> bytes:
    """``seed`` after one to eight changes."""
    data = bytearray(seed)
    for _ in range(rng.randint(1, 8)):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(6):
            case 0 if data:
                data[min(at, len(data) - 1)] = rng.randrange(256)
            case 1:
                data[at:at] = rng.choice(TOKENS)
            case 2:
                del data[at : at + rng.randint(1, 40)]
            case 3:
                part = data[at : at + rng.randint(1, 200)]
                data[at:at] = part
            case 4 if data:
                data[min(at, len(data) - 1)] ^= 1 << rng.randrange(8)
            case _:
                data[at : at + 4] = rng.randbytes(rng.randint(0, 6))
    return bytes(data)
