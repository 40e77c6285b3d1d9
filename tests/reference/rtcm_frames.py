"""RTCM 3 frames made from field values, by the bit widths of RTCM 10403.3 as pyrtcm's tables reproduce them."""

from __future__ import annotations

import os
import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from hubtack.framing.crc import crc24q
from hubtack.framing.splitter import Kind, Splitter

# Recorded streams that are not part of the project; tests that want them are skipped where there are none.
RECORDED = Path(os.environ.get("HUBTACK_RECORDED", Path(__file__).parents[3] / "shared" / "data"))

SATELLITE_FIELDS = {  # level: (field, bits), stored field by field
    1: (("DF398", 10),), 2: (("DF398", 10),), 3: (("DF398", 10),),
    4: (("DF397", 8), ("DF398", 10)), 6: (("DF397", 8), ("DF398", 10)),
    5: (("DF397", 8), ("ExtSatInfo", 4), ("DF398", 10), ("DF399", 14)),
    7: (("DF397", 8), ("ExtSatInfo", 4), ("DF398", 10), ("DF399", 14)),
}  # fmt: skip
CELL_FIELDS = {
    1: (("DF400", 15),),
    2: (("DF401", 22), ("DF402", 4), ("DF420", 1)),
    3: (("DF400", 15), ("DF401", 22), ("DF402", 4), ("DF420", 1)),
    4: (("DF400", 15), ("DF401", 22), ("DF402", 4), ("DF420", 1), ("DF403", 6)),
    5: (("DF400", 15), ("DF401", 22), ("DF402", 4), ("DF420", 1), ("DF403", 6), ("DF404", 15)),
    6: (("DF405", 20), ("DF406", 24), ("DF407", 10), ("DF420", 1), ("DF408", 10)),
    7: (("DF405", 20), ("DF406", 24), ("DF407", 10), ("DF420", 1), ("DF408", 10), ("DF404", 15)),
}  # fmt: skip


def frame(payload: bytes) -> bytes:
    """A payload with its head and CRC."""
    head = bytes((0xD3, len(payload) >> 8, len(payload) & 0xFF)) + payload
    return head + crc24q(head).to_bytes(3, "big")


def packed(fields: Iterable[tuple[int, int]]) -> bytes:
    """(value, bits) one after the other, the last byte filled with zero bits."""
    text = "".join(format(value & ((1 << bits) - 1), f"0{bits}b") for value, bits in fields)
    text += "0" * (-len(text) % 8)
    return int(text, 2).to_bytes(len(text) // 8, "big")


@dataclass
class Msm:
    """An MSM of random content: raw field values by name, one a satellite or one a cell."""

    number: int
    level: int
    station: int
    epoch: int
    satellites: list[int]
    signals: list[int]
    cells: list[tuple[int, int]]
    raw: dict[str, list[int]] = field(default_factory=dict)
    data: bytes = b""


def random_msm(rng: random.Random, base: int, level: int, signals: Iterable[int] = range(1, 33)) -> Msm:
    """A frame of message ``base + level`` with random masks and values, "no value" markers among them."""
    n_sig = rng.randrange(1, 5)
    sats = sorted(rng.sample(range(1, 65), rng.randrange(1, 64 // n_sig + 1)))
    sigs = sorted(rng.sample(sorted(signals), min(n_sig, len(list(signals)))))
    # As in the standard every satellite and every signal of the masks has a cell.
    used = {(s, g) for s in sats for g in sigs if rng.random() < 0.7}
    used |= {(s, rng.choice(sigs)) for s in sats} | {(rng.choice(sats), g) for g in sigs}
    cells = sorted(used)
    msm = Msm(base + level, level, rng.randrange(4096), rng.randrange(604_800_000), sats, sigs, cells)
    head = [(msm.number, 12), (msm.station, 12), (msm.epoch, 30), (rng.randrange(2), 1), (rng.randrange(8), 3)]
    head += [(0, 7), (0, 2), (0, 2), (0, 1), (0, 3)]
    head += [(sum(1 << 64 - s for s in sats), 64), (sum(1 << 32 - s for s in sigs), 32)]
    head += [(int((s, g) in used), 1) for s in sats for g in sigs]
    body = []
    for table, count in ((SATELLITE_FIELDS, len(sats)), (CELL_FIELDS, len(cells))):
        for name, bits in table[level]:
            signed = name in ("DF399", "DF400", "DF401", "DF404", "DF405", "DF406")
            low = -(1 << bits - 1) if signed else 0
            values = [low if rng.random() < 0.05 else rng.randrange(low, low + (1 << bits)) for _ in range(count)]
            msm.raw[name] = values
            body += [(v, bits) for v in values]
    msm.data = frame(packed(head + body) + bytes(rng.choice((0, 0, 9))))
    return msm


def recorded_frames(*names: str) -> Iterator[bytes]:
    """Good frames of recorded streams, if there are any."""
    for name in names:
        path = RECORDED / name
        if path.exists():
            yield from (p.data for p in Splitter().feed(path.read_bytes()) if p.kind is Kind.FRAME)
