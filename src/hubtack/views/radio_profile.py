"""A radio path as text: the figures, a sketch from the side, the table of heights. Pure functions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from hubtack.knowledge.radio import CLEARANCE_SHARE
from hubtack.radio.path import Link
from hubtack.radio.profile import Profile
from hubtack.views.paragraphs import points

ROWS = 9


def sketch(link: Link, side: Profile, width: int = 72, rows: int = ROWS) -> list[str]:
    """The path from the side, base on the left.

    ``#`` ground, ``A`` what stands in the way, ``*`` the line of sight, ``.`` the lower edge of the first Fresnel zone
    where it is above the ground, ``|`` the masts. Heights are drawn larger than distances.
    """
    at = np.linspace(0.0, link.distance_m, width)
    ground, ray, zone = (np.interp(at, side.distance_m, v) for v in (side.ground_m, side.ray_m, side.zone_m))
    tops = [h for _, h in link.obstacles]
    low = float(ground.min())
    high = max(float(ray.max()), float(ground.max()), *tops, low + 1.0)
    step_m = (high - low) / (rows - 1)

    def row(height_m: float) -> int:
        return rows - 1 - int(np.clip(round((height_m - low) / step_m), 0, rows - 1))

    cells = np.full((rows, width), " ", dtype="<U1")
    for c in range(width):
        cells[row(ground[c]) :, c] = "#"
        edge = ray[c] - zone[c]
        if edge > ground[c] + step_m / 2:
            cells[row(edge), c] = "."
    for d, h in link.obstacles:
        c = min(width - 1, round(d / link.distance_m * (width - 1)))
        cells[row(h) :, c] = np.where(cells[row(h) :, c] == "#", "#", "A")
    for c in range(width):
        r = row(ray[c])
        if cells[r, c] in " .":
            cells[r, c] = "*"
    for c, foot, top in ((0, ground[0], ray[0]), (width - 1, ground[-1], ray[-1])):
        cells[row(top) : row(foot), c] = "|"
    lines = []
    for r in range(rows):
        height = high - r * step_m
        lines.append(f"{height:6.1f} " + "".join(cells[r]).rstrip())
    lines.append(f"{'m':>6} 0{f'{link.distance_m:.0f} m':>{width - 1}}")
    return lines


def path_text(d: Mapping[str, Any], link: Link, side: Profile, width: int = 80, *, sweep: bool = False) -> list[str]:
    """The account for a terminal."""
    lines = [
        f"{link.frequency_mhz:g} MHz over {link.distance_m:g} m, antennas {link.base_height_m:g} m and "
        f"{link.rover_height_m:g} m up"
    ]
    rows = [
        ("free space", f"{d['free_space_db']:.1f} dB"),
        ("plane earth", f"{d['plane_earth_db']:.1f} dB (rules beyond {d['breakpoint_m']:.0f} m)"),
        ("diffraction", f"{d['diffraction_db']:.1f} dB"), ("path loss", f"{d['path_loss_db']:.1f} dB"),
        ("radio horizon", f"{d['horizon_m'] / 1000:.1f} km"),
        ("clearance", f"{d['clearance_m']:.1f} m at {d['critical_m']:.0f} m; first Fresnel zone {d['fresnel1_m']:.1f} m there"),
    ]  # fmt: skip
    if d["received_dbm"] is not None:
        floor = d["noise_floor_dbm"]["12_5_khz"]
        rows.append(("received", f"{d['received_dbm']:.1f} dBm; noise in 12.5 kHz {floor:.0f} dBm"))
    if d["margin_db"] is not None:
        rows.append(("margin", f"{d['margin_db']:.1f} dB over {d['sensitivity_dbm']:.0f} dBm ({d['sensitivity_by']})"))
        rows.append(("holds", f"{100 * d['availability']:.1f} % of places, shadowing {d['shadowing_db']:.1f} dB"))
    lines += [f"  {name:<15}{value}" for name, value in rows]
    if link.ground or link.obstacles:
        lines += sketch(link, side, width - 8)
        lines.append("       # ground  A in the way  * line of sight  . lower edge of Fresnel zone 1")
    if sweep:
        lines += height_table(d)
    return lines + points((*d["advice"], *d["cautions"]), width)


def height_table(d: Mapping[str, Any]) -> list[str]:
    """Margin, or loss where there is no margin, by the heights of both antennas; ``!`` where the way is not clear."""
    rows = d["heights"]
    with_margin = rows[0]["margin_db"] is not None
    key = "margin_db" if with_margin else "path_loss_db"
    rovers = sorted({r["rover_height_m"] for r in rows})
    title = "margin" if with_margin else "path loss"
    lines = [f"  {title} in dB; the mast down, the machine's antenna across; ! in the way"]
    lines.append("  mast m" + "".join(f"{h:>10g} m" for h in rovers))
    for base in sorted({r["base_height_m"] for r in rows}):
        cells = []
        for rover in rovers:
            one = next(r for r in rows if r["base_height_m"] == base and r["rover_height_m"] == rover)
            blocked = "!" if d["in_the_way"] and one["clear_share"] < CLEARANCE_SHARE else " "
            cells.append(f"{one[key]:>10.1f}{blocked} ")
        lines.append(f"  {base:>6g}" + "".join(cells).rstrip())
    return lines
