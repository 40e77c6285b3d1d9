"""Inputs out of good ones: cut, doubled, spliced, with odd values in their fields, and with checks that fit again.

A parser is only reached in its depth by an input that is nearly right: ``mended`` gives sentences and frames the
checksum that they would have, so that the damage lies in the fields and not in front of them.
"""

from __future__ import annotations

import functools
import operator
import random
import re

from hubtack.framing.crc import crc24q

TOKENS = (
    b"\xd3\x00\x13>\xd0", b"\xd3\x03\xff", b"$", b"$GPGGA,", b"*00\r\n", b"\r\n\r\n", b",,,,", b"nan", b"inf", b"-0", b"1e999",
    b"\0", b"\xff\xfe", b"\xed\xa0\x80", b"9" * 40, b"-9223372036854775809", b"[[", b"{", b'"', b"=", b";;;;", b"%00", b"\x1b[",
    b"0x", b"FFFFFFFF\r\n", b"240000.00", b"235960.00", b"\xe2\x80\xae", b"u" * 300,
)  # fmt: skip
# What may stand where a value stood: of another kind, too large, of another day.
VALUES = (
    b"", b"0", b"-1", b"1", b"255", b"65536", b"2147483648", b"4611686018427387904", b"9" * 25, b"1" + b"0" * 400, b"1e308",
    b"-1e-320", b"0.1", b"NaN", b"Infinity", b"null", b"true", b"[]", b"{}", b'""', b'"x"', b"[1, 2]", b'{"a": 1}',
    b"1979-01-01T00:00:00Z", b"9999-12-31T23:59:59Z", b"2026-02-30", b"00:00:60", b"\xd9\xa3", b" ", b"../x", b"bytes", b"ended",
)  # fmt: skip
_VALUE = re.compile(rb'"[^"\n]*"|[-+]?\d[\d.]*|(?<=[,;:= ])(?=[,;\r\n])')
_BETWEEN = re.compile(rb"[,;:=\s\[\]{}/?&@]")
_SENTENCE = re.compile(rb"([$!])([^$!*\r\n]{1,400})\*[0-9A-Fa-f]{2}")


def mutated(seed: bytes, rng: random.Random) -> bytes:
    """``seed`` after one to eight changes; half of the time with checks that fit again."""
    data = bytearray(seed)
    for _ in range(rng.randint(1, 8)):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(9):
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
            case 5 | 6:
                _revalue(data, at, rng)
            case 7:
                _exchange(data, at, rng)
            case _:
                data[at : at + 4] = rng.randbytes(rng.randint(0, 6))
    return mended(bytes(data)) if rng.randrange(2) else bytes(data)


def _revalue(data: bytearray, at: int, rng: random.Random) -> None:
    """Another value for the next number or text from ``at`` on."""
    found = _VALUE.search(data, at) or _VALUE.search(data)
    if found is not None:
        data[found.start() : found.end()] = rng.choice(VALUES)


def _exchange(data: bytearray, at: int, rng: random.Random) -> None:
    """Take a field out, double it, or move it to another place."""
    start = _BETWEEN.search(data, at)
    end = _BETWEEN.search(data, start.end()) if start is not None else None
    if start is None or end is None:
        return
    part = data[start.start() : end.start()]
    kind = rng.randrange(3)
    if kind != 1:
        del data[start.start() : end.start()]
    if kind != 0:
        to = rng.randrange(len(data) + 1)
        data[to:to] = part


def mended(data: bytes) -> bytes:
    """Sentences and frames of ``data`` with the checksum and the CRC that they should have."""
    out = bytearray(_SENTENCE.sub(_with_checksum, data))
    at = out.find(b"\xd3")
    while 0 <= at <= len(out) - 6:
        end = at + 3 + ((out[at + 1] & 3) << 8 | out[at + 2])
        if out[at + 1] & 0xFC or end + 3 > len(out):
            at = out.find(b"\xd3", at + 1)
            continue
        out[end : end + 3] = crc24q(out[at:end]).to_bytes(3, "big")
        at = out.find(b"\xd3", end + 3)
    return bytes(out)


def _with_checksum(found: re.Match[bytes]) -> bytes:
    return found[1] + found[2] + b"*%02X" % functools.reduce(operator.xor, found[2])
