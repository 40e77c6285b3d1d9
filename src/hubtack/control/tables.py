"""Plain CSV in and out: marks for the site transformation, residuals of check points. Column names carry the units."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hubtack.control.site_fit import FitPoint, SiteFit
from hubtack.errors import LogFormatError, SourceError
from hubtack.safe import safe_cell, safe_text

Floats = NDArray[np.float64]
MAX_BYTES = 4_000_000
FIT_COLUMNS = ("name", "easting_m", "northing_m", "height_m", "latitude_deg", "longitude_deg", "h_ellipsoid_m")
CHECK_COLUMNS = ("name", "easting_m", "northing_m", "height_m", "measured_easting_m", "measured_northing_m",
                 "measured_height_m")  # fmt: skip
_OPTIONAL = {"height_m", "h_ellipsoid_m", "measured_height_m", "use"}
_USES = {"": (True, True), "both": (True, True), "plan": (True, False), "height": (False, True), "none": (False, False)}


def read_fit_points(path: Path) -> list[FitPoint]:
    """Marks known in both systems, from a CSV with the columns of ``FIT_COLUMNS`` (``use``: both, plan, height, none).

    Raises
    ------
    SourceError, LogFormatError
        If the file cannot be read, or a row is not understood; the message has the line.
    """
    points = []
    for line, row in _rows(path, FIT_COLUMNS):
        lat, lon = _number(path, line, row, "latitude_deg"), _number(path, line, row, "longitude_deg")
        if not -90 <= lat <= 90 or not -180 <= lon <= 360:
            swapped = "; latitude and longitude look swapped" if -90 <= lon <= 90 else ""
            raise LogFormatError(
                f"{safe_text(str(path))}, line {line}: latitude {lat:g}, longitude {lon:g} is no place{swapped}"
            )
        use = row.get("use", "").strip().lower()
        if use not in _USES:
            raise LogFormatError(
                f"{safe_text(str(path))}, line {line}: use is {safe_text(use, 20)!r}; both, plan, height or none"
            )
        points.append(
            FitPoint(
                row["name"].strip(), _number(path, line, row, "easting_m"), _number(path, line, row, "northing_m"),
                _number(path, line, row, "height_m"), lat, lon, _number(path, line, row, "h_ellipsoid_m"), *_USES[use],
            )
        )  # fmt: skip
    return points


def read_check_points(path: Path) -> tuple[list[str], Floats, Floats]:
    """Names, positions (N, 2) and residuals (N, 3, measured less known) of check points, by ``CHECK_COLUMNS``. [m]"""
    names, known, measured = [], [], []
    for line, row in _rows(path, CHECK_COLUMNS):
        names.append(row["name"].strip())
        known.append([_number(path, line, row, c) for c in CHECK_COLUMNS[1:4]])
        measured.append([_number(path, line, row, c) for c in CHECK_COLUMNS[4:7]])
    if not names:
        raise LogFormatError(f"{safe_text(str(path))}: no check point; expected the columns {', '.join(CHECK_COLUMNS)}")
    a, b = np.array(known, dtype=np.float64), np.array(measured, dtype=np.float64)
    return names, a[:, :2], b - a


def fit_csv(fit: SiteFit) -> str:
    """Residuals of a site transformation as CSV: with the mark in the fit, and without it."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("name", "east_m", "north_m", "up_m", "without_east_m", "without_north_m", "without_up_m",
                     "chance_plan", "chance_height"))  # fmt: skip
    for p in fit.points:
        figures = (p.east_m, p.north_m, p.up_m, p.without_east_m, p.without_north_m, p.without_up_m)
        cells = ["" if math.isnan(v) else f"{v:.4f}" for v in figures]
        cells += ["" if math.isnan(v) else f"{v:.6f}" for v in (p.chance_plan, p.chance_height)]
        writer.writerow([safe_cell(p.name), *cells])
    return out.getvalue()


def _rows(path: Path, columns: Sequence[str]) -> list[tuple[int, dict[str, str]]]:
    name = safe_text(str(path))
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as err:
        raise SourceError(f"{name} cannot be read: {err.strerror}; check the path") from err
    if len(data) > MAX_BYTES:
        raise LogFormatError(f"{name} is over {MAX_BYTES // 1_000_000} MB; a list of marks is a short CSV")
    text = data.decode("utf-8-sig", errors="replace")
    first = text.split("\n", 1)[0]
    delimiter = ";" if first.count(";") > first.count(",") else ","
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    try:
        head = [cell.strip().lower() for cell in next(reader, [])]
        missing = [c for c in columns if c not in head and c not in _OPTIONAL]
        if missing:
            raise LogFormatError(
                f"{name}, line 1: no column {', '.join(missing)}; expected the columns {', '.join(columns)} "
                "(lengths in metres, latitude and longitude in degrees)"
            )
        rows = []
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) > len(head):
                raise LogFormatError(
                    f"{name}, line {reader.line_num}: {len(cells)} cells under {len(head)} columns; use decimal points"
                )
            row = dict(zip(head, cells, strict=False))
            rows.append((reader.line_num, {**dict.fromkeys(head, ""), **row}))
    except csv.Error as err:
        raise LogFormatError(f"{name}, line {reader.line_num}: not CSV: {err}") from None
    return rows


def _number(path: Path, line: int, row: dict[str, str], column: str) -> float:
    text = row.get(column, "").strip()
    if not text and column in _OPTIONAL:
        return float("nan")
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not math.isfinite(value):
        raise LogFormatError(
            f"{safe_text(str(path))}, line {line}: {column} is {safe_text(text, 30)!r}; a number with a decimal point"
        )
    return value
