"""The sky and its forecast as plain text, and as a plot where matplotlib is there. Pure but for ``plot_forecast``."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from hubtack.errors import UsageError
from hubtack.orbits.forecast import GOOD_PDOP, POOR_PDOP, Forecast, windows
from hubtack.orbits.sky import SatelliteView

_LEVELS = (("#", "good"), ("+", "fair"), (".", "poor"))  # told apart by shape, not by colour
_DAYS = ("Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat")


def clock_text(t_gpst_s: float, leap_s: float, utc_offset_s: float = 0.0) -> str:
    """Day and time of a second of the GPS week, in UTC or at an offset from it: "Wed 16:35"."""
    minutes = int((t_gpst_s - leap_s + utc_offset_s) // 60.0)
    return f"{_DAYS[minutes // 1440 % 7]} {minutes // 60 % 24:02d}:{minutes % 60:02d}"


def forecast_table(sky: Forecast, leap_s: float, *, utc_offset_s: float = 0.0) -> str:
    """Windows as a table: from, to, kind, worst PDOP, fewest common satellites."""
    lines = [f"{'from':<10}{'to':<10}{'kind':<6}{'worst PDOP':>11}{'fewest common':>15}"]
    for w in windows(sky):
        pdop = f"{w.worst_pdop:.1f}" if np.isfinite(w.worst_pdop) else "none"
        ends = (clock_text(t, leap_s, utc_offset_s) for t in (w.t_from_s, w.t_to_s))
        lines.append("".join(f"{end:<10}" for end in ends) + f"{w.kind:<6}{pdop:>11}{w.least_common:>15}")
    lines.append(
        f"good: PDOP {GOOD_PDOP:.0f} or less; poor: above {POOR_PDOP:.0f} or no solution; mask {sky.mask_deg:.0f} deg"
    )
    return "\n".join(lines)


def forecast_strip(sky: Forecast, width: int) -> str:
    """The forecast in one line of ``width`` letters: # good, + fair, . poor; the worst of each part counts."""
    if width < 1 or not len(sky.t_gpst_s):
        return ""
    kind = np.where(sky.is_good(), 0, np.where(sky.is_poor(), 2, 1))
    edges = np.linspace(0, len(kind), width + 1)
    parts = [kind[int(a) : max(int(a) + 1, int(np.ceil(b)))] for a, b in itertools.pairwise(edges)]
    return "".join(_LEVELS[int(part.max())][0] for part in parts)


def sky_table(view: SatelliteView, tracked: set[tuple[int, int]], *, mask_deg: float = 10.0) -> str:
    """Satellites above the mask, highest first: name, elevation, azimuth, tracked or not."""
    up = np.flatnonzero(view.elevation_rad > np.radians(mask_deg))
    order = up[np.argsort(-view.elevation_rad[up])]
    names = view.names()
    lines = [f"{'sat':<5}{'elev':>5}{'azim':>6}  state"]
    for i in order.tolist():
        key = (int(view.system[i]), int(view.satellite[i]))
        state = "tracked" if key in tracked else ("not tracked" if view.healthy[i] else "unhealthy")
        el, az = np.degrees(view.elevation_rad[i]), np.degrees(view.azimuth_rad[i])
        lines.append(f"{names[i]:<5}{el:>5.0f}{az % 360.0:>6.0f}  {state}")
    return "\n".join(lines)


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
        rows[y][x : x + 3] = name
    return "\n".join("".join(row).rstrip() for row in rows)


def plot_forecast(sky: Forecast, leap_s: float, path: Path, *, title: str, utc_offset_s: float = 0.0) -> None:
    """Write PDOP and common satellites over time as an image (needs the extra ``plot``).

    Raises
    ------
    UsageError
        If matplotlib is not installed.
    """
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as err:
        raise UsageError("plots need matplotlib: install hubtack with its extra 'plot'") from err
    hours = (sky.t_gpst_s - sky.t_gpst_s[0]) / 3600.0
    figure = Figure(figsize=(9.0, 4.5), layout="constrained")
    FigureCanvasAgg(figure)
    left = figure.add_subplot()
    left.plot(hours, np.clip(sky.pdop, 0.0, 10.0), color="#0072b2", label="PDOP")  # Okabe-Ito, safe for all eyes
    left.axhline(GOOD_PDOP, color="#555555", linestyle=":", linewidth=1)
    left.axhline(POOR_PDOP, color="#555555", linestyle="--", linewidth=1)
    left.set_ylim(0.0, 10.0)
    left.set_ylabel("PDOP (10 and above at the rim)")
    left.set_xlabel(f"hours from {clock_text(float(sky.t_gpst_s[0]), leap_s, utc_offset_s)}")
    right = left.twinx()
    right.step(hours, sky.common, where="post", color="#d55e00", linestyle="-.", label="common satellites")
    right.set_ylim(0.0, max(12.0, float(sky.common.max(initial=0)) + 2.0))
    right.set_ylabel("common satellites")
    left.set_title(title.replace("$", r"\$"))
    figure.legend(loc="outside lower center", ncols=2)
    figure.savefig(path, dpi=120)
