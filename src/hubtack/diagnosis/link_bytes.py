"""Bytes: does anything come, is it RTCM 3, and does it come whole? One ordered table; the first that fits wins."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from hubtack.diagnosis.episode import Episode, Severity
from hubtack.diagnosis.link_source import source_family
from hubtack.diagnosis.link_view import S_NS, LinkView
from hubtack.engine.link_flow import BAD_CRC, FRAMES
from hubtack.framing.sniff import WORDS, sniff

# Only bytes tell whether a stream is a protocol; fewer say nothing.
_WRONG_MIN_BYTES = 100
_GARBAGE_MIN_BYTES = 200
_GARBAGE_KINDS = ("serial", "file", "stdin", "mixed", "capture")
# A bit that differs from both neighbours is one interior bit in four of random bytes, and hardly any where each bit
# was read twice or more (a port set faster than the sender).
_LONE_BITS_SHARE = 0.10
_SYNC_LOG_P = -14.0  # natural logarithm of 1e-6: chance that some pair repeats so often in random bytes
_UNDECODED = "a format that is not decoded; judged by arrival only, since the rover is fixed and fresh"
_CORRUPT_OPEN_NS = 30 * S_NS


def bytes_family(view: LinkView) -> list[Episode]:
    """Episodes of the stream as bytes."""
    tally = view.tally
    found = source_family(view)
    if tally.bytes == 0:
        if not found and view.listened_s >= view.limit("no_bytes_s"):
            found.append(view.all_time("no_bytes", "stop", bytes=0))
        return found
    if tally.frames == 0:
        found.extend(_not_rtcm(view))
        return found
    found.extend(_corrupt(view))
    return found


def _not_rtcm(view: LinkView) -> Iterable[Episode]:
    """Bytes, and not one good frame among them."""
    tally = view.tally
    if tally.bytes < _WRONG_MIN_BYTES and view.listened_s < view.limit("no_bytes_s"):
        return
    looks = sniff(tally.sample, frames=tally.frames, sentences=tally.sentences)
    well = view.rover.is_well(view.limit("healthy_fixed_share"), view.limit("correction_age_warn_s"))
    if looks == "unknown" and well:
        yield view.all_time("wrong_protocol", "note", bytes=tally.bytes, looks_like=_UNDECODED)
        return
    sample = np.frombuffer(bytes(tally.sample), dtype=np.uint8)
    if looks in ("unknown", "text") and view.setup.source_kind in _GARBAGE_KINDS and len(sample) >= _GARBAGE_MIN_BYTES:
        lone = lone_bits_share(sample)
        if lone < _LONE_BITS_SHARE:
            yield view.all_time(
                "serial_garbage",
                "stop",
                bytes=tally.bytes,
                frames=0,
                lone_bits_share=lone,
                why="the port is set faster than the sender: bits come in pairs",
            )
            return
        if looks == "unknown" and sync_pair(sample) is None:
            yield view.all_time(
                "serial_garbage",
                "stop",
                bytes=tally.bytes,
                frames=0,
                lone_bits_share=lone,
                why="no pattern repeats: a wrong serial speed, or noise and no base",
            )
            return
    yield view.all_time(
        "wrong_protocol",
        "stop",
        bytes=tally.bytes,
        looks_like=WORDS[looks or "unknown"],
        format=looks,
        sync=None if len(sample) < _GARBAGE_MIN_BYTES else sync_pair(sample),
    )


def lone_bits_share(sample: NDArray[np.uint8]) -> float:
    """Share of interior bits that differ from both neighbours, over bytes that are not all ones or zeros; 0.25 if none.

    0.25 in random bytes; 0 where every bit was read at least twice.
    """
    used = sample[(sample != 0) & (sample != 0xFF)]
    if not len(used):
        return 0.25
    bits = np.unpackbits(used[:, None], axis=1)
    lone = (bits[:, 1:-1] != bits[:, :-2]) & (bits[:, 1:-1] != bits[:, 2:])
    return float(np.count_nonzero(lone) / lone.size)


def sync_pair(sample: NDArray[np.uint8]) -> str | None:
    """The pair of bytes that repeats far more often than chance, in hexadecimal; None where no pair does."""
    if len(sample) < 2:
        return None
    pairs = sample[:-1].astype(np.int64) << 8 | sample[1:]
    values, counts = np.unique(pairs, return_counts=True)
    share = np.bincount(sample, minlength=256) / len(sample)
    # What the pair's own bytes would give by chance, so that a byte that is merely common is no sync word.
    chance = share[values >> 8] * share[values & 0xFF] * len(pairs)
    plain = (values >> 8 == values & 0xFF) | (values == 0x0D0A)
    # Chance of this count in a Poisson distribution, times the number of pairs there are (Stirling for the factorial).
    factorial = counts * np.log(np.maximum(counts, 1)) - counts
    log_p = counts * np.log(np.maximum(chance, 1e-9)) - factorial + np.log(65536.0)
    log_p = np.where(plain | (counts < 4) | (counts < 3 * chance), 0.0, log_p)
    best = int(np.argmin(log_p))
    return f"{int(values[best]):04X}" if log_p[best] < _SYNC_LOG_P else None


def _corrupt(view: LinkView) -> Iterable[Episode]:
    """Stretches of at least 100 frames of which more than the limit fail their CRC."""
    tally = view.tally
    least, warn, stop = (view.limit(k) for k in ("corrupt_frames_min", "corrupt_warn_share", "corrupt_stop_share"))
    if tally.bad_crc + tally.frames < least or not tally.bad_crc:
        return
    at, counts = tally.flow.table()
    good, bad = counts[:, FRAMES], counts[:, BAD_CRC]
    seen = np.cumsum(good + bad)
    block = np.minimum(seen // int(least), max(0, int(seen[-1] // int(least)) - 1))
    n = int(block[-1]) + 1
    bad_in = np.bincount(block, weights=bad, minlength=n)
    all_in = np.bincount(block, weights=good + bad, minlength=n)
    over = bad_in > warn * np.maximum(all_in, 1)
    width_ns = tally.flow.width_ns
    edges = np.flatnonzero(np.diff(np.concatenate(([False], over, [False]))))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        inside = np.flatnonzero((block >= a) & (block < b) & (bad > 0))
        start, last = int(at[inside[0]]), int(at[inside[-1]]) + width_ns
        bad_n, seen_n = int(bad_in[a:b].sum()), int(all_in[a:b].sum())
        end = None if b == n and view.now_ns - last < _CORRUPT_OPEN_NS else last
        hold_ns = view.lost_fix_ns(start, end)
        severity: Severity = "stop" if bad_n > stop * seen_n or hold_ns else "warn"
        yield Episode(
            "corrupt_frames",
            start,
            end,
            hold_ns=hold_ns,
            severity=severity,
            evidence={
                "bad_crc": bad_n,
                "seen": seen_n,
                "share_percent": round(100 * bad_n / seen_n, 1),
                "first_offsets": tally.failures[:10],
                "all_bad_crc": tally.bad_crc,
            },
        )
