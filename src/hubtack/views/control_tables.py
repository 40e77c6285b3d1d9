"""The other answers of ``hubtack control`` as tables on a terminal."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from rich.text import Text

from hubtack.knowledge.control_words import BASE_BETWEEN_DAYS
from hubtack.units import LengthUnit
from hubtack.views.control_report import WORDS, control_console, plain_table, small, when

_AXES = ("east", "north", "up")


def print_fit(document: Mapping[str, Any], unit: LengthUnit) -> None:
    """Residuals of the site transformation, the mark that does not fit, and what was written."""
    console = control_console()
    table = plain_table("mark", "east", "north", "up", "without it: plan", "up", "chance plan", "height")
    for mark in document["marks"]:
        r, w = mark["residual_m"], mark["without_it_m"]
        plan = None if w["east"] is None or w["north"] is None else float((w["east"] ** 2 + w["north"] ** 2) ** 0.5)
        table.add_row(
            Text(mark["name"]), *(small(r[a], unit, signed=True) for a in _AXES), small(plan, unit),
            small(w["up"], unit, signed=True), _chance(mark["chance_plan"]), _chance(mark["chance_height"]),
        )  # fmt: skip
    console.print(table)
    rms, checks, grid = document["rms_m"], document["checks"], document["grid"]
    console.print(
        f"rms {small(rms['plan'], unit)} in plan ({checks['plan']} checks), {small(rms['height'], unit)} in height "
        f"({checks['height']} checks)"
    )
    plane = grid["height_plane"]
    console.print(
        f"rotation {grid['rotation_arcsec'] / 3600.0:.6f} deg, scale {grid['scale_ppm']:+.1f} ppm (ground here "
        f"{document['ground_scale_ppm']:+.1f}), heights {plane['offset_m']:+.3f} m, "
        f"{plane['north_mm_per_km']:+.1f} mm/km north, {plane['east_mm_per_km']:+.1f} mm/km east"
    )
    for word, name in document["does_not_fit"].items():
        if name is not None:
            console.print(Text(f"{name} does NOT fit in {word}: measure it again, or check its numbers", style="bold"))
    for note in document["notes"]:
        console.print(Text(f"note: {note}"))
    if document["written"] is None:
        console.print(
            Text("for the site file (or --write it):\n" + document["site_local"].rstrip("\n"), style="dim"),
            soft_wrap=True,
        )
    else:
        console.print(Text(f"[site.local] written to {document['written']}: check on marks that were not in the fit"))


def print_accuracy(document: Mapping[str, Any], unit: LengthUnit) -> None:
    """The accuracy report."""
    console = control_console()
    rmse, mean, n95, new = (document[k] for k in ("rmse_m", "mean_m", "nssda_95_m", "asprs_2023_rmse_m"))
    console.print(Text(f"{document['points']} check points, measured less known", style="bold"))
    table = plain_table("", "east", "north", "up", "horizontal")
    table.add_row("mean", *(small(mean[a], unit, signed=True) for a in _AXES), "")
    table.add_row("RMSE", *(small(rmse[a], unit) for a in (*_AXES, "radial")))
    table.add_row("95 % (NSSDA)", "", "", small(n95["vertical"], unit), small(n95["horizontal"], unit))
    table.add_row("RMSE (ASPRS 2023)", "", "", small(new["vertical"], unit), small(new["horizontal"], unit))
    console.print(table)
    console.print(Text(f"horizontal factor: {document['nssda_horizontal_factor']}"))
    for note in document["notes"]:
        console.print(Text(f"note: {note}"))
    worst = sorted(document["marks"], key=lambda m: -_size(m["residual_m"]))[:5]
    listed = ", ".join(f"{m['name']} {small(_size(m['residual_m']), unit)}" for m in worst)
    console.print(Text(f"largest in plan: {listed}"))


def print_history(document: Mapping[str, Any], unit: LengthUnit) -> None:
    """Every visit of each mark."""
    console = control_console()
    for mark in document["marks"]:
        console.print(
            Text(mark["point"] + ("" if mark["what"] == "antenna" else " (shown by the machine)"), style="bold")
        )
        table = plain_table("visit", "result", "east", "north", "up", "1 sigma up", "PDOP", "base")
        for visit in mark["visits"]:
            residual = visit["residual_m"]
            table.add_row(
                when(visit["utc"], dt.UTC), WORDS.get(visit["result"], "-"),
                *(small(residual[a], unit, signed=True) for a in _AXES), small(visit["sigma_m"]["up"], unit),
                "-" if visit["pdop"] is None else f"{visit['pdop']:.1f}",
                "-" if visit["base_id"] is None else str(visit["base_id"]),
            )  # fmt: skip
        console.print(table)
        if mark["since_last"] is not None:
            console.print(Text(f"last against the one before: {mark['since_last']['words']}"))
        drift = mark["drift"]
        if drift is not None:
            rates = ", ".join(f"{axis} {v:+.2f}" for axis, v in drift["mm_per_day"].items())
            word = " and ".join(drift["significant"])
            word = f"drifts {word}" if word else "no drift beyond noise"
            console.print(Text(f"over {drift['days']:.1f} days: {word} ({rates} mm a day)"))
    if document["damaged_lines"]:
        console.print(Text(f"{document['damaged_lines']} damaged lines were passed over"))


def print_base(document: Mapping[str, Any], unit: LengthUnit) -> None:
    """The base between days."""
    console = control_console()
    table = plain_table("day", "base", "against", "east", "north", "up", "distance", "")
    for step in document["steps"]:
        table.add_row(
            Text(step["day"]), "-" if step["station_id"] is None else str(step["station_id"]), Text(step["against"]),
            *(small(step["offset_m"][a], unit, signed=True) for a in _AXES), small(step["distance_m"], unit),
            Text("MOVED" if step["moved"] else "same" if step["words"] == BASE_BETWEEN_DAYS["same"] else "close"),
        )  # fmt: skip
    console.print(
        table if document["steps"] else Text("one day only, and no base in the site file: nothing to compare")
    )
    for words in dict.fromkeys(s["words"] for s in document["steps"] if s["words"] != BASE_BETWEEN_DAYS["same"]):
        console.print(Text(f"note: {words}"))
    for day in document["days"]:
        if day["computed"]:
            console.print(Text(f"{day['day']}: a network computes the base; it follows the rover and is not compared"))


def _size(residual: Mapping[str, float | None]) -> float:
    return float(((residual["east"] or 0.0) ** 2 + (residual["north"] or 0.0) ** 2) ** 0.5)


def _chance(value: float | None) -> str:
    if value is None:
        return "-"
    return "<0.1 %" if value < 0.001 else f"{100 * value:.0f} %" if value >= 0.1 else f"{100 * value:.1f} %"
