"""What is a stream that is not RTCM 3? Told from its bytes, for the finding that names the wrong protocol."""

from __future__ import annotations

from typing import Literal

from hubtack.framing.rtcm2 import has_words

Looks = Literal["rtcm3", "rtcm2", "nmea", "html", "text", "compressed", "unknown"]

WORDS: dict[str, str] = {
    "rtcm3": "RTCM 3", "rtcm2": "RTCM 2, an older format", "nmea": "NMEA sentences of a receiver",
    "html": "a web page: a portal or proxy answers in place of the base", "text": "plain text",
    "compressed": "compressed data",
    "unknown": "nothing Hubtack knows: another receiver's own format, or a wrong serial speed",
}  # fmt: skip

_MAGIC = (b"\x1f\x8b", b"BZh", b"\xfd7zXZ\x00", b"PK\x03\x04", b"\x28\xb5\x2f\xfd")


def sniff(sample: bytes | bytearray, *, frames: int = 0, sentences: int = 0) -> Looks | None:
    """What ``sample`` looks like, given how many good frames and sentences framing found; None for no bytes.

    RTCM 2 sends bytes of six bits with the top bits 01, so every byte lies in 0x40 to 0x7F, line ends aside (receiver
    documents that reproduce RTCM 10402.3); words in a row with the right parity tell it in a noisy stream too.
    """
    if not sample:
        return None
    if frames:
        return "rtcm3"
    if bytes(sample[:6]).startswith(_MAGIC):
        return "compressed"
    body = bytes(b for b in sample if b not in b"\r\n")
    head = bytes(sample[:512]).lower().lstrip()
    if head.startswith((b"<!doctype", b"<html", b"http/")) or b"<html" in head:
        return "html"
    if (body and all(0x40 <= b <= 0x7F for b in body) and _six_bit(body)) or has_words(body[:2048]):
        return "rtcm2"
    printable = sum(0x20 <= b < 0x7F or b in b"\r\n\t" for b in sample)
    if sentences and printable >= 0.5 * len(sample):  # random bytes hold a dollar sign now and then
        return "nmea"
    return "text" if printable >= 0.95 * len(sample) else "unknown"


def _six_bit(body: bytes) -> bool:
    """RTCM 2 words hold parity and look random: many different bytes, and characters text never has in such number."""
    return len(body) >= 20 and len(set(body)) >= 12 and sum(b in b"@[\\]^_`{|}~\x7f" for b in body) >= 0.08 * len(body)
