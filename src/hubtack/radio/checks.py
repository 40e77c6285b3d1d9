"""Figures of a radio path as they are given: checked, with a sentence for each that cannot be."""

from __future__ import annotations

import argparse
import csv
import math
from collections.abc import Sequence
from pathlib import Path

from hubtack.errors import LogFormatError, SourceError, UsageError
from hubtack.knowledge.radio import BANDS_MHZ
from hubtack.radio.path import Link, Obstacle


def link_of(args: argparse.Namespace) -> Link:
    for name in ("frequency_mhz", "distance_m", "base_height_m", "rover_height_m"):
        value = getattr(args, name)
        if not math.isfinite(value) or value <= 0:
            raise UsageError(f"--{name.replace('_', '-')} {value:g}: must be more than 0")
    (low, high), which = BANDS_MHZ
    if not low <= args.frequency_mhz <= high:
        hint = "; that looks like Hz: write megahertz, such as 450" if args.frequency_mhz >= 1e6 else ""
        raise UsageError(f"--frequency-mhz {args.frequency_mhz:g}: from {low:g} to {high:g}{hint} ({which})")
    if args.distance_m > 200_000:
        raise UsageError(f"--distance-m {args.distance_m:g}: over 200 km; the models here are for a site")
    if args.power_w is not None and not 0 < args.power_w <= 1000:
        raise UsageError(f"--power-w {args.power_w:g}: watts, more than 0 and at most 1000; keep to your licence")
    if args.sensitivity_dbm is not None and args.sensitivity_dbm > 0:
        raise UsageError(f"--sensitivity-dbm {args.sensitivity_dbm:g}: a negative figure, such as -110")
    obstacles: Sequence[Obstacle] = [
        *args.obstacle,
        *(read_profile(args.profile, args.distance_m) if args.profile else []),
    ]
    for at_m, height_m in obstacles:
        if not 0 < at_m < args.distance_m:
            raise UsageError(
                f"--obstacle {at_m:g},{height_m:g}: must lie between base and rover, 0 to {args.distance_m:g} m"
            )
    return Link(
        args.frequency_mhz, args.distance_m, args.base_height_m, args.rover_height_m, tuple(obstacles), args.power_w,
        args.base_gain_dbi, args.rover_gain_dbi, args.cable_loss_db, args.sensitivity_dbm, args.surroundings,
    )  # fmt: skip


def read_profile(file: Path, distance_m: float) -> list[Obstacle]:
    """Terrain points between the ends, their heights taken from the base's ground (the first line)."""
    try:
        with file.open(newline="", encoding="utf-8") as stream:
            rows = list(csv.reader(stream))
    except OSError as err:
        raise SourceError(f"{file}: cannot be read ({err.strerror}); check the path") from err
    except UnicodeDecodeError as err:
        raise LogFormatError(f"{file}: offset {err.start}: not text; expected distance_m,height_m a line") from err
    points: list[Obstacle] = []
    for number, row in enumerate(rows, 1):
        if not row or (number == 1 and not _is_number(row[0])):
            continue
        if len(row) < 2 or not (_is_number(row[0]) and _is_number(row[1])):
            raise LogFormatError(f"{file}: line {number}: expected distance_m,height_m")
        points.append((float(row[0]), float(row[1])))
    if not points:
        raise LogFormatError(f"{file}: holds no points; expected distance_m,height_m a line")
    ground_m = points[0][1]
    return [(d, h - ground_m) for d, h in points if 0 < d < distance_m]


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False
