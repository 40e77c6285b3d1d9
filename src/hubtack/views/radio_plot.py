"""Pictures of a radio path and of losses by place, as PNG or SVG; shapes and words tell things apart before colours do."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from hubtack.diagnosis.loss_places import LossPlaces, PlacedSlots
from hubtack.knowledge.radio import CLEARANCE_SHARE
from hubtack.radio.cure import RangeBand
from hubtack.radio.heights import Repeater
from hubtack.radio.path import Link
from hubtack.radio.profile import Profile
from hubtack.views.pictures import BLACK, BLUE, ORANGE, new_figure, save_picture

KINDS = (".png", ".svg")
GREY = "#999999"
_MOST_DOTS = 20_000


def plot_losses(file: Path, slots: PlacedSlots, found: LossPlaces, bands: list[RangeBand]) -> None:
    """A plan with the places that stand out, losses by range beside what the model expects, and losses over time."""
    fig = new_figure(file, (9.0, 6.2), KINDS)
    grid = fig.add_gridspec(2, 2, width_ratios=(1.5, 1.0))
    _plan(fig.add_subplot(grid[:, 0]), slots, found)
    _by_range(fig.add_subplot(grid[0, 1]), bands)
    _over_time(fig.add_subplot(grid[1, 1]), slots, found)
    save_picture(fig, file)


def _plan(axes: Any, slots: PlacedSlots, found: LossPlaces) -> None:
    known = np.flatnonzero(~np.isnan(slots.range_m))
    axes.set_title("Correction epochs by place")
    axes.set_xlabel("east of the base [m]")
    axes.set_ylabel("north of the base [m]")
    axes.set_aspect("equal", adjustable="datalim")
    if not len(known):
        axes.text(0.5, 0.5, "the machine's place is not known", ha="center", transform=axes.transAxes)
        return
    turn = np.radians(slots.bearing_deg[known])
    east, north = slots.range_m[known] * np.sin(turn), slots.range_m[known] * np.cos(turn)
    lost = slots.lost[known]
    every = max(1, len(known) // _MOST_DOTS)
    axes.plot(east[~lost][::every], north[~lost][::every], ".", color=GREY, markersize=2, label="came")
    axes.plot(east[lost][::every], north[lost][::every], "x", color=ORANGE, markersize=5, label="lost")
    far = float(slots.range_m[known].max()) * 1.08
    for place in found.places:
        _shade(axes, place.kind, place.low, place.high, far)
    span = max(float(np.ptp(east)), float(np.ptp(north)), 1.0)
    if min(np.hypot(east, north)) <= 3 * span or found.places:
        axes.plot([0], [0], "^", color=BLACK, markersize=9, label="base")
    axes.legend(loc="best", fontsize=8)


def _shade(axes: Any, kind: str, low: float, high: float, far_m: float) -> None:
    """The place that stands out, hatched so that no colour is needed."""
    from matplotlib.patches import Wedge

    style: dict[str, Any] = {
        "facecolor": "none",
        "edgecolor": BLUE,
        "hatch": "//",
        "linewidth": 1.0,
        "alpha": 0.6,
        "zorder": 0,
    }
    if kind == "sector":
        width = (high - low) % 360.0
        axes.add_patch(Wedge((0, 0), far_m, 90.0 - low - width, 90.0 - low, label="more lost than chance", **style))
    elif kind == "beyond":
        axes.add_patch(Wedge((0, 0), far_m, 0, 360, width=far_m - low, label="more lost than chance", **style))
    else:
        axes.add_patch(Wedge((0, 0), high, 0, 360, label="more lost than chance", **style))


def _by_range(axes: Any, bands: list[RangeBand]) -> None:
    axes.set_title("Lost by range")
    axes.set_xlabel("from the base [m]")
    axes.set_ylabel("lost [%]")
    if not bands:
        return
    left = [b.from_m for b in bands]
    width = [b.to_m - b.from_m for b in bands]
    seen = [100 * b.lost / b.slots for b in bands]
    axes.bar(left, seen, width, align="edge", color=GREY, edgecolor=BLACK, label="seen")
    expected = np.array([100 * b.expected_share for b in bands])
    if not np.isnan(expected).all():
        middle = [b.from_m + (b.to_m - b.from_m) / 2 for b in bands]
        axes.plot(middle, expected, "o--", color=BLUE, label="open ground would lose")
    axes.legend(fontsize=8)


def _over_time(axes: Any, slots: PlacedSlots, found: LossPlaces) -> None:
    axes.set_title("Lost over time")
    axes.set_xlabel("since the start [min]")
    axes.set_ylabel("lost [%]")
    if not len(slots.lost):
        return
    minute = (slots.time_ns - slots.time_ns[0]) / 60e9
    parts = min(60, max(5, len(minute) // 30))
    edges = np.linspace(0.0, float(minute[-1]) + 1e-6, parts + 1)
    n, _ = np.histogram(minute, edges)
    gone, _ = np.histogram(minute[slots.lost], edges)
    axes.stairs(100 * gone / np.maximum(n, 1), edges, fill=True, color=GREY, edgecolor=BLACK)
    if found.stretch is not None:
        a, b = ((t - int(slots.time_ns[0])) / 60e9 for t in (found.stretch.low, found.stretch.high))
        axes.axvspan(a, b, facecolor="none", edgecolor=BLUE, hatch="//", label="more lost than chance")
        axes.legend(fontsize=8)


def plot_profile(file: Path, link: Link, side: Profile, repeater: Repeater | None) -> None:
    """The path from the side: ground, what stands in the way, line of sight, first Fresnel zone and 60 % of it."""
    fig = new_figure(file, (9.0, 4.6), KINDS)
    axes = fig.add_subplot()
    at, ground = np.array(side.distance_m), np.array(side.ground_m)
    ray, zone = np.array(side.ray_m), np.array(side.zone_m)
    axes.fill_between(at, ray - zone, ray + zone, facecolor=BLUE, alpha=0.15, label="first Fresnel zone")
    axes.plot(at, ray - CLEARANCE_SHARE * zone, ":", color=BLUE, label="60 % of it, wanted clear")
    axes.plot(at, ray, "--", color=BLUE, label="line of sight")
    floor = min(float(ground.min()), 0.0) - 0.15 * max(float(ray.max() - ground.min()), 1.0)
    axes.fill_between(at, floor, ground, facecolor=GREY, edgecolor=BLACK, label="ground, with the earth's bulge")
    for i, (d, h) in enumerate(link.obstacles):
        foot = float(np.interp(d, at, ground))
        axes.plot([d, d], [foot, h], "-", color=ORANGE, linewidth=4, label="in the way" if not i else None)
    for d, top, name in ((0.0, ray[0], "base"), (link.distance_m, ray[-1], "rover")):
        foot = float(np.interp(d, at, ground))
        axes.plot([d, d], [foot, top], "-", color=BLACK, linewidth=2)
        side_of = "left" if d == 0 else "right"
        axes.annotate(f" {name} {top - foot:g} m ", (d, top), ha=side_of, va="bottom")
    if repeater is not None:
        top = repeater.ground_m + repeater.height_m
        axes.plot([repeater.distance_m] * 2, [repeater.ground_m, top], "-", color=BLACK, linewidth=2)
        axes.annotate("repeater", (repeater.distance_m, top), ha="center", va="bottom")
    axes.set_xlim(-0.02 * link.distance_m, 1.02 * link.distance_m)
    axes.set_ylim(bottom=floor)
    axes.set_xlabel("from the base [m]")
    axes.set_ylabel("above the base's ground [m]")
    axes.set_title(f"{link.frequency_mhz:g} MHz over {link.distance_m:g} m; heights are drawn larger than distances")
    axes.legend(loc="upper right", fontsize=8)
    save_picture(fig, file)
