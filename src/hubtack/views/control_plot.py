"""Pictures of residuals: a plan with exaggerated arrows, and the history at a mark; every sign has its own shape."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.quantities import Z95
from hubtack.errors import UsageError
from hubtack.knowledge.control_limits import CONTROL_BY_KEY
from hubtack.safe import safe_text
from hubtack.units import LengthUnit
from hubtack.views.pictures import BLUE, GREEN, ORANGE, RC, new_figure, save_picture

if TYPE_CHECKING:
    from hubtack.control.answer import Answer

Floats = NDArray[np.float64]
GREY = "#666666"
SIGNS = {"pass": ("o", BLUE), "fail": ("X", ORANGE), "cannot tell": ("^", GREY)}
KINDS = (".svg", ".png", ".pdf")
_RC: Any = {**RC, "font.size": 9.0}


def plot_residuals(
    path: Path, names: Sequence[str], plan_m: Floats, residual_m: Floats, unit: LengthUnit, title: str
) -> None:
    """Plan of marks (N, 2) with their residuals (N, 3) as exaggerated arrows, and the heights as bars. [m]

    Raises
    ------
    UsageError, SourceError
        If matplotlib is missing, the ending is none of ``KINDS``, or the file cannot be written.
    """
    figure = new_figure(path, (9.0, 5.2), KINDS)
    import matplotlib

    with matplotlib.rc_context(_RC):
        left, right = figure.subplots(1, 2, width_ratios=(3, 2))
        east, north = plan_m[:, 0] - plan_m[:, 0].min(), plan_m[:, 1] - plan_m[:, 1].min()
        extent = max(float(np.ptp(east)), float(np.ptp(north)), 1.0)
        factor = exaggeration(residual_m[:, :2], extent)
        limit = CONTROL_BY_KEY["horizontal_m"]
        for i, name in enumerate(names):
            x, y = unit.of(float(east[i])), unit.of(float(north[i]))
            far = float(np.hypot(residual_m[i, 0], residual_m[i, 1])) > limit
            marker, colour = SIGNS["fail" if far else "pass"]
            left.plot(x, y, marker=marker, color=colour, markersize=6)
            tip = (x + unit.of(factor * residual_m[i, 0]), y + unit.of(factor * residual_m[i, 1]))
            left.annotate("", xy=tip, xytext=(x, y), arrowprops={"arrowstyle": "->", "color": colour, "lw": 1.4})
            left.annotate(safe_text(name, 24), (x, y), xytext=(5, 5), textcoords="offset points")
            left.add_patch(_circle((x, y), unit.of(factor * limit)))
        left.set_aspect("equal", adjustable="datalim")
        left.margins(0.15)
        left.set_xlabel(f"east of the westernmost mark [{unit.symbol}]")
        left.set_ylabel(f"north of the southernmost [{unit.symbol}]")
        left.set_title(f"plan, arrows {factor:,.0f} times too long; ring: {_small(limit, unit)}", fontsize=9)
        _bars(right, names, residual_m[:, 2], unit)
        figure.suptitle(safe_text(title, 100), fontsize=11)
    save_picture(figure, path)


def plot_history(path: Path, entries: Sequence[Mapping[str, Any]], unit: LengthUnit) -> None:
    """Residuals of one mark over its visits, with bars of 95 % and the limits.

    Raises
    ------
    UsageError, SourceError
        As ``plot_residuals``; also where no visit has a date.
    """
    dated = [e for e in entries if e["utc"] is not None]
    if not dated:
        raise UsageError("no visit has a date: a log without RMC or ZDA needs --date to be placed in a history")
    figure = new_figure(path, (8.0, 6.0), KINDS)
    import matplotlib

    with matplotlib.rc_context(_RC):
        axes = figure.subplots(3, 1, sharex=True)
        times = [dt.datetime.fromisoformat(e["utc"]) for e in dated]
        size, symbol = _scale(unit)
        for axis, name in zip(axes, ("east", "north", "up"), strict=True):
            limit = CONTROL_BY_KEY["vertical_m" if name == "up" else "horizontal_m"] / size
            axis.axhspan(-limit, limit, color=GREEN, alpha=0.10, lw=0)
            axis.axhline(0.0, color=GREY, lw=0.8)
            for at, entry in zip(times, dated, strict=True):
                marker, colour = SIGNS.get(entry["result"], SIGNS["cannot tell"])
                spread = Z95 * entry[f"sigma_{name}_m"] / size
                axis.errorbar(
                    at, entry[f"{name}_m"] / size, yerr=None if math.isnan(spread) else spread, marker=marker,
                    color=colour, markersize=6, capsize=3, lw=1.2,
                )  # fmt: skip
            axis.set_ylabel(f"{name} [{symbol}]")
            axis.grid(visible=True, alpha=0.3)
        axes[-1].set_xlabel("UTC; bars: 95 %; band: limit; round: passed, cross: failed, triangle: cannot tell")
        figure.autofmt_xdate()
        figure.suptitle(f"{safe_text(str(dated[-1]['point']), 40)}: measured less known", fontsize=11)
    save_picture(figure, path)


def plot_check(path: Path, answer: Answer, unit: LengthUnit) -> None:
    """The history of the mark that was just checked, this visit included."""
    if answer.mark is None or answer.check.judgement is None:
        raise UsageError("--plot: there is no residual to draw")
    from hubtack.control.record import RESULTS

    check = answer.check
    now = {
        "utc": answer.utc, "point": answer.mark.name, "result": RESULTS[check.passed],
        **{f"{axis}_m": float(v) for axis, v in zip(("east", "north", "up"), check.residual_m, strict=True)},
        **{f"sigma_{axis}_m": float(v) for axis, v in zip(("east", "north", "up"), check.sigma_m, strict=True)},
    }  # fmt: skip
    plot_history(path, [*answer.earlier, now], unit)


def exaggeration(residual_m: Floats, extent_m: float) -> float:
    """How many times too long arrows are drawn: 1, 2 or 5 times a power of ten; the largest is a sixth of the extent."""
    largest = float(np.nanmax(np.hypot(residual_m[:, 0], residual_m[:, 1]), initial=0.0))
    wanted = extent_m / 6.0 / max(largest, 0.5 * CONTROL_BY_KEY["horizontal_m"])
    power = 10.0 ** math.floor(math.log10(max(wanted, 1.0)))
    return float(max(step * power for step in (1.0, 2.0, 5.0) if step * power <= max(wanted, 1.0)))


def _bars(axis: Any, names: Sequence[str], up_m: Floats, unit: LengthUnit) -> None:
    size, symbol = _scale(unit)
    limit = CONTROL_BY_KEY["vertical_m"] / size
    known = np.where(np.isfinite(up_m), up_m, 0.0) / size
    colours = [ORANGE if abs(v) > limit else BLUE for v in known]
    bars = axis.barh(range(len(names)), known, color=colours, height=0.6)
    for bar, value in zip(bars, known, strict=True):
        if abs(value) > limit:
            bar.set_hatch("///")
    axis.set_yticks(range(len(names)), [safe_text(n, 16) for n in names])
    axis.axvspan(-limit, limit, color=GREEN, alpha=0.10, lw=0)
    axis.axvline(0.0, color=GREY, lw=0.8)
    axis.invert_yaxis()
    axis.set_xlabel(f"up [{symbol}]; band: limit; hatched: beyond it")
    axis.set_title("height", fontsize=9)


def _circle(centre: tuple[float, float], radius: float) -> Any:
    from matplotlib.patches import Circle

    return Circle(centre, radius, fill=False, color=GREEN, lw=0.8, ls="--")


def _scale(unit: LengthUnit) -> tuple[float, str]:
    """What residuals are drawn in: millimetres, or the site's foot."""
    return (0.001, "mm") if unit.key == "m" else (unit.size_m, unit.symbol)


def _small(length_m: float, unit: LengthUnit) -> str:
    size, symbol = _scale(unit)
    return f"{length_m / size:.{0 if symbol == 'mm' else 2}f} {symbol}"
