"""Rows for the judge made from figures, without sentences: what each row says is the default or what a test sets.

``judged`` judges them as one block and in small uneven ones, and holds the two to be the same to the bit: each rule
that a test states is so stated for live and for logs.
"""

from __future__ import annotations

import itertools
from dataclasses import fields
from typing import Any

import numpy as np

from hubtack.engine.judge import Judged, Track, judge_rows
from hubtack.engine.quantities import Quantities
from hubtack.engine.setup import Setup
from hubtack.epochs.columns import Epochs
from hubtack.knowledge import fix_types as ft
from hubtack.knowledge.reasons import BIT, codes

S = 1_000_000_000
_SIZES = (1, 2, 1, 1, 5, 1, 9)  # of the blocks, over and over
PLACE_ECEF_M = (-4_447_000.0, 785_000.0, -4_490_000.0)


class Rows:
    """N rows of a fixed rover on an open site; ``epochs``, ``q`` and the rest are there to be changed."""

    def __init__(self, n: int, *, step_s: float = 1.0, start_s: float = 100.0) -> None:
        self.n = n
        self.epochs = Epochs.blank(n)
        self.epochs.time_ns[:] = np.round((start_s + np.arange(n) * step_s) * S).astype(np.int64)
        self.epochs.latitude_deg[:] = -45.0 + 1e-9 * np.arange(n)
        self.epochs.longitude_deg[:] = 170.0
        self.epochs.h_geoid_m[:] = 8.0
        self.epochs.quality[:] = 4.0
        self.epochs.satellites[:] = 14.0
        self.epochs.minute_decimals[:] = 8.0
        floats: dict[str, Any] = {f.name: np.full(n, np.nan) for f in fields(Quantities)}
        floats |= {
            "fix": np.full(n, ft.FIXED, dtype=np.int64),
            "pos_ecef_m": np.tile(np.array(PLACE_ECEF_M), (n, 1)),
            "age_s": np.full(n, 1.0),
            "age_stream_s": np.full(n, 1.0),
            "age_used_s": np.full(n, 1.0),
            "baseline_used_m": np.full(n, 500.0),
            "heading_deg": np.full(n, 80.0),
            "edge_vertical_95_m": np.full(n, 0.030),
            "edge_horizontal_95_m": np.full(n, 0.040),
        }
        self.q = Quantities(**floats)
        self.arrival_ns = np.full(n, -1, dtype=np.int64)
        self.mono_ns: np.ndarray | None = None  # nobody's steady clock is known
        self.latch_bits = np.zeros(n, dtype=np.int64)
        self.checked = np.zeros(n, dtype=bool)
        self.compare_ages = False

    def fix(self, at: slice | int, fix: int, quality: float) -> None:
        """Another fix type, with the quality that goes with it."""
        self.q.fix[at] = fix
        self.epochs.quality[at] = quality

    def block(self, a: int, b: int, track: Track, setup: Setup) -> tuple[Judged, Track]:
        """The rows from ``a`` to ``b``, judged after ``track``."""
        part = slice(a, b)
        q = Quantities(**{f.name: getattr(self.q, f.name)[part] for f in fields(Quantities)})
        return judge_rows(
            track, self.epochs.take(part), q, setup, arrival_ns=self.arrival_ns[part],
            latch_bits=self.latch_bits[part], compare_ages=self.compare_ages, checked=self.checked[part],
            mono_ns=None if self.mono_ns is None else self.mono_ns[part],
        )  # fmt: skip


class Result:
    """Verdicts, reasons and the track after the last row."""

    def __init__(self, judged: Judged, track: Track) -> None:
        self.judged, self.track = judged, track
        self.verdict = judged.verdict.tolist()
        self.reasons = [codes(int(bits)) for bits in judged.bits]

    def rows_with(self, code: str) -> list[int]:
        """The rows that have this reason."""
        return np.flatnonzero(self.judged.bits & BIT[code]).tolist()


def judged(rows: Rows, setup: Setup | None = None, track: Track | None = None) -> Result:
    """The rows judged as one block; any other cut must give the same."""
    setup, track = setup or Setup(), track or Track()
    whole, after = rows.block(0, rows.n, track, setup)
    cut = [0, *itertools.takewhile(lambda at: at < rows.n, itertools.accumulate(itertools.cycle(_SIZES))), rows.n]
    state, parts = track, []
    for a, b in itertools.pairwise(cut):
        part, state = rows.block(a, b, state, setup)
        parts.append(part)
    for field in fields(Judged):
        together = np.concatenate([getattr(part, field.name) for part in parts])
        np.testing.assert_array_equal(together, getattr(whole, field.name), err_msg=f"{field.name}, cut {cut}")
    assert repr(state) == repr(after)
    return Result(whole, after)
