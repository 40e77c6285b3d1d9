"""One table of options shared by all commands, so that an option means the same everywhere. Standard library only."""

from __future__ import annotations

import argparse
import math
from pathlib import Path


def seconds(text: str) -> float:
    """A finite number of seconds, 0 or more."""
    value = _number(text)
    if value < 0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of seconds, 0 or more")
    return value


def speed(text: str) -> float:
    """A replay speed: 0 as fast as it goes, 1 its own pace."""
    value = _number(text)
    if value < 0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a speed: 0 is as fast as it goes, 1 its own pace")
    return value


def latitude_longitude(text: str) -> tuple[float, float]:
    """``LAT,LON`` in degrees, north and east positive."""
    parts = text.split(",")
    if len(parts) != 2:
        raise argparse.ArgumentTypeError(f"{text!r} is not LAT,LON in degrees, such as -45.03,170.01")
    lat, lon = _number(parts[0]), _number(parts[1])
    if not -90 <= lat <= 90 or not -180 <= lon <= 360:
        swapped = "; latitude comes first" if -90 <= lon <= 90 else ""
        raise argparse.ArgumentTypeError(
            f"{text!r} is not on the Earth: latitude -90 to 90, longitude -180 to 360{swapped}"
        )
    return lat, lon


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number") from None
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"{text!r} is not a finite number")
    return value


def add_site(parser: argparse.ArgumentParser) -> None:
    """``--site FILE``."""
    parser.add_argument(
        "--site", type=Path, metavar="FILE", help="site file; else site.toml beside the log, else defaults"
    )


def add_json(parser: argparse.ArgumentParser) -> None:
    """``--json``."""
    parser.add_argument("--json", action="store_true", help="print JSON for machines (docs/schema)")


def add_speed(parser: argparse.ArgumentParser, default: float) -> None:
    """``--speed X`` for logs."""
    parser.add_argument(
        "--speed",
        type=speed,
        default=default,
        metavar="X",
        help=f"play a log X times as fast as it was recorded; 0: as fast as it goes (default {default:g})",
    )


def add_for(parser: argparse.ArgumentParser) -> None:
    """``--for SECONDS`` for live commands."""
    parser.add_argument("--for", type=seconds, dest="for_s", metavar="SECONDS", help="stop by itself after this long")


def add_navigation(parser: argparse.ArgumentParser) -> None:
    """``--navigation FILE``."""
    parser.add_argument(
        "--navigation", type=Path, metavar="FILE",
        help="RINEX navigation file with the satellites' ephemerides, where the stream carries none (extra: rinex)",
    )  # fmt: skip


def add_near(parser: argparse.ArgumentParser) -> None:
    """``--near LAT,LON``."""
    parser.add_argument(
        "--near", type=latitude_longitude, metavar="LAT,LON", help="position to give a caster that asks for one [deg]"
    )


def add_keeping(parser: argparse.ArgumentParser) -> None:
    """``--log FILE``, ``--no-log`` and ``--accept-base``."""
    parser.add_argument(
        "--log", type=Path, metavar="FILE",
        help="verdict log to append what is shown to; a live run keeps verdicts.jsonl beside the site file",
    )  # fmt: skip
    parser.add_argument("--no-log", action="store_true", help="keep no verdict log")
    parser.add_argument(
        "--accept-base", action="store_true",
        help="confirm that the base which is heard is the right one, though its ID or place is not the expected one; "
        "it is written to the verdict log",
    )  # fmt: skip


def add_forward(parser: argparse.ArgumentParser) -> None:
    """``--forward URL``."""
    parser.add_argument(
        "--forward", metavar="URL",
        help="pass the correction stream on, unchanged, to serial://... or tcp://host:port; where that feeds a "
        "transmitter, its licence, power and duty limits are yours to keep",
    )  # fmt: skip


def add_sources(parser: argparse.ArgumentParser) -> None:
    """SOURCE, ``--rover``, ``--second-antenna`` and ``--corrections``."""
    parser.add_argument(
        "source",
        nargs="?",
        metavar="SOURCE",
        help="a rover log, a mixed log, a folder with a session, or a live source that carries both",
    )
    parser.add_argument(
        "--rover", metavar="URL", help="rover sentences: serial:///dev/ttyUSB0?baud=115200, tcp://host:port, ..."
    )
    parser.add_argument(
        "--second-antenna", metavar="URL", help="the second antenna's own position stream, if there are two"
    )
    parser.add_argument(
        "--corrections",
        metavar="URL",
        help="correction stream: serial://..., tcp://..., ntrip://user@host:2101/MOUNT, ...",
    )
