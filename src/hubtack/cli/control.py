"""``hubtack control``: does the machine agree with the ground?"""

from __future__ import annotations

import argparse
import math
from pathlib import Path

from hubtack.cli import lengths, options

EXAMPLE = """
hubtack control morning.nmea --point CP3 --site site.toml
hubtack control --rover serial:///dev/ttyUSB0?baud=115200 --point CP3 --site site.toml --antenna-height-m 2.000
hubtack control rover.nmea --at 500000.012,5016000.034,11.482 --crs EPSG:32760 --json
hubtack control rover.nmea --point CP3 --shown 500000.020,5016000.029,11.495 --site site.toml
hubtack control --fit marks.csv --write site.toml
hubtack control --history control.jsonl --point CP3 --plot cp3.svg
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command. Lengths are metres unless a unit is written behind them."""
    options.add_sources(parser)
    options.add_site(parser)
    mark = parser.add_argument_group("the mark")
    mark.add_argument("--point", metavar="NAME", help="a control mark of the site file; beside --at its name")
    mark.add_argument(
        "--at",
        type=coordinates,
        metavar="E,N,H",
        help="the mark's coordinates [m], or with a unit behind each (984250.12ftUS); LAT,LON,H where --crs is in degrees",
    )
    mark.add_argument("--crs", metavar="EPSG:n", help="the coordinate system of --at (default: that of the site file)")
    mark.add_argument(
        "--height-datum",
        choices=("ellipsoid", "geoid"),
        default=None,
        help="what the height of --at counts from (default ellipsoid); geoid needs site.geoid",
    )
    mark.add_argument(
        "--mark-sigma-m", type=lengths.positive_length_m, metavar="S", help="1 sigma of --at per axis (default 10mm)"
    )
    mark.add_argument("--measure", metavar="NAME", help="no known mark: measure this one, for --fit")
    check = parser.add_argument_group("the check")
    check.add_argument(
        "--antenna-height-m",
        type=lengths.height_m,
        default=0.0,
        metavar="H",
        help="of the point the receiver reports (antenna) above the mark, measured upright [m] (default 0)",
    )
    check.add_argument(
        "--shown",
        type=coordinates,
        metavar="E,N,H",
        help="what the machine's own screen says with the tooth on the mark: the check of the whole chain",
    )
    check.add_argument("--from", dest="from_s", type=clock, metavar="HH:MM", help="begin at this UTC time of a log")
    check.add_argument("--to", dest="to_s", type=clock, metavar="HH:MM", help="end at this UTC time of a log")
    check.add_argument("--date", type=date, metavar="YYYY-MM-DD", help="UTC day of a log that has none in it")
    check.add_argument(
        "--for",
        type=options.seconds,
        dest="for_s",
        metavar="SECONDS",
        help="occupy for a set time (default: live until the mean is stable, a log as long as it stood)",
    )
    check.add_argument(
        "--record",
        type=Path,
        metavar="FILE",
        help="append the check here (default: control.jsonl and control.csv beside the site file)",
    )
    check.add_argument("--no-record", action="store_true", help="keep no record of this check")
    other = parser.add_argument_group("other questions")
    other.add_argument(
        "--fit",
        type=Path,
        metavar="CSV",
        help="fit the site's own grid to marks known in both systems (docs/control.md)",
    )
    other.add_argument("--write", type=Path, metavar="SITE", help="with --fit: put [site.local] into this site file")
    other.add_argument("--residuals", type=Path, metavar="CSV", help="with --fit: write the residuals as CSV")
    other.add_argument(
        "--accuracy", type=Path, metavar="FILE", help="accuracy report over many marks: a control record, or a CSV"
    )
    other.add_argument("--history", type=Path, metavar="FILE", help="what a control record says, mark by mark")
    other.add_argument(
        "--base-days", nargs="+", type=Path, metavar="LOG", help="the base's position between days: logs or records"
    )
    other.add_argument(
        "--plot", type=Path, metavar="FILE", help="draw residuals or history: .svg, .png or .pdf (needs matplotlib)"
    )
    parser.add_argument(
        "--units", type=lengths.unit, metavar="m|ft|ft_us", help="unit of the answer (default that of the site file)"
    )
    options.add_speed(parser, 0.0)
    options.add_near(parser)
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Exit 0 when the check passed, 1 when it failed or cannot be told, 3 if a source failed."""
    from hubtack.commands.control import control

    return control(args)


def coordinates(text: str) -> tuple[float, float, float]:
    """``EAST,NORTH,HEIGHT`` in metres, or with a unit behind each number."""
    parts = text.split(",")
    try:
        values = tuple(lengths.length_m(part) for part in parts)
    except argparse.ArgumentTypeError:
        values = ()
    if len(values) != 3:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not EAST,NORTH,HEIGHT: three numbers with decimal points and commas between, no spaces; "
            "metres, or a unit behind each (984250.12ftUS)"
        )
    return values[0], values[1], values[2]


def clock(text: str) -> float:
    """A time of day as seconds, from ``HH:MM`` or ``HH:MM:SS``."""
    parts = text.split(":")
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        numbers = []
    good = len(numbers) in (2, 3) and 0 <= numbers[0] < 24 and all(0 <= n < 60 for n in numbers[1:])
    if not good or not all(math.isfinite(n) for n in numbers):
        raise argparse.ArgumentTypeError(f"{text!r} is not a UTC time of day, such as 07:12 or 07:12:30")
    return sum(n * f for n, f in zip(numbers, (3600.0, 60.0, 1.0), strict=False))


def date(text: str) -> str:
    """A day as ``YYYY-MM-DD``."""
    import datetime as dt

    try:
        return dt.date.fromisoformat(text).isoformat()
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a day, such as 2026-03-02") from None
