"""Rover epochs from decoded sentences, for any cut of the input the same.

``Assembler.feed`` takes the sentences decoded from the next stretch of one source and gives the rows that content has
closed; what belongs to rows still open waits. ``open_rows`` shows those as they stand, without touching them: that is
how a live screen never waits for a successor. ``close`` gives them out for good.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.tables import Rows, pack_text, unpack_text
from hubtack.epochs.columns import COLUMNS, KIND_BIT, KINDS, Epochs
from hubtack.epochs.grouping import DAY_MS, DROPPED, Grouped, group

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TIMED = ("GGA", "GNS", "RMC", "GST", "GBS")
UNTIMED = ("HDT", "THS", "GSA", "GSV", "VTG", "ZDA")
TALKER_GN = pack_text(b"GN")
# A heading from a gyro (talker HE) is no antenna pair.
TALKER_GYRO = pack_text(b"HE")
MAIN_SILENT_MS = 3_000  # rows without GGA or GNS count as epochs only where neither has come for this long
GST_HOLD_MS = 2_000  # judgement: a slower GST is held for 2 s

# Mode letters of GNS and RMC as GGA quality. The order is by trust, lowest last: a solution is called by the least
# of the letters of the constellations in use, so that doubt never reads as "fixed".
_LETTER_QUALITY: Mapping[str, float] = {"R": 4, "F": 5, "P": 3, "D": 2, "A": 1, "E": 6, "M": 7, "S": 8, "N": 0}
_LETTER_TRUST = "RFPDAEMS"


def gns_quality(mode: str) -> float:
    """GGA quality for a GNS mode string such as "RRN"; 0 where no constellation is used, NaN for foreign letters.

    Source: NMEA 0183 mode letters (order of constellations GP, GL, GA, GB, GQ, GI); the least trusted wins.
    """
    used = mode.strip().replace("N", "")
    if not used:
        return 0.0 if mode.strip() else np.nan
    if any(letter not in _LETTER_TRUST for letter in used):
        return np.nan
    return _LETTER_QUALITY[max(used, key=_LETTER_TRUST.index)]


def _map_packed(column: Floats, meaning: Callable[[str], float]) -> Floats:
    """``meaning`` of packed text, worked out once for each text that occurs."""
    out = np.full(len(column), np.nan)
    known = ~np.isnan(column)
    if known.any():
        texts, inverse = np.unique(column[known], return_inverse=True)
        out[known] = np.array([meaning(unpack_text(float(t))) for t in texts])[inverse]
    return out


@dataclass(slots=True)
class _Carry:
    """What one call leaves for the next, beside the sentences of the open rows themselves."""

    anchor_ms: int | None = None
    segment: int = 0
    last_main_ms: int | None = None  # time of the newest closed row with GGA or GNS, in its segment
    last_main_segment: int = -1
    gst: tuple[int, int, tuple[float, ...]] | None = None  # (segment, tod_ms, values) of the newest closed GST


@dataclass(slots=True)
class Assembler:
    """Puts the sentences of one rover source into rows. No I/O, no clock.

    Attributes
    ----------
    n_late, n_stray : int
        Timed sentences that came too late, and untimed ones before the first epoch; both dropped.
    """

    pending: dict[str, Rows] = field(default_factory=dict)
    carry: _Carry = field(default_factory=_Carry)
    n_late: int = 0
    n_stray: int = 0

    def feed(self, sentences: Mapping[str, Rows]) -> Epochs:
        """Rows closed by ``sentences``, which must follow all those fed before."""
        for kind in KINDS:
            rows = sentences.get(kind)
            if rows is not None and len(rows):
                held = self.pending.get(kind)
                self.pending[kind] = Rows.concat([held, rows]) if held is not None and len(held) else rows
        return self._run(final=False)

    def close(self) -> Epochs:
        """The rows that are still open, closed by the end of input."""
        return self._run(final=True)

    def open_rows(self) -> Epochs:
        """The open rows as they stand; a later sentence may still add to them."""
        twin = Assembler(
            dict(self.pending),
            _Carry(
                self.carry.anchor_ms,
                self.carry.segment,
                self.carry.last_main_ms,
                self.carry.last_main_segment,
                self.carry.gst,
            ),
        )
        return twin._run(final=True)

    def _run(self, *, final: bool) -> Epochs:
        timed = [(kind, rows) for kind in TIMED if (rows := self.pending.get(kind)) is not None and len(rows)]
        times = [rows["time_ms"] for _, rows in timed]
        known = [~np.isnan(t) for t in times]
        parts = [rows.end[k] for (_, rows), k in zip(timed, known, strict=True)]
        ends: Ints = np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)
        if len(ends) == 0:
            self._drop_strays()
            return Epochs.blank(0)
        order = np.argsort(ends, kind="stable")
        time_ms = np.concatenate([t[k] for t, k in zip(times, known, strict=True)]).astype(np.int64)[order]
        grouped = group(time_ms, self.carry.anchor_ms, self.carry.segment)
        self.n_late += grouped.n_late
        sorted_ends = ends[order]
        row_of_timed = np.empty(len(order), dtype=np.int64)
        row_of_timed[order] = grouped.row

        n_rows = len(grouped.opens)
        n_closed = n_rows if final else _closed_rows(grouped)
        rows_by_kind: dict[str, Ints] = {}
        at = 0
        for (kind, rows), k in zip(timed, known, strict=True):
            assigned = np.full(len(rows), DROPPED, dtype=np.int64)
            count = int(np.count_nonzero(k))
            assigned[k] = row_of_timed[at : at + count]
            at += count
            rows_by_kind[kind] = assigned
        opened_at = sorted_ends[grouped.opens]
        for kind in UNTIMED:
            rows = self.pending.get(kind)
            if rows is not None and len(rows):
                assigned = np.searchsorted(opened_at, rows.end, side="right") - 1
                self.n_stray += int(np.count_nonzero(assigned < 0))
                rows_by_kind[kind] = assigned.astype(np.int64)

        epochs = self._build(grouped, n_closed, rows_by_kind, opened_at)
        self._keep_open(grouped, n_closed, rows_by_kind)
        return self._main_rows(epochs)

    def _drop_strays(self) -> None:
        """Without an open row there is nothing an untimed sentence, or one whose time is empty, could join."""
        for kind in KINDS:
            rows = self.pending.pop(kind, None)
            if rows is not None:
                self.n_stray += len(rows)

    def _keep_open(self, grouped: Grouped, n_closed: int, rows_by_kind: Mapping[str, Ints]) -> None:
        """Hold back the sentences of open rows; everything else has been used or counted."""
        for kind, assigned in rows_by_kind.items():
            self.pending[kind] = self.pending[kind].take(assigned >= n_closed)
        if n_closed < len(grouped.opens):
            self.carry.anchor_ms = int(grouped.tod_ms[n_closed])
            self.carry.segment = int(grouped.segment[n_closed])

    def _build(self, grouped: Grouped, n: int, rows_by_kind: Mapping[str, Ints], opened_at: Ints) -> Epochs:
        epochs = Epochs.blank(n)
        next_opened = np.concatenate((opened_at[1:], [np.iinfo(np.int64).max]))
        epochs.tod_ms[:] = grouped.tod_ms[:n]
        epochs.segment[:] = grouped.segment[:n]
        epochs.pos[:] = np.iinfo(np.int64).max
        for kind, assigned in rows_by_kind.items():
            use = (assigned >= 0) & (assigned < n)
            if not use.any():
                continue
            rows, row = self.pending[kind].take(use), assigned[use]
            np.minimum.at(epochs.pos, row, rows.pos)
            np.maximum.at(epochs.end, row, rows.end)
            np.bitwise_or.at(epochs.kinds, row, KIND_BIT[kind])
            np.bitwise_or.at(epochs.kinds_early, row[rows.end < next_opened[row]], KIND_BIT[kind])
            _FILL[kind](epochs, row, rows)
        return epochs

    def _main_rows(self, epochs: Epochs) -> Epochs:
        """Epochs are the rows with GGA or GNS; others only where neither has come for 3 s. GST is held for 2 s."""
        if not len(epochs):
            return epochs
        self._hold_gst(epochs)
        main = (epochs.kinds & (KIND_BIT["GGA"] | KIND_BIT["GNS"])) != 0
        if main.all():
            keep = main
        else:
            # Per row, the time of the newest main row before it in the same segment.
            clock = np.where(main, np.arange(len(epochs)), -1)
            newest = np.maximum.accumulate(clock)
            carried = self.carry.last_main_ms
            same = newest >= 0
            since = np.where(
                same,
                epochs.tod_ms - epochs.tod_ms[np.maximum(newest, 0)],
                epochs.tod_ms - carried if carried is not None else MAIN_SILENT_MS + 1,
            )
            segment_of = np.where(same, epochs.segment[np.maximum(newest, 0)], self.carry.last_main_segment)
            alone = (since > MAIN_SILENT_MS) | (segment_of != epochs.segment)
            keep = main | (alone & ((epochs.kinds & KIND_BIT["RMC"]) != 0))
        last = np.flatnonzero(main)
        if len(last):
            self.carry.last_main_ms = int(epochs.tod_ms[last[-1]])
            self.carry.last_main_segment = int(epochs.segment[last[-1]])
        return epochs if keep.all() else epochs.take(keep)

    def _hold_gst(self, epochs: Epochs) -> None:
        names = ("sigma_major_m", "sigma_minor_m", "orientation_deg", "sigma_north_m", "sigma_east_m", "sigma_up_m")
        has = (epochs.kinds & KIND_BIT["GST"]) != 0
        newest = np.maximum.accumulate(np.where(has, np.arange(len(epochs)), -1))
        if not has.all():
            source = np.maximum(newest, 0)
            fresh = (newest >= 0) & (epochs.segment == epochs.segment[source])
            fresh &= epochs.tod_ms - epochs.tod_ms[source] <= GST_HOLD_MS
            fill = ~has & fresh
            for name in names:
                column = getattr(epochs, name)
                column[fill] = column[source[fill]]
            if self.carry.gst is not None:
                segment, tod_ms, values = self.carry.gst
                fill = (newest < 0) & (epochs.segment == segment) & (epochs.tod_ms - tod_ms <= GST_HOLD_MS)
                for name, value in zip(names, values, strict=True):
                    getattr(epochs, name)[fill] = value
        at = int(newest[-1])
        if at >= 0:
            values = tuple(float(getattr(epochs, name)[at]) for name in names)
            self.carry.gst = (int(epochs.segment[at]), int(epochs.tod_ms[at]), values)


def _closed_rows(grouped: Grouped) -> int:
    """Rows closed by content: all but the last two of the running segment."""
    n = len(grouped.opens)
    in_last = int(np.count_nonzero(grouped.segment == grouped.segment[-1]))
    return n - min(2, in_last)


def _first_valid(target: Floats, row: Ints, value: Floats, talker: Floats | None = None) -> None:
    """Give each row the first value that is there; talker GN goes before all others, empty never counts."""
    valid = ~np.isnan(value)
    if talker is not None and len(row) > 1 and (row[1:] == row[:-1]).any():
        order = np.lexsort((np.arange(len(row)), talker != TALKER_GN, row))
        row, value, valid = row[order], value[order], valid[order]
    row, value = row[valid], value[valid]
    if not len(row):
        return
    first = np.empty(len(row), dtype=bool)
    first[0] = True
    first[1:] = row[1:] != row[:-1]
    if not first.all() and (np.diff(row) < 0).any():
        _, index = np.unique(row, return_index=True)
        row, value = row[index], value[index]
    else:
        row, value = row[first], value[first]
    empty = np.isnan(target[row])
    target[row[empty]] = value[empty]


def _fill_named(names: tuple[str, ...]) -> Callable[[Epochs, Ints, Rows], None]:
    def fill(epochs: Epochs, row: Ints, rows: Rows) -> None:
        talker = rows["talker"]
        for name in names:
            _first_valid(getattr(epochs, name), row, rows[name], talker)
        _stamp(epochs, row, rows)

    return fill


def _stamp(epochs: Epochs, row: Ints, rows: Rows) -> None:
    stamp = rows["stamp_utc_s"]
    known = ~np.isnan(stamp)
    if known.any():
        np.fmax.at(epochs.stamp_utc_s, row[known], stamp[known])


_POSITION = (
    "latitude_deg",
    "longitude_deg",
    "satellites",
    "hdop",
    "h_geoid_m",
    "geoid_separation_m",
    "age_s",
    "station_id",
    "minute_decimals",
    "height_decimals",
)


def _fill_gga(epochs: Epochs, row: Ints, rows: Rows) -> None:
    _fill_named((*_POSITION, "quality"))(epochs, row, rows)


def _fill_gns(epochs: Epochs, row: Ints, rows: Rows) -> None:
    _fill_named(_POSITION)(epochs, row, rows)
    _first_valid(epochs.quality, row, _map_packed(rows["mode"], gns_quality), rows["talker"])


def _fill_rmc(epochs: Epochs, row: Ints, rows: Rows) -> None:
    talker = rows["talker"]
    void = _map_packed(rows["status"], lambda text: 0.0 if text == "A" else 1.0)
    _first_valid(epochs.rmc_void, row, void, talker)
    letter = _map_packed(rows["mode"], gns_quality)
    letter = np.where(void == 1.0, 0.0, letter)
    for name in ("latitude_deg", "longitude_deg", "speed_m_s", "course_deg"):
        _first_valid(getattr(epochs, name), row, rows[name], talker)
    _first_valid(epochs.quality, row, letter, talker)
    date = rows["date"]
    year = date % 100
    days = _days(np.where(year < 80, 2000 + year, 1900 + year), date // 100 % 100, date // 10_000)
    _first_valid(epochs.date_day, row, days - epochs.tod_ms[row] // DAY_MS, talker)
    _stamp(epochs, row, rows)


def _fill_zda(epochs: Epochs, row: Ints, rows: Rows) -> None:
    # ZDA's time differs from GGA's in real logs, so its date goes with its own time of day: the two may lie on
    # either side of midnight.
    days = _days(rows["year"], rows["month"], rows["day"])
    gap = epochs.tod_ms[row] - rows["time_ms"]
    _first_valid(epochs.date_day, row, days - np.round(gap / DAY_MS), rows["talker"])
    _stamp(epochs, row, rows)


def _days(year: Floats, month: Floats, day: Floats) -> Floats:
    """Days since 1970-01-01 of calendar dates; NaN where there is no such date."""
    ok = (year >= 1980) & (year < 2100) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    out = np.full(len(year), np.nan)
    if ok.any():
        months = (year[ok] - 1970).astype(np.int64) * 12 + month[ok].astype(np.int64) - 1
        first = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
        following = (months + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
        days = first + day[ok].astype(np.int64) - 1
        out[ok] = np.where(days < following, days, np.nan)
    return out


def _fill_heading(source: float) -> Callable[[Epochs, Ints, Rows], None]:
    def fill(epochs: Epochs, row: Ints, rows: Rows) -> None:
        heading = np.where(rows["talker"] == TALKER_GYRO, np.nan, rows["heading_deg"])
        if source == 2:
            void = _map_packed(rows["mode"], lambda text: 0.0 if text in ("A", "D", "F", "R", "") else 1.0)
            heading = np.where(void == 1.0, np.nan, heading)
        before = np.isnan(epochs.heading_deg[row])
        _first_valid(epochs.heading_deg, row, heading, rows["talker"])
        got = before & ~np.isnan(epochs.heading_deg[row])
        epochs.heading_source[row[got]] = source
        _stamp(epochs, row, rows)

    return fill


def _fill_gsa(epochs: Epochs, row: Ints, rows: Rows) -> None:
    talker = rows["talker"]
    for name, column in (("pdop", "pdop"), ("hdop_gsa", "hdop"), ("vdop", "vdop")):
        _first_valid(getattr(epochs, name), row, rows[column], talker)
    used = np.zeros(len(row), dtype=np.int64)
    for i in range(1, 13):
        used += ~np.isnan(rows[f"sat_{i}"])
    count = np.zeros(len(epochs), dtype=np.int64)
    np.add.at(count, row, used)
    seen = np.unique(row)
    epochs.n_used[seen] = count[seen]


def _fill_gsv(epochs: Epochs, row: Ints, rows: Rows) -> None:
    count = np.zeros(len(epochs), dtype=np.int64)
    # Integer sums (0.01 dB-Hz), so that the order of adding cannot matter.
    total = np.zeros(len(epochs), dtype=np.int64)
    for i in range(1, 5):
        cn0 = rows[f"cn0_{i}_dbhz"]
        tracked = cn0 > 0
        np.add.at(count, row[tracked], 1)
        np.add.at(total, row[tracked], np.round(cn0[tracked] * 100).astype(np.int64))
    seen = np.unique(row)
    epochs.n_tracked[seen] = count[seen]
    some = seen[count[seen] > 0]
    epochs.cn0_mean_dbhz[some] = total[some] / count[some] / 100.0


_FILL: Mapping[str, Callable[[Epochs, Ints, Rows], None]] = {
    "GGA": _fill_gga,
    "GNS": _fill_gns,
    "RMC": _fill_rmc,
    "GST": _fill_named(
        ("sigma_major_m", "sigma_minor_m", "orientation_deg", "sigma_north_m", "sigma_east_m", "sigma_up_m")
    ),
    "GBS": _stamp,
    "HDT": _fill_heading(1.0),
    "THS": _fill_heading(2.0),
    "GSA": _fill_gsa,
    "GSV": _fill_gsv,
    "VTG": _fill_named(("speed_m_s", "course_deg")),
    "ZDA": _fill_zda,
}

assert set(_FILL) == set(KINDS)
assert set(COLUMNS) >= set(_POSITION)
