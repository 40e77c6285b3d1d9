"""Ephemerides as rows of one table, for many epochs at once: an epoch names its satellites by row.

What follows from an ephemeris alone is worked out when it comes in; GLONASS orbits are integrated once. What a row
gives at a time depends on nothing else that is in the table or is asked with it.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from hubtack.knowledge.messages import GLONASS
from hubtack.orbits.ephemeris import DAY_S, Ephemeris
from hubtack.orbits.glonass import ROUGH_STEP_S, STEP_S, Nodes
from hubtack.orbits.satellites import (
    States,
    glonass_fields,
    kepler_elements,
    kepler_states,
    sent_by_clock_s,
    wrapped,
)
from hubtack.orbits.signals import BANDS_OF, group_delay_s

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NUMBERS = 1000  # 100 times the system and the number in it
_NO_CLOCK = float("nan")


class OrbitBook:
    """Rows of ephemerides. It grows with what is put in; whoever holds it begins a new one when it is full."""

    def __init__(self) -> None:
        self._row: dict[int, int] = {}
        self._held: list[Ephemeris] = []  # keeps them alive, for they are known by identity
        self._new: list[Ephemeris] = []
        self.number: Ints = np.zeros(0, np.int64)  # 100 times the system and the number in it
        self.healthy: NDArray[np.bool_] = np.zeros(0, dtype=bool)
        self.channel: Ints = np.zeros(0, np.int64)
        self.delay_s: Floats = np.zeros((0, 3))  # group delay on the bands of ``signals.BANDS_OF``
        self._clock: Floats = np.zeros((3, 0))  # toc (NaN: GLONASS), offset, drift
        self._is_glonass: NDArray[np.bool_] = np.zeros(0, dtype=bool)
        self._place: Ints = np.zeros(0, np.int64)  # within its kind
        self._elements: Floats | None = None
        self._fields: Floats = np.zeros((12, 0))
        self._nodes = {STEP_S: Nodes(STEP_S), ROUGH_STEP_S: Nodes(ROUGH_STEP_S)}

    def __len__(self) -> int:
        return len(self._held)

    def row(self, ephemeris: Ephemeris) -> int:
        """The row of an ephemeris, made where it is new."""
        row = self._row.get(id(ephemeris))
        if row is None:
            row = self._row[id(ephemeris)] = len(self._held)
            self._held.append(ephemeris)
            self._new.append(ephemeris)
        return row

    def rows(self, ephemerides: Iterable[Ephemeris]) -> Ints:
        """Rows of many, in their order."""
        return np.array([self.row(e) for e in ephemerides], dtype=np.int64)

    def table(self, near: Iterable[Ephemeris]) -> Ints:
        """(``NUMBERS``,) row of each satellite's ephemeris by its number; -1 for none."""
        near = list(near)
        return by_number(numbers(near), self.rows(near))

    def settle(self) -> None:
        """Work out what follows from the ephemerides that have come since. Every question does so first."""
        new, self._new = self._new, []
        if not new:
            return
        glonass = np.array([e.system == GLONASS for e in new], dtype=bool)
        self.number = np.concatenate((self.number, [100 * e.system + e.satellite for e in new])).astype(np.int64)
        self.healthy = np.concatenate((self.healthy, [e.healthy for e in new])).astype(bool)
        self.channel = np.concatenate((self.channel, [e.channel for e in new])).astype(np.int64)
        delays = np.full((len(new), self.delay_s.shape[1]), np.nan)
        for i, e in enumerate(new):
            names = BANDS_OF.get(e.system, ())
            delays[i, : len(names)] = [group_delay_s(e, name) for name in names]
        self.delay_s = np.concatenate((self.delay_s, delays))
        clock = [(e.toc_s if e.system != GLONASS else _NO_CLOCK, e.af0_s, e.af1) for e in new]
        self._clock = np.concatenate((self._clock, np.array(clock).T), axis=1)
        self._is_glonass = np.concatenate((self._is_glonass, glonass))
        place = np.where(self._is_glonass, np.cumsum(self._is_glonass), np.cumsum(~self._is_glonass)) - 1
        self._place = place.astype(np.int64)
        if not glonass.all():
            made = kepler_elements([e for e in new if e.system != GLONASS])
            self._elements = made if self._elements is None else np.concatenate((self._elements, made), axis=1)
        if glonass.any():
            fields = glonass_fields([e for e in new if e.system == GLONASS])
            self._fields = np.concatenate((self._fields, fields), axis=1)
            for nodes in self._nodes.values():
                nodes.add(fields[3:].T)

    def sent_at_s(self, row: Ints, received_gpst_s: Floats, pseudorange_m: Floats) -> Floats:
        """Time of transmission (n,) as ``satellites.sent_at_s`` gives it. [s]"""
        self.settle()
        toc_s, af0_s, af1 = self._clock[:, row]
        return sent_by_clock_s(toc_s, af0_s, af1, received_gpst_s, pseudorange_m)

    def states(self, row: Ints, t_gpst_s: Floats, leap_s: float, *, rough: bool = False) -> States:
        """States of rows (n,) at times (n,) of the GPS week; ``rough`` is good for directions. NaN where a time is NaN."""
        self.settle()
        pos, clock = np.full((len(row), 3), np.nan), np.full(len(row), np.nan)
        glonass = self._is_glonass[row]
        for mine, solve in ((np.flatnonzero(~glonass), self._kepler), (np.flatnonzero(glonass), self._glonass)):
            if len(mine):
                pos[mine], clock[mine] = solve(self._place[row[mine]], t_gpst_s[mine], leap_s, rough)
        return States(pos, clock)

    def _kepler(self, place: Ints, t_gpst_s: Floats, leap_s: float, rough: bool) -> tuple[Floats, Floats]:
        assert self._elements is not None
        return kepler_states(self._elements[:, place], t_gpst_s)

    def _glonass(self, place: Ints, t_gpst_s: Floats, leap_s: float, rough: bool) -> tuple[Floats, Floats]:
        tb_utc_s, af0_s, af1 = self._fields[:3, place]
        tk = wrapped(t_gpst_s - leap_s - tb_utc_s, DAY_S)
        pos = self._nodes[ROUGH_STEP_S if rough else STEP_S].positions(place, tk)
        return pos, np.asarray(af0_s + af1 * tk)


def numbers(ephemerides: Iterable[Ephemeris]) -> Ints:
    """100 times the system and the number in it, of each ephemeris."""
    return np.array([100 * e.system + e.satellite for e in ephemerides], dtype=np.int64)


def by_number(number: Ints, rows: Ints) -> Ints:
    """(``NUMBERS``,) rows of satellites by their numbers, -1 for none."""
    out = np.full(NUMBERS, -1, dtype=np.int64)
    out[number] = rows
    return out
