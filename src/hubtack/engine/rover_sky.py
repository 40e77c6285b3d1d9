"""Which satellites the rover hears and uses, in half minutes, to lie beside those of the base.

GSV and GSA carry no time; they belong to the newest timed sentence before them in the stream.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Rows, unpack_text
from hubtack.engine.axis import DAY_NS, SessionAxis
from hubtack.engine.link_content import SkySets
from hubtack.engine.sky_sectors import SkySectors
from hubtack.knowledge.satellite_numbers import SYSTEM_IDS, TALKER_SYSTEMS, satellite

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
_TIMED = ("GGA", "GNS", "RMC")


@dataclass(slots=True)
class RoverSky:
    """Satellites tracked (GSV with a signal strength) and used (GSA) by the rover."""

    tracked: SkySets = field(default_factory=SkySets)
    used: SkySets = field(default_factory=SkySets)
    sectors: SkySectors = field(default_factory=SkySectors)
    _last_ns: int | None = None

    def add(self, sentences: Mapping[str, Rows], axis: SessionAxis) -> None:
        """Add the sentences of a stretch of the rover's stream, in any cut."""
        pos, time_ns = self._times(sentences, axis)
        self.sectors.add(sentences, pos, time_ns)
        for formatter in ("GSV", "GSA"):
            rows = sentences.get(formatter)
            if rows is None or not len(rows):
                continue
            index = np.searchsorted(pos, rows.pos, side="right") - 1
            known = index >= 0
            if known.any():
                self._add(formatter, rows.take(known), time_ns[index[known]])
        if len(time_ns):
            self._last_ns = int(time_ns[-1])

    def _times(self, sentences: Mapping[str, Rows], axis: SessionAxis) -> tuple[Ints, Ints]:
        """Places and times of the timed sentences, with the newest from before at place -1."""
        tables = [sentences[k] for k in _TIMED if k in sentences and len(sentences[k])]
        pos = np.concatenate([t.pos for t in tables]) if tables else np.zeros(0, dtype=np.int64)
        tod_ms = np.concatenate([t["time_ms"] for t in tables]) if tables else np.zeros(0)
        order = np.argsort(pos, kind="stable")
        pos, tod_ms = pos[order], tod_ms[order]
        pos, tod_ns = pos[~np.isnan(tod_ms)], (tod_ms[~np.isnan(tod_ms)] * 1e6).astype(np.int64)
        if not len(tod_ns):
            return (
                (np.zeros(0, dtype=np.int64),) * 2
                if self._last_ns is None
                else (np.array([-1]), np.array([self._last_ns]))
            )
        start_ns = self._last_ns if self._last_ns is not None else axis.place_tod(int(tod_ns[0]))
        steps = (np.diff(np.concatenate(([start_ns % DAY_NS], tod_ns))) + DAY_NS // 2) % DAY_NS - DAY_NS // 2
        time_ns = start_ns + np.cumsum(steps)
        if self._last_ns is None:
            return pos, time_ns
        return np.concatenate(([-1], pos)), np.concatenate(([self._last_ns], time_ns))

    def _add(self, formatter: str, rows: Rows, time_ns: Ints) -> None:
        if formatter == "GSV":
            columns = [(rows[f"sat_{i}"], rows[f"cn0_{i}_dbhz"] > 0) for i in range(1, 5)]
            systems = rows["talker"]
            into = self.tracked
        else:
            columns = [(rows[f"sat_{i}"], np.ones(len(rows), dtype=bool)) for i in range(1, 13)]
            systems = np.where(np.isnan(rows["system_id"]), rows["talker"], -rows["system_id"])
            into = self.used
        number = np.concatenate([c[0] for c in columns])
        keep = ~np.isnan(number) & np.concatenate([c[1] for c in columns])
        named = np.tile(systems, len(columns))
        mark, inverse = np.unique(np.stack((named[keep], number[keep]), axis=1), axis=0, return_inverse=True)
        pairs = np.array([_pair(float(a), float(b)) for a, b in mark], dtype=np.int64).reshape(-1, 2)
        pair = pairs[inverse.reshape(-1)]
        good = pair[:, 1] > 0
        into.add(np.tile(time_ns, len(columns))[keep][good], pair[good, 0], pair[good, 1])


@cache
def _pair(named: float, number: float) -> tuple[int, int]:
    """System and number of a satellite; ``named`` is a packed talker, or a system ID with its sign turned."""
    system = SYSTEM_IDS.get(int(-named)) if named <= 0 else TALKER_SYSTEMS.get(unpack_text(named))
    return satellite(int(number), system) or (0, 0)
