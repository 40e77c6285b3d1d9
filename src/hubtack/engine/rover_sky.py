"""Which satellites the rover hears and uses, in half minutes, to lie beside those of the base.

GSV and GSA carry no time; they belong to the newest timed sentence before them in the stream.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Rows, pack_text
from hubtack.engine.axis import DAY_NS, SessionAxis
from hubtack.engine.link_content import N_SATELLITES, N_SYSTEMS, SKY_BIN_NS, SkySets
from hubtack.engine.sky_geometry import MINUTE_NS, SkyGeometry
from hubtack.engine.sky_sectors import SkySectors
from hubtack.knowledge.satellite_numbers import SYSTEM_IDS, TALKER_SYSTEMS, satellite

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
_TIMED = ("GGA", "GNS", "RMC")
_MOST_NUMBER = 512  # satellite numbers of NMEA end at 463
_KEYS = N_SYSTEMS * _MOST_NUMBER
_WIDE_SPAN = 2048  # half minutes of one stretch


def _code_table() -> Ints:
    """Code (system x 65 + number within it, 0 for none) by named system and satellite number."""
    table = np.zeros((N_SYSTEMS, _MOST_NUMBER), dtype=np.int64)
    for named in range(N_SYSTEMS):
        for number in range(1, _MOST_NUMBER - 1):
            of, within = satellite(number, named or None) or (0, 0)
            table[named, number] = of * N_SATELLITES + within if 1 <= within < N_SATELLITES else 0
    return table


_CODES = _code_table()
_FLAT_CODES = _CODES.ravel()
_NAME_OF_ID = np.array([SYSTEM_IDS.get(number, 0) for number in range(16)], dtype=np.int64)
_NAME_OF_TALKER = np.zeros(65_536, dtype=np.int64)  # by a packed talker of two letters
for _talker, _system in TALKER_SYSTEMS.items():
    _NAME_OF_TALKER[int(pack_text(_talker.encode()))] = _system


@dataclass(slots=True)
class RoverSky:
    """Satellites tracked (GSV with a signal strength) and used (GSA) by the rover."""

    tracked: SkySets = field(default_factory=SkySets)
    used: SkySets = field(default_factory=SkySets)
    sectors: SkySectors = field(default_factory=SkySectors)
    geometry: SkyGeometry = field(default_factory=SkyGeometry)
    _last_ns: int | None = None

    def add(self, sentences: Mapping[str, Rows], axis: SessionAxis) -> None:
        """Add the sentences of a stretch of the rover's stream, in any cut."""
        pos, time_ns = self._times(sentences, axis)
        for formatter, take in (("GSV", self._add_view), ("GSA", self._add_used)):
            rows = sentences.get(formatter)
            if rows is None or not len(rows) or not len(pos):
                continue
            index = rows.newest_before(pos)
            if index[0] < 0:  # before the first time of all
                rows, index = rows.take(index >= 0), index[index >= 0]
            if len(rows):
                take(rows, time_ns[index])
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

    def _add_view(self, rows: Rows, time_ns: Ints) -> None:
        self.sectors.add(rows, time_ns)
        # Satellites and strengths stand in the table as (n, 4): one step serves all columns, in the order of memory.
        number = rows.columns("sat_1", 4, step=4)
        named = _talker_names(rows["talker"])
        heard = np.fmax(number.T, 0.0)
        heard *= rows.columns("cn0_1_dbhz", 4, step=4).T > 0
        self.tracked.add_codes(*_distinct(time_ns, named, heard))
        self._add_directions(rows, time_ns, named, number)

    def _add_used(self, rows: Rows, time_ns: Ints) -> None:
        said = rows["system_id"]
        unsaid = np.isnan(said)
        if unsaid.all():
            named = _talker_names(rows["talker"])
        elif unsaid.any():
            named = np.where(unsaid, _talker_names(rows["talker"]), _name_of_id(np.where(unsaid, 0.0, said)))
        else:
            named = _name_of_id(said)
        self.used.add_codes(*_distinct(time_ns, named, np.fmax(rows.columns("sat_1", 12).T, 0.0)))

    def _add_directions(self, rows: Rows, time_ns: Ints, named: Ints, number: Floats) -> None:
        """Only the first turn of a minute is looked at, so that most sentences cost nothing here."""
        minute = time_ns // MINUTE_NS
        opens = np.concatenate(([True], minute[1:] != minute[:-1]))
        first_ns = time_ns[np.maximum.accumulate(np.where(opens, np.arange(len(minute)), 0))]
        running = self.geometry.turn_ns
        if running is not None and running // MINUTE_NS == int(minute[0]):
            first_ns = np.where(minute == minute[0], running, first_ns)
        index = np.flatnonzero(time_ns == first_ns)
        if not len(index):
            return
        part = rows.take(index)
        code = _codes(named[index], number[index])
        row, column = np.nonzero(code)
        self.geometry.add(
            time_ns[index][row],
            code[row, column],
            part.columns("azimuth_1_deg", 4, step=4)[row, column],
            part.columns("elevation_1_deg", 4, step=4)[row, column],
        )


def _distinct(time_ns: Ints, named: Ints, number: Floats) -> tuple[Ints, Ints]:
    """Half minutes [ns] and codes of the satellites in sentences of (n,) times and named systems, each but once.

    ``number`` (k, n) is 0 where there is none. A sky changes slowly and is told every second: what the half minute
    has already costs a mark in a table and no more.
    """
    half = time_ns // SKY_BIN_NS
    first = int(half.min())
    span = int(half.max()) - first + 1
    key = np.fmin(number, _MOST_NUMBER - 1.0).astype(np.int64)  # the last number of the table is nobody's
    key += (half - first) * _KEYS + named * _MOST_NUMBER
    if span <= _WIDE_SPAN:
        told = np.zeros(span * _KEYS, dtype=bool)
        told[key] = True
        found = np.flatnonzero(told)
    else:  # a jump of the clock inside one stretch
        found = np.unique(key)
    code = _FLAT_CODES[found % _KEYS]
    good = code > 0
    return (found[good] // _KEYS + first) * SKY_BIN_NS, code[good]


def _codes(named: Ints, number: Floats) -> Ints:
    """Satellite codes of (n, k) numbers in sentences of (n,) talkers; 0 where there is none."""
    usable = (number >= 1) & (number < _MOST_NUMBER)  # NaN is no satellite
    return np.where(usable, _CODES[named[:, None], np.where(usable, number, 0).astype(np.int64)], 0)


def _talker_names(talker: Floats) -> Ints:
    """Row of the table of satellite codes for packed talkers; 0 where a talker names no system."""
    short = (talker >= 0) & (talker < 65_536)
    return _NAME_OF_TALKER[np.where(short, talker, 0.0).astype(np.int64)]


def _name_of_id(system_id: Floats) -> Ints:
    known = (system_id >= 1) & (system_id < len(_NAME_OF_ID))
    return _NAME_OF_ID[np.where(known, system_id, 0.0).astype(np.int64)]
