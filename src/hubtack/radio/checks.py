"""Figures of a radio path as they are given: checked, with a sentence for each that cannot be."""

from __future__ import annotations

import argparse
import csv
import math
from pathlib import Path

from hubtack.errors import LogFormatError, SourceError, UsageError
from hubtack.knowledge.radio import BANDS_MHZ
from hubtack.radio.path import Link, Obstacle, ground_m
from hubtack.safe import safe_text

NEAR_FIELD_M = 10.0  # some wavelengths; nearer, far-field formulas mean nothing
MOST_HEIGHT_M = 2000.0


def link_of(args: argparse.Namespace) -> Link:
    """The path that the options describe.

    Raises
    ------
    UsageError
        For a figure that cannot be.
    SourceError, LogFormatError
        If the profile cannot be read, or is not one.
    """
    for name in ("frequency_mhz", "distance_m", "base_height_m", "rover_height_m"):
        value = getattr(args, name)
        if not math.isfinite(value) or value <= 0:
            raise UsageError(f"--{name.replace('_', '-')} {value:g}: must be more than 0")
    (low, high), which = BANDS_MHZ
    if not low <= args.frequency_mhz <= high:
        hint = ""
        if args.frequency_mhz >= 1e6:
            hint = f"; that looks like Hz: write megahertz, {args.frequency_mhz / 1e6:g}"
        elif args.frequency_mhz < 1.0:
            hint = f"; that looks like GHz: write megahertz, {args.frequency_mhz * 1000:g}"
        elif args.frequency_mhz >= 1e5:
            hint = f"; that looks like kHz: write megahertz, {args.frequency_mhz / 1000:g}"
        raise UsageError(f"--frequency-mhz {args.frequency_mhz:g}: from {low:g} to {high:g}{hint} ({which})")
    if args.distance_m > 200_000:
        raise UsageError(f"--distance-m {args.distance_m:g}: over 200 km; the models here are for a site")
    if args.distance_m < NEAR_FIELD_M:
        raise UsageError(f"--distance-m {args.distance_m:g}: nearer than {NEAR_FIELD_M:g} m the models do not hold")
    for name in ("base_height_m", "rover_height_m"):
        if getattr(args, name) > 300:
            raise UsageError(
                f"--{name.replace('_', '-')} {getattr(args, name):g}: over 300 m; metres above the ground are meant"
            )
    if args.power_w is not None and not 0 < args.power_w <= 1000:
        raise UsageError(f"--power-w {args.power_w:g}: watts, more than 0 and at most 1000; keep to your licence")
    for name in ("base_gain_dbi", "rover_gain_dbi"):
        if not -30 <= getattr(args, name) <= 30:
            raise UsageError(
                f"--{name.replace('_', '-')} {getattr(args, name):g}: from -30 to 30 dBi (dBd is 2.15 less)"
            )
    if not 0 <= args.cable_loss_db <= 60:
        raise UsageError(f"--cable-loss-db {args.cable_loss_db:g}: a loss, from 0 to 60 dB, without a sign")
    if args.sensitivity_dbm is not None and not -150 <= args.sensitivity_dbm <= 0:
        raise UsageError(f"--sensitivity-dbm {args.sensitivity_dbm:g}: a negative figure, such as -110")
    for at_m, height_m in args.obstacle:
        if not 0 < at_m < args.distance_m:
            raise UsageError(
                f"--obstacle {at_m:g},{height_m:g}: must lie between base and rover, 0 to {args.distance_m:g} m"
            )
        if not abs(height_m) <= MOST_HEIGHT_M:
            raise UsageError(
                f"--obstacle {at_m:g},{height_m:g}: metres above the base's ground, at most {MOST_HEIGHT_M:g}"
            )
    return Link(
        args.frequency_mhz, args.distance_m, args.base_height_m, args.rover_height_m, tuple(args.obstacle), args.power_w,
        args.base_gain_dbi, args.rover_gain_dbi, args.cable_loss_db, args.sensitivity_dbm, args.surroundings,
        read_profile(args.profile, args.distance_m) if args.profile else (),
    )  # fmt: skip


def read_profile(file: Path, distance_m: float) -> tuple[Obstacle, ...]:
    """Terrain from base to rover in order of distance; heights from the base's ground, which is the first line's. [m]

    The first line may hold names. Points beyond the rover are left out, and the ground under it is put in.
    """
    shown = safe_text(str(file), 200)
    try:
        with file.open(newline="", encoding="utf-8-sig") as stream:
            rows = list(csv.reader(stream))
    except OSError as err:
        raise SourceError(f"{shown}: cannot be read ({err.strerror}); check the path") from err
    except UnicodeDecodeError as err:
        raise LogFormatError(f"{shown}: offset {err.start}: not text; expected distance_m,height_m a line") from err
    except csv.Error as err:
        raise LogFormatError(f"{shown}: not a table ({err}); expected distance_m,height_m a line") from err
    points: list[Obstacle] = []
    for number, row in enumerate(rows, 1):
        if not row or (number == 1 and not _is_number(row[0])):
            continue
        if len(row) < 2 or not (_is_number(row[0]) and _is_number(row[1])):
            raise LogFormatError(f"{shown}: line {number}: expected distance_m,height_m")
        point = float(row[0]), float(row[1])
        if points and point[0] <= points[-1][0]:
            raise LogFormatError(
                f"{shown}: line {number}: {point[0]:g} m is not beyond the line before; sort by distance"
            )
        points.append(point)
    if not points:
        raise LogFormatError(f"{shown}: holds no points; expected distance_m,height_m a line")
    if points[0][0] > 0.05 * distance_m or points[0][0] < 0 or points[-1][0] < 0.95 * distance_m:
        raise LogFormatError(
            f"{shown}: runs from {points[0][0]:g} to {points[-1][0]:g} m; expected from the base, 0 m, to the rover at "
            f"{distance_m:g} m"
        )
    foot_m = points[0][1]
    if max(abs(h - foot_m) for _, h in points) > MOST_HEIGHT_M:
        raise LogFormatError(f"{shown}: differs by over {MOST_HEIGHT_M:g} m in height; metres are expected")
    ground = tuple((d, h - foot_m) for d, h in points)
    return (*((d, h) for d, h in ground if d < distance_m), (distance_m, ground_m(ground, distance_m)))


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False
