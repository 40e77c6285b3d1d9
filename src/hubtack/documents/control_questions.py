"""The other answers of ``hubtack control`` as JSON: site transformation, accuracy, history, base between days."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.control.accuracy import AccuracyReport
from hubtack.control.base_days import BaseDay, BaseStep
from hubtack.control.drift import Difference, Trend
from hubtack.control.site_fit import FitPoint, SiteFit, local_toml
from hubtack.documents.control import base_step_body, difference_body, trend_body
from hubtack.json_out import document
from hubtack.safe import safe_text

Floats = NDArray[np.float64]
_AXES = ("east", "north", "up")


def fit_document(source: str, points: Sequence[FitPoint], fit: SiteFit, written: str | None) -> dict[str, Any]:
    """The fitted grid and what it leaves at each mark, with and without that mark in the fit."""
    o, plane = fit.grid.origin, fit.grid.height_plane
    return document(
        "control_fit",
        {
            "source": safe_text(source),
            "grid": {
                "origin": {
                    "easting_m": o.easting_m, "northing_m": o.northing_m, "latitude_deg": o.latitude_deg,
                    "longitude_deg": o.longitude_deg,
                },
                "rotation_arcsec": fit.grid.rotation_deg * 3600.0,
                "scale_ppm": (fit.grid.scale - 1.0) * 1e6,
                "height_plane": {
                    "offset_m": plane.offset_m, "north_mm_per_km": plane.north_m_per_m * 1e6,
                    "east_mm_per_km": plane.east_m_per_m * 1e6,
                },
            },
            "site_local": local_toml(fit.grid),
            "ground_scale_ppm": (fit.ground_scale - 1.0) * 1e6,
            "marks": [
                {
                    "name": safe_text(p.name, 80), "used_plan": point.use_plan, "used_height": point.use_height,
                    "residual_m": {"east": p.east_m, "north": p.north_m, "up": p.up_m},
                    "without_it_m": {"east": p.without_east_m, "north": p.without_north_m, "up": p.without_up_m},
                    "chance_plan": p.chance_plan, "chance_height": p.chance_height,
                }
                for point, p in zip(points, fit.points, strict=True)
            ],
            "rms_m": {"plan": fit.rms_plan_m, "height": fit.rms_height_m},
            "checks": {"plan": fit.checks_plan, "height": fit.checks_height},
            "does_not_fit": {"plan": _name(fit.misfit_plan), "height": _name(fit.misfit_height)},
            "notes": list(fit.notes),
            "written": None if written is None else safe_text(written),
        },
    )  # fmt: skip


def accuracy_document(
    source: str, names: Sequence[str], residual_m: Floats, report: AccuracyReport, survey_sigma_m: float
) -> dict[str, Any]:
    """The accuracy report."""
    return document(
        "control_accuracy",
        {
            "source": safe_text(source),
            "points": report.points,
            "rmse_m": {"east": report.rmse_east_m, "north": report.rmse_north_m, "radial": report.rmse_radial_m,
                       "up": report.rmse_up_m},
            "mean_m": dict(zip(_AXES, report.mean_m, strict=True)),
            "nssda_95_m": {"horizontal": report.horizontal_95_m, "vertical": report.vertical_95_m},
            "nssda_horizontal_factor": report.horizontal_factor,
            "asprs_2023_rmse_m": {"horizontal": report.rmse_radial_2023_m, "vertical": report.rmse_up_2023_m,
                                  "three_d": report.rmse_3d_2023_m},
            "survey_sigma_m": survey_sigma_m,
            "marks": [
                {"name": safe_text(name, 80), "residual_m": dict(zip(_AXES, (float(v) for v in row), strict=True))}
                for name, row in zip(names, residual_m, strict=True)
            ],
            "notes": list(report.notes),
        },
    )  # fmt: skip


def history_document(
    source: str,
    marks: Sequence[tuple[Sequence[Mapping[str, Any]], Difference | None, Trend | None]],
    damaged_lines: int,
) -> dict[str, Any]:
    """The visits of each mark."""
    return document(
        "control_history",
        {
            "source": safe_text(source),
            "marks": [
                {
                    "point": safe_text(entries[0]["point"], 80),
                    "what": entries[0]["what"],
                    "visits": [_visit(e) for e in entries],
                    "since_last": None if pair is None else difference_body(pair),
                    "drift": trend_body(drift),
                }
                for entries, pair, drift in marks
            ],
            "damaged_lines": damaged_lines,
        },
    )


def _visit(entry: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "utc": entry["utc"],
        "result": entry["result"],
        "residual_m": {axis: entry[f"{axis}_m"] for axis in _AXES},
        "sigma_m": {axis: entry[f"sigma_{axis}_m"] for axis in _AXES},
        "pdop": entry["pdop"],
        "base_id": entry["base_id"],
        "machine": None if entry["machine"] is None else safe_text(entry["machine"], 80),
        "datum_fit": None if entry["datum_fit"] is None else safe_text(entry["datum_fit"], 200),
    }


def base_document(days: Sequence[BaseDay], steps: Sequence[BaseStep], tolerance_m: float) -> dict[str, Any]:
    """Where the base was on each day, and the steps between."""
    return document(
        "control_base",
        {
            "days": [
                {"day": safe_text(d.label, 80), "utc": d.utc, "station_id": d.station_id,
                 "arp_ecef_m": list(d.arp_ecef_m), "computed": d.computed}
                for d in days
            ],
            "steps": [base_step_body(step) for step in steps],
            "tolerance_m": tolerance_m,
            "moved": any(step.moved for step in steps),
        },
    )  # fmt: skip


def _name(text: str | None) -> str | None:
    return None if text is None else safe_text(text, 80)
