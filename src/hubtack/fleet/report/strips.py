"""A day of one machine as lanes of SVG. A lane has its own height, so a verdict is told by where its block stands first,
by its hatch second and by its colour last.

Drawn by hand and not with a plotting library: a year of a fleet has thousands of strips, and one path a lane keeps each
at a few kB. The drawing is stretched in width only; words and times stand beside it as HTML, so they keep their size on
a phone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from hubtack.fleet.report.days import Day, Floats

LANE, GAP = 14, 2
MOST_COLUMNS = 720  # a day of two-minute columns; more than a page is wide
AGE_FROM_S, AGE_TO_S = 0.5, 120.0
AGE_HEIGHT, BASELINE_HEIGHT = 46, 34


def lanes_svg(day: Day, lanes: Sequence[tuple[str, Floats]], label: str) -> Markup:
    """Lanes one above the other; a block is as high as the share of its minute(s), at least a quarter of the lane.

    ``lanes`` are pairs of a CSS class (one of ours, never text from outside) and seconds for each minute (N,).
    """
    factor = max(1, math.ceil(day.minutes / MOST_COLUMNS))
    height = len(lanes) * (LANE + GAP) - GAP
    parts = []
    length_s = 60.0 * factor
    for i, (css, seconds) in enumerate(lanes):
        level = np.ceil(np.clip(_binned(seconds, factor, np.add.reduce) / length_s, 0, 1) * 4 - 1e-9) / 4
        foot = i * (LANE + GAP) + LANE
        parts.append(f'<path class="lane" d="M0 {foot}H{day.minutes}"/>')
        path = _blocks(level, factor, foot)
        if path:
            parts.append(f'<path class="{css}" d="{path}"/>')
    return _svg(day, height, "".join(parts), label, no_log=True)


def _blocks(level: Floats, factor: int, foot: int) -> str:
    """Runs of equal level as rectangles on a foot line."""
    out = []
    edges = np.flatnonzero(np.diff(level)) + 1
    starts = np.concatenate(([0], edges))
    ends = np.concatenate((edges, [len(level)]))
    for start, end in zip(starts, ends, strict=True):
        if level[start] > 0:
            high = f"{LANE * level[start]:g}"
            width = (end - start) * factor
            out.append(f"M{start * factor} {foot}v-{high}h{width}v{high}z")
    return "".join(out)


def age_svg(day: Day, rough_s: float | None, hold_s: float | None) -> Markup:
    """Correction age on a scale of powers: the median of each minute as a line, up to its largest as a band."""
    median, largest = day.columns["age_median_s"], day.columns["age_max_s"]

    def y(age_s: float) -> float:
        low, high = math.log(AGE_FROM_S), math.log(AGE_TO_S)
        return AGE_HEIGHT * (1 - (math.log(min(max(age_s, AGE_FROM_S), AGE_TO_S)) - low) / (high - low))

    parts = []
    for limit, css in ((rough_s, "limit"), (hold_s, "limit strong")):
        if limit is not None and AGE_FROM_S < limit < AGE_TO_S:
            parts.append(f'<path class="{css}" d="M0 {y(limit):.1f}H{day.minutes}"/>')
    parts.append(_band(median, largest, day.minutes, y))
    parts.append(_line(median, day.minutes, y, "line"))
    return _svg(day, AGE_HEIGHT, "".join(parts), "correction age by the minute")


def baseline_svg(day: Day, top_m: float) -> Markup:
    """Baseline from 0 up to ``top_m``, linear."""

    def y(length_m: float) -> float:
        return BASELINE_HEIGHT * (1 - min(length_m / top_m, 1.0)) if top_m > 0 else BASELINE_HEIGHT

    body = _line(day.columns["baseline_median_m"], day.minutes, y, "line")
    return _svg(day, BASELINE_HEIGHT, body, "baseline by the minute")


def _svg(day: Day, height: int, body: str, label: str, *, no_log: bool = False) -> Markup:
    gaps = ""
    if not day.logged.all():
        path = "".join(f"M{a} 0h{b - a}v{height}h-{b - a}z" for a, b in _runs(~day.logged))
        gaps = f'<path class="nolog" d="{path}"/>'
    return Markup(  # nothing from outside is in it: numbers, our own class names and labels
        f'<svg viewBox="0 0 {day.minutes} {height}" preserveAspectRatio="none" style="height:{height}px" role="img" '
        f'aria-label="{label}">{gaps}{body}</svg>'
    )


def _runs(which: NDArray[np.bool_]) -> list[tuple[int, int]]:
    steps = np.flatnonzero(np.diff(np.concatenate(([False], which, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(steps[::2], steps[1::2], strict=True)]


def _line(values: Floats, minutes: int, y, css: str) -> str:  # type: ignore[no-untyped-def]
    """A line of steps, broken where a value is unknown; equal neighbours are one step."""
    factor = max(1, math.ceil(minutes / MOST_COLUMNS))
    shown = _binned(values, factor, np.fmax.reduce)
    out = []
    for start, end in _runs(~np.isnan(shown)):
        heights = [f"{y(float(v)):.1f}" for v in shown[start:end]]
        out.append(f"M{start * factor} {heights[0]}")
        for i in range(1, len(heights)):
            if heights[i] != heights[i - 1]:
                out.append(f"H{(start + i) * factor}V{heights[i]}")
        out.append(f"H{end * factor}")
    return f'<path class="{css}" d="{"".join(out)}"/>' if out else ""


def _band(low: Floats, high: Floats, minutes: int, y) -> str:  # type: ignore[no-untyped-def]
    """Blocks from a low to a high value."""
    factor = max(1, math.ceil(minutes / MOST_COLUMNS))
    bottoms, tops = _binned(low, factor, np.fmax.reduce), _binned(high, factor, np.fmax.reduce)
    out = []
    for i in np.flatnonzero(tops > bottoms):
        top, bottom = y(float(tops[i])), y(float(bottoms[i]))
        if bottom - top >= 0.5:
            out.append(f"M{i * factor} {bottom:.1f}V{top:.1f}h{factor}V{bottom:.1f}z")
    return f'<path class="band" d="{"".join(out)}"/>' if out else ""


def _binned(values: Floats, factor: int, reduce) -> Floats:  # type: ignore[no-untyped-def]
    """Columns of ``factor`` minutes each; the last may be shorter."""
    if factor == 1:
        return values
    pad = -len(values) % factor
    padded = np.concatenate((values, np.full(pad, 0.0 if reduce is np.add.reduce else np.nan)))
    return np.asarray(reduce(padded.reshape(-1, factor), axis=1), dtype=np.float64)
