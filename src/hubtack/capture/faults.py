"""Faults on the way, for training and for reproducing a field problem: loss, delay, cut and bit errors. Sans-I/O.

A fault acts on whole sentences and frames (a radio loses packets, not single bytes), bit errors on single bits.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from hubtack.errors import UsageError
from hubtack.framing.splitter import Splitter

FORMS = "loss=0.1 (share), delay=2.5 (s), cut=30:10 (from 30 s for 10 s), bits=1e-5 (share of bits turned over)"


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault for one source; ``role`` "" for all. ``start_s`` and ``length_s`` are those of a cut."""

    kind: str
    role: str = ""
    share: float = 0.0
    delay_s: float = 0.0
    start_s: float = 0.0
    length_s: float = 0.0


def parse_fault(text: str) -> Fault:
    """``[ROLE:]KIND=VALUE``; raises ``UsageError``."""
    head, equals, value = text.partition("=")
    role, _, kind = head.rpartition(":")
    try:
        if not equals:
            raise ValueError
        if kind in ("loss", "bits"):
            share = float(value)
            if not 0.0 <= share <= 1.0:
                raise ValueError
            return Fault(kind, role, share=share)
        if kind == "delay":
            delay_s = float(value)
            if not 0.0 <= delay_s <= 600.0:
                raise ValueError
            return Fault(kind, role, delay_s=delay_s)
        if kind == "cut":
            start, length = (float(part) for part in value.split(":"))
            if not (start >= 0.0 and length > 0.0):
                raise ValueError
            return Fault(kind, role, start_s=start, length_s=length)
    except ValueError:
        pass
    raise UsageError(f"--fault {text}: not a fault; give [ROLE:]KIND=VALUE with {FORMS}")


class FaultyLine:
    """One source's way through its faults. The same seed and the same bytes give the same damage."""

    def __init__(self, faults: list[Fault], seed: int) -> None:
        self._faults = faults
        self._random = random.Random(seed)
        self._splitter = Splitter() if any(f.kind == "loss" and f.share > 0 for f in faults) else None
        self.lost = 0

    @property
    def delay_s(self) -> float:
        """How much later everything is. [s]"""
        return sum(f.delay_s for f in self._faults)

    def feed(self, t_s: float, data: bytes, *, end: bool = False) -> bytes:
        """What comes out for ``data`` that went in ``t_s`` after the start. [s]"""
        if self._splitter is not None:
            pieces = self._splitter.feed(data)
            if end:
                pieces += self._splitter.flush()
            kept = []
            for piece in pieces:
                if len(piece.data) > 4 and self._is_lost():
                    self.lost += len(piece.data)
                else:
                    kept.append(piece.data)
            data = b"".join(kept)
        for fault in self._faults:
            if fault.kind == "cut" and fault.start_s <= t_s < fault.start_s + fault.length_s:
                self.lost += len(data)
                return b""
            if fault.kind == "bits" and fault.share > 0:
                data = self._turn_bits(data, fault.share)
        return data

    def _is_lost(self) -> bool:
        return any(f.kind == "loss" and self._random.random() < f.share for f in self._faults)

    def _turn_bits(self, data: bytes, share: float) -> bytes:
        out = bytearray(data)
        # Gaps between turned bits are geometric: no draw for each of the many good bits.
        at = self._gap(share)
        while at < 8 * len(out):
            out[at >> 3] ^= 1 << (at & 7)
            at += 1 + self._gap(share)
        return bytes(out)

    def _gap(self, share: float) -> int:
        import math

        if share >= 1.0:
            return 0
        return int(math.log(1.0 - self._random.random()) / math.log1p(-share))
