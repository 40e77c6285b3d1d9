"""The sky as a picture: the satellites of now on a polar chart, PDOP and common satellites over the hours ahead."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from hubtack.errors import UsageError
from hubtack.knowledge.messages import BEIDOU, GALILEO, GLONASS, GPS
from hubtack.orbits.forecast import GOOD_PDOP, KINDS, POOR_PDOP
from hubtack.orbits.outlook import Outlook
from hubtack.views.sky_text import clock_text

# Okabe and Ito's colours, safe for all eyes; each constellation has a shape of its own as well.
_MARKS = {GPS: ("o", "#0072b2"), GLONASS: ("s", "#d55e00"), GALILEO: ("^", "#009e73"), BEIDOU: ("D", "#cc79a7")}
_OTHER = ("v", "#555555")
_NAMES = {GPS: "GPS", GLONASS: "GLONASS", GALILEO: "Galileo", BEIDOU: "BeiDou"}


def plot_sky(seen: Outlook, path: Path, *, title: str, utc_offset_s: float = 0.0, zone: str = "UTC") -> None:
    """Write the picture; its kind by the ending (.png, .svg, .pdf).

    Raises
    ------
    UsageError
        If matplotlib is not installed, or the ending names no kind it knows.
    """
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as err:
        raise UsageError("plots need matplotlib: install hubtack with its extra 'plot'") from err
    figure = Figure(figsize=(11.0, 5.0), layout="constrained")
    FigureCanvasAgg(figure)
    grid: Any = figure.add_gridspec(1, 2, width_ratios=(1.0, 1.35))
    _chart(figure.add_subplot(grid[0], projection="polar"), seen)
    _hours(figure.add_subplot(grid[1]), seen, utc_offset_s, zone)
    figure.suptitle(title.replace("$", r"\$"))
    try:
        figure.savefig(path, dpi=120)
    except ValueError as err:
        raise UsageError(f"{path}: cannot write this kind of picture; name it .png, .svg or .pdf") from err


def _chart(axes: Any, seen: Outlook) -> None:
    """North up, clockwise, zenith in the middle; hollow marks are not tracked; grey is what is learnt to be blocked."""
    axes.set_theta_zero_location("N")
    axes.set_theta_direction(-1)
    axes.set_rlim(0.0, 90.0)
    axes.set_rticks([0, 30, 60, 90], labels=["90", "60", "30", ""])
    for _, o in seen.obstructions:
        width = (o.azimuth_to_deg - o.azimuth_from_deg) % 360.0 or 360.0
        middle = np.radians(o.azimuth_from_deg + width / 2.0)
        axes.bar(middle, o.elevation_to_deg, np.radians(width), 90.0 - o.elevation_to_deg, color="#bbbbbb", zorder=0)
    axes.plot(np.linspace(0.0, 2.0 * np.pi, 90), np.full(90, 90.0 - seen.mask_deg), color="#555555", linestyle=":")
    shown: set[int] = set()
    for row in seen.rows:
        at_base = np.isfinite(row.elevation_deg)
        el, az = (row.elevation_deg, row.azimuth_deg) if at_base else (row.rover_elevation_deg, row.rover_azimuth_deg)
        if not el > 0.0:
            continue
        mark, colour = _MARKS.get(row.system, _OTHER)
        tracked = row.rover_tracks if row.rover_tracks is not None else row.base_tracks
        label = None if row.system in shown else _NAMES.get(row.system, "other")
        shown.add(row.system)
        axes.scatter(np.radians(az), 90.0 - el, marker=mark, s=45, label=label, edgecolors=colour,
                     facecolors=colour if tracked else "none")  # fmt: skip
        axes.annotate(row.name, (np.radians(az), 90.0 - el), xytext=(4, 4), textcoords="offset points", fontsize=7)
    axes.legend(loc="lower left", bbox_to_anchor=(-0.15, -0.12), fontsize=7)


def _hours(axes: Any, seen: Outlook, utc_offset_s: float, zone: str) -> None:
    sky = seen.sky
    hours = (sky.t_gpst_s - sky.t_gpst_s[0]) / 3600.0
    unknown = sky.kinds() == KINDS.index("unknown")
    axes.plot(hours, np.where(unknown, np.nan, np.clip(sky.pdop, 0.0, 10.0)), color="#0072b2", label="PDOP")
    if unknown.any():
        axes.fill_between(hours, 0.0, 10.0, where=unknown, color="#dddddd", step="post", label="not known")
    axes.axhline(GOOD_PDOP, color="#555555", linestyle=":", linewidth=1)
    axes.axhline(POOR_PDOP, color="#555555", linestyle="--", linewidth=1)
    axes.set_ylim(0.0, 10.0)
    axes.set_ylabel("PDOP (10 and above at the rim)")
    axes.set_xlabel(f"{zone}, from {clock_text(float(sky.t_gpst_s[0]), seen.now.leap_s, utc_offset_s)}")
    step = 2 if hours[-1] > 4 else 1
    ticks = np.arange(0.0, hours[-1] + 0.01, step)
    labels = [clock_text(float(sky.t_gpst_s[0]) + h * 3600.0, seen.now.leap_s, utc_offset_s)[4:] for h in ticks]
    axes.set_xticks(ticks, labels=labels)
    right = axes.twinx()
    right.step(hours, sky.common, where="post", color="#d55e00", linestyle="-.", label="satellites in common")
    right.set_ylim(0.0, max(12.0, float(sky.common.max(initial=0)) + 2.0))
    right.set_ylabel("satellites in common")
    lines = [*axes.get_lines()[:1], *right.get_lines()[:1]]
    axes.legend(lines, [str(line.get_label()) for line in lines], loc="upper right", fontsize=8)
