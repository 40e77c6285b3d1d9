"""A session by minutes of machine time, and its losses of the fixed solution, gathered while the rows go by.

Rows come in blocks of any size; the minute that is still running is held back whole, so the figures do not depend on the
cut. Durations are integers (ns) until they are read out. Memory is bounded by the session's length in minutes.

The time from each row to the next belongs to the earlier row, up to the limit of silence (``covered_s``); what is beyond
is ``no_data_s``, which is HOLD, and lies in the minutes in which nothing was heard. So GRADE, ROUGH and HOLD of all
minutes add up to the session's verdict seconds; the fix types add up to ``covered_s``. Working time is counted as the
session counts it: the time before each row at which the machine was at work.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.judge import HOLD
from hubtack.engine.rover import JudgedRows
from hubtack.fleet.account import MINUTE_COLUMNS
from hubtack.knowledge.fix_types import FIX_TYPES, FIXED

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MINUTE_NS = 60_000_000_000
MS = 1_000_000
_MOST_MINUTES_OF_A_STEP = 3 * 1440  # a clock that steps by more is put down in the minute it stepped from
MOST_LOSSES = 5000

_VALUES = (
    "age_s", "baseline_m", "vertical_m", "horizontal_m", "satellites", "latitude_deg", "longitude_deg", "height_m",
)  # fmt: skip
_COUNTED = ("covered", "no_data", "grade", "rough", "hold", *(f.key for f in FIX_TYPES))


@dataclass(slots=True)
class _Rows:
    """Rows as far as minutes need them; every column (N,)."""

    time_ns: Ints
    step_ns: Ints  # since the row before
    silent_ns: Ints  # how much of that is still no silence
    verdict: Ints
    fix: Ints
    working: NDArray[np.bool_]
    values: Floats  # (N, 8), in the order of _VALUES

    def __len__(self) -> int:
        return len(self.time_ns)

    def take(self, part: slice) -> _Rows:
        return _Rows(*(getattr(self, name)[part] for name in self.__dataclass_fields__))

    @classmethod
    def joined(cls, a: _Rows, b: _Rows) -> _Rows:
        return cls(*(np.concatenate((getattr(a, name), getattr(b, name))) for name in cls.__dataclass_fields__))


@dataclass(slots=True)
class MinuteRows:
    """Gathers the minutes of one session. ``moved_s`` caps the working time of one step, as the session's tally does."""

    moved_s: float
    _held: _Rows | None = None
    _parts: list[dict[str, Any]] = field(default_factory=list)
    _losses: list[dict[str, Any]] = field(default_factory=list)
    _open_loss: bool = False
    losses_left_out: int = 0
    _before: tuple[bool, float, float, bool] = (False, np.nan, np.nan, False)  # last row: fixed, place, working

    def add(self, rows: JudgedRows) -> None:
        """Add N committed rows that follow those before."""
        if not len(rows.epochs):
            return
        new = _of(rows)
        self._add_losses(new)
        held = new if self._held is None else _Rows.joined(self._held, new)
        minute = held.time_ns // MINUTE_NS
        changes = np.flatnonzero(minute[1:] != minute[:-1]) + 1
        if not len(changes):
            self._held = held
            return
        last = int(changes[-1])
        following = slice(1, last + 1)
        self._close(held.take(slice(0, last)), held.step_ns[following], held.silent_ns[following])
        self._held = held.take(slice(last, None))

    def close(self, last_interval_s: float) -> None:
        """All rows have come; the last one counts one median interval, as in the session's own sums."""
        held, self._held = self._held, None
        if held is None:
            return
        last_ns = 0 if np.isnan(last_interval_s) else round(last_interval_s * 1000) * MS
        self._close(held, np.append(held.step_ns[1:], last_ns), np.append(held.silent_ns[1:], last_ns))

    def _close(self, rows: _Rows, following_ns: Ints, silent_ns: Ints) -> None:
        """Whole minutes: ``following_ns`` (N,) is the time from each row to the next, silence after ``silent_ns``."""
        # In whole milliseconds, as the session's own sums are.
        own = np.minimum(following_ns // MS, silent_ns // MS) * MS
        lost = following_ns // MS * MS - own
        minute = rows.time_ns // MINUTE_NS
        pieces = [_spread(rows.time_ns, own)]
        gaps = np.flatnonzero(lost)
        gap_row, gap_minute, gap_ns = _spread(rows.time_ns[gaps] + own[gaps], lost[gaps])
        # A minute that is visited twice (a clock set back) stays two rows: number the runs, then name them.
        row, at, ns = pieces[0]
        run_of_row = np.cumsum(np.concatenate(([0], (minute[1:] != minute[:-1]).astype(np.int64))))
        keys = np.concatenate((
            np.stack((run_of_row[row], at), axis=1), np.stack((run_of_row[gaps[gap_row]], gap_minute), axis=1),
            np.stack((run_of_row, minute), axis=1),
        ))  # fmt: skip
        # A step that runs on into the next run's minute belongs to that run, where it is that very minute.
        first_of_run = np.flatnonzero(np.concatenate(([True], minute[1:] != minute[:-1])))
        run_minute = minute[first_of_run]
        following = np.minimum(keys[:, 0] + 1, len(run_minute) - 1)
        joins = (keys[:, 1] == run_minute[following]) & (keys[:, 1] > run_minute[keys[:, 0]])
        keys[:, 0] = np.where(joins, following, keys[:, 0])
        unique, index = np.unique(keys, axis=0, return_inverse=True)
        index = index.reshape(-1)
        sums = np.zeros((len(_COUNTED), len(unique)), dtype=np.int64)
        own_at, gap_at = index[: len(row)], index[len(row) : len(row) + len(gap_row)]
        row_at = index[len(row) + len(gap_row) :]
        np.add.at(sums[0], own_at, ns)
        np.add.at(sums[1], gap_at, gap_ns)
        np.add.at(sums, (2 + rows.verdict[row], own_at), ns)
        np.add.at(sums[2 + HOLD], gap_at, gap_ns)
        np.add.at(sums, (5 + rows.fix[row], own_at), ns)
        before_ns = np.minimum(rows.step_ns // MS * MS, int(self.moved_s * 1000) * MS)
        working, lost_work = np.zeros(len(unique), dtype=np.int64), np.zeros(len(unique), dtype=np.int64)
        np.add.at(working, row_at[rows.working], before_ns[rows.working])
        held = rows.working & (rows.verdict == HOLD)
        np.add.at(lost_work, row_at[held], before_ns[held])
        epochs = np.bincount(row_at, minlength=len(unique))
        self._join_or_append({
            "minute": unique[:, 1], "sums": sums, "working": working, "lost": lost_work, "epochs": epochs,
            **_figures(rows, row_at, len(unique)),
        })  # fmt: skip

    def _join_or_append(self, part: dict[str, Any]) -> None:
        """The last step of a block runs over into the first minute of the next one: one row, not two."""
        last = self._parts[-1] if self._parts else None
        if (
            last is not None
            and len(last["minute"])
            and last["minute"][-1] == part["minute"][0]
            and not last["epochs"][-1]
        ):
            for name in ("sums", "working", "lost"):
                part[name][..., 0] += last[name][..., -1]
            for name in last:
                last[name] = last[name][..., :-1]
        self._parts.append(part)

    def columns(self, day0: int | None) -> dict[str, list[Any]]:
        """The minutes as ``SessionAccount.minutes``; ``day0`` is the date of the axis's zero, in days since 1970."""
        out: dict[str, list[Any]] = {name: [] for name in MINUTE_COLUMNS}
        origin_min = 0 if day0 is None else day0 * 1440
        for part in self._parts:
            minute = part["minute"] + origin_min
            out["minute_ns"].extend(int(m) * MINUTE_NS for m in minute)
            out["minute_utc"].extend(_minute_texts(minute) if day0 is not None else [None] * len(minute))
            for name, values in zip(_COUNTED, part["sums"], strict=True):
                out[name + "_s"].extend((values / 1e9).tolist())
            out["working_s"].extend((part["working"] / 1e9).tolist())
            out["lost_working_s"].extend((part["lost"] / 1e9).tolist())
            out["epochs"].extend(part["epochs"].tolist())
            for name in _FIGURES:
                decimals = _ROUND[name]
                out[name].extend(None if v != v else round(v, decimals) for v in part[name].tolist())
        return out

    # Losses --------------------------------------------------------------------------------------------------------

    def _add_losses(self, rows: _Rows) -> None:
        """As the session counts them: fixed before, and now another type, or a silence between."""
        fixed = rows.fix == FIXED
        before = np.concatenate(([self._before[0]], fixed[:-1]))
        silent = rows.step_ns > rows.silent_ns
        events = np.flatnonzero((before & (~fixed | silent)) | (fixed & (~before | silent)))
        for i in events.tolist():
            if fixed[i] and self._open_loss and not (before[i] and silent[i]):
                self._losses[-1]["end_ns"] = int(rows.time_ns[i])
                self._open_loss = False
            if before[i] and (not fixed[i] or silent[i]):
                self._begin_loss(rows, i, bool(silent[i]), bool(fixed[i]))
        last = len(rows) - 1
        latitude, longitude = float(rows.values[last, 5]), float(rows.values[last, 6])
        self._before = (bool(fixed[last]), latitude, longitude, bool(rows.working[last]))

    def _begin_loss(self, rows: _Rows, i: int, silent: bool, regained: bool) -> None:
        if len(self._losses) >= MOST_LOSSES:
            self.losses_left_out += 1
            return
        latitude, longitude = self._before[1:3] if i == 0 else (float(v) for v in rows.values[i - 1, 5:7])
        worked = self._before[3] if i == 0 else bool(rows.working[i - 1])
        at_ns = int(rows.time_ns[i])
        # Silence has no row of its own: it begins where the last row stood.
        start_ns = at_ns - int(rows.step_ns[i]) if silent else at_ns
        self._losses.append({
            "start_ns": start_ns, "end_ns": at_ns if regained else None,
            "latitude_deg": None if latitude != latitude else round(latitude, 9),
            "longitude_deg": None if longitude != longitude else round(longitude, 9),
            "from_fix": FIX_TYPES[FIXED].key, "to_fix": "no_data" if silent else FIX_TYPES[int(rows.fix[i])].key,
            "working": worked or bool(rows.working[i]),
        })  # fmt: skip
        self._open_loss = not regained

    @property
    def losses(self) -> list[dict[str, Any]]:
        """Losses of the fixed solution so far; times on the session's axis, ``end_ns`` None while not regained."""
        return self._losses


_FIGURES = (
    "age_median_s", "age_max_s", "baseline_median_m", "vertical_95_median_m", "horizontal_95_median_m", "latitude_deg",
    "longitude_deg", "height_m", "satellites_median",
)  # fmt: skip
_ROUND = {
    "age_median_s": 3, "age_max_s": 3, "baseline_median_m": 3, "vertical_95_median_m": 4, "horizontal_95_median_m": 4,
    "latitude_deg": 9, "longitude_deg": 9, "height_m": 4, "satellites_median": 1,
}  # fmt: skip


def _of(rows: JudgedRows) -> _Rows:
    q, epochs = rows.q, rows.epochs
    values = np.stack(
        (
            q.age_used_s, q.baseline_m, q.edge_vertical_95_m, q.edge_horizontal_95_m, epochs.satellites,
            epochs.latitude_deg, epochs.longitude_deg, q.h_ellipsoid_m,
        ),
        axis=1,
    )  # fmt: skip
    judged = rows.judged
    verdict = judged.verdict.astype(np.int64)
    return _Rows(epochs.time_ns, judged.step_ns, judged.silent_ns, verdict, q.fix, rows.working, values)


def _spread(start_ns: Ints, length_ns: Ints) -> tuple[Ints, Ints, Ints]:
    """Spans cut at full minutes: (index of the span, minute, length in it), for spans of more than nothing."""
    kept = np.flatnonzero(length_ns > 0)
    start, length = start_ns[kept], length_ns[kept]
    first = start // MINUTE_NS
    n = np.minimum((start + length - 1) // MINUTE_NS - first + 1, _MOST_MINUTES_OF_A_STEP)
    row = np.repeat(np.arange(len(kept)), n)
    minute = first[row] + np.arange(len(row)) - np.repeat(np.cumsum(n) - n, n)
    last = np.append(row[1:] != row[:-1], True)[: len(row)]
    low = np.maximum(start[row], minute * MINUTE_NS)
    high = np.where(last, start[row] + length[row], (minute + 1) * MINUTE_NS)
    return kept[row], minute, high - low


def _figures(rows: _Rows, group: Ints, n_groups: int) -> dict[str, Floats]:
    """Medians, maxima and last places of each group of rows; NaN where nothing is known."""
    median = [_medians(rows.values[:, k], group, n_groups) for k in range(5)]
    age_max = np.full(n_groups, np.nan)
    known = np.flatnonzero(~np.isnan(rows.values[:, 0]))
    np.fmax.at(age_max, group[known], rows.values[known, 0])
    place = np.full((3, n_groups), np.nan)
    located = np.flatnonzero(~(np.isnan(rows.values[:, 5]) | np.isnan(rows.values[:, 6])))
    if len(located):
        # The last one of each group wins, since rows are in order.
        newest = np.full(n_groups, -1, dtype=np.int64)
        np.maximum.at(newest, group[located], located)
        there = newest >= 0
        place[:, there] = rows.values[newest[there], 5:8].T
    return dict(zip(_FIGURES, (median[0], age_max, *median[1:4], *place, median[4]), strict=True))


def _medians(values: Floats, group: Ints, n_groups: int) -> Floats:
    """Median of each group, NaN left out; of an even number the mean of the middle two."""
    known = np.flatnonzero(~np.isnan(values))
    order = known[np.lexsort((values[known], group[known]))]
    count = np.bincount(group[order], minlength=n_groups)
    start = np.cumsum(count) - count
    there = np.flatnonzero(count)
    low, high = start[there] + (count[there] - 1) // 2, start[there] + count[there] // 2
    out = np.full(n_groups, np.nan)
    out[there] = (values[order[low]] + values[order[high]]) / 2.0
    return out


def _minute_texts(minute: Ints) -> list[str | None]:
    """ISO 8601 of minutes since 1970."""
    return [f"{text}:00Z" for text in np.datetime_as_string(minute.astype("datetime64[m]")).tolist()]
