"""The least age in bins of ten seconds: any cut the same, bounded, and no age where none was said."""

from __future__ import annotations

import numpy as np

from hubtack.engine import age_track
from hubtack.engine.age_track import BIN_NS, AgeTrack

S = 1_000_000_000


def table(track: AgeTrack) -> list[tuple[float, float]]:
    start_ns, age_s = track.table()
    assert start_ns.dtype == np.int64
    return [(float(t) / S, float(a)) for t, a in zip(start_ns, age_s, strict=True)]


def track_of(*blocks: list[tuple[float, float]]) -> AgeTrack:
    track = AgeTrack()
    for block in blocks:
        at = np.array([t for t, _ in block], dtype=np.float64)
        track.add((at * S).astype(np.int64), np.array([a for _, a in block], dtype=np.float64))
    return track


def test_the_least_age_of_each_ten_seconds_counts_in_whole_milliseconds() -> None:
    rows = [(0.0, 1.0), (5.0, 0.4004), (9.999, 2.0), (10.0, 3.0005), (19.0, 7.0), (40.0, 0.0)]
    expected = [(0.0, 0.4), (10.0, 3.001), (40.0, 0.0)]
    assert table(track_of(rows)) == expected
    assert table(track_of(*([row] for row in rows))) == expected
    assert table(track_of(*([row] for row in reversed(rows)))) == expected  # in order of time, however they came


def test_rows_without_an_age_have_no_bin() -> None:
    assert table(track_of([(0.0, float("nan")), (12.0, 1.0), (13.0, float("nan"))])) == [(10.0, 1.0)]
    assert table(AgeTrack()) == [] == table(track_of([]))


def test_the_bins_are_bounded_and_those_that_are_there_still_fall(monkeypatch: object) -> None:
    monkeypatch.setattr(age_track, "MOST_BINS", 3)  # type: ignore[attr-defined]
    track = track_of([(10.0 * i, 5.0) for i in range(6)], [(21.0, 4.0), (51.0, 1.0)])
    assert table(track) == [(0.0, 5.0), (10.0, 5.0), (20.0, 4.0)]


def test_a_week_has_room() -> None:
    assert age_track.MOST_BINS * BIN_NS >= 6.9 * 86_400 * S
