"""The sky and its forecast as plain text: a chart, a strip, a line for a dashboard. Pure."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from hubtack.orbits.forecast import Forecast, windows
from hubtack.orbits.sky import SatelliteView

_LEVELS = (("#", "good"), ("+", "fair"), ("?", "unknown"), (".", "poor"))  # told apart by shape, not by colour
_BY_KIND = np.array([3, 2, 1, 0])  # by index into KINDS: the worst of a part is its largest
_DAYS = ("Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat")


def clock_text(t_gpst_s: float, leap_s: float, utc_offset_s: float = 0.0) -> str:
    """Day and time of a second of the GPS week, in UTC or at an offset from it: "Wed 16:35"."""
    minutes = int((t_gpst_s - leap_s + utc_offset_s) // 60.0)
    return f"{_DAYS[minutes // 1440 % 7]} {minutes // 60 % 24:02d}:{minutes % 60:02d}"


def forecast_strip(sky: Forecast, width: int) -> str:
    """The forecast in one line of ``width`` letters: # good, + fair, . poor, ? not known; the worst of each part counts."""
    if width < 1 or not len(sky.t_gpst_s):
        return ""
    kind = _BY_KIND[sky.kinds()]
    edges = np.linspace(0, len(kind), width + 1)
    parts = [kind[int(a) : max(int(a) + 1, int(np.ceil(b)))] for a, b in itertools.pairwise(edges)]
    return "".join(_LEVELS[int(part.max())][0] for part in parts)


def sky_chart(
    view: SatelliteView, tracked: Sequence[tuple[int, int]] | set[tuple[int, int]], *, radius: int = 9
) -> str:
    """The sky as letters, north up, horizon at the rim: satellite names, lower case where not tracked."""
    width, height = 4 * radius + 7, 2 * radius + 1
    rows = [[" "] * width for _ in range(height)]
    for angle in np.linspace(0.0, 2.0 * np.pi, 96, endpoint=False):
        for share in (1.0, 0.5):
            x, y = round(width / 2 + 2 * radius * share * np.sin(angle)), round(radius - radius * share * np.cos(angle))
            rows[y][min(x, width - 1)] = "."
    for label, x, y in (
        ("N", width // 2, 0),
        ("S", width // 2, height - 1),
        ("W", 2, radius),
        ("E", width - 2, radius),
    ):
        rows[y][x] = label
    heard = set(tracked)
    for i in np.argsort(view.elevation_rad):
        el = float(view.elevation_rad[i])
        if not el > 0.0:
            continue
        share, az = 1.0 - el / (np.pi / 2), float(view.azimuth_rad[i])
        name = view.names()[i]
        if (int(view.system[i]), int(view.satellite[i])) not in heard:
            name = name.lower()
        y = round(radius - radius * share * np.cos(az))
        x = min(max(round(width / 2 + 2 * radius * share * np.sin(az)) - 1, 0), width - 3)
        x, y = _free_place(rows, x, y)
        rows[y][x : x + 3] = name
    return "\n".join("".join(row).rstrip() for row in rows)


def _free_place(rows: Sequence[Sequence[str]], x: int, y: int) -> tuple[int, int]:
    """The place nearest to column ``x`` of row ``y`` where a name touches no other; the place itself where there is none."""
    for dx, dy in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1), (2, 0), (-2, 0), (3, 0), (-3, 0), (4, 0), (-4, 0)):
        at, row = x + dx, y + dy
        if 0 <= row < len(rows) and 0 <= at <= len(rows[row]) - 3:
            around = rows[row][max(0, at - 1) : at + 4]
            if all(cell in " ." for cell in around):
                return at, row
    return x, y


def hour_marks(sky: Forecast, leap_s: float, width: int, *, utc_offset_s: float = 0.0) -> str:
    """A line of clock times to lie under ``forecast_strip``: every two hours, where there is room."""
    if width < 1 or len(sky.t_gpst_s) < 2:
        return ""
    start_s, end_s = float(sky.t_gpst_s[0]), float(sky.t_gpst_s[-1])
    line = [" "] * width
    local_s = start_s - leap_s + utc_offset_s
    mark_s = start_s + (-local_s) % 7200.0
    while mark_s < end_s:
        at = int((mark_s - start_s) / (end_s - start_s) * width)
        text = clock_text(mark_s, leap_s, utc_offset_s)[4:]
        if at + len(text) <= width and all(c == " " for c in line[max(0, at - 1) : at + len(text)]):
            line[at : at + len(text)] = text
        mark_s += 7200.0
    return "".join(line).rstrip()


def strip_line(sky: Forecast, leap_s: float, width: int = 24, *, utc_offset_s: float = 0.0) -> str:
    """The hours ahead in one line for a dashboard: "sky 12 h ####++##  good until 14:20, worst 15:10 (PDOP 7.2)"."""
    if not len(sky.t_gpst_s):
        return "sky: no forecast"
    cut = windows(sky)
    hours = (float(sky.t_gpst_s[-1]) - float(sky.t_gpst_s[0])) / 3600.0
    strip = f"sky {hours:.0f} h {forecast_strip(sky, width)}  "
    if len(cut) == 1:
        return f"{strip}{cut[0].kind} all the time"
    said = f"{cut[0].kind} until {clock_text(cut[0].t_to_s, leap_s, utc_offset_s)[4:]}"
    if cut[0].kind != "good":
        better = next((w for w in cut[1:] if w.kind == "good"), None)
        said += (
            f", good from {clock_text(better.t_from_s, leap_s, utc_offset_s)[4:]}" if better else ", no good stretch"
        )
    unknown = next((w for w in cut[1:] if w.kind == "unknown"), None)
    worse = [w for w in cut[1:] if w.kind == "poor"]
    if worse:
        pdop = f"PDOP {worse[0].worst_pdop:.1f}" if np.isfinite(worse[0].worst_pdop) else "no solution"
        said += f", poor from {clock_text(worse[0].t_from_s, leap_s, utc_offset_s)[4:]} ({pdop})"
    if unknown:
        said += f", not known from {clock_text(unknown.t_from_s, leap_s, utc_offset_s)[4:]}"
    return strip + said
