"""``hubtack radio``: the path from base to rover, the load on the channel, losses by place, and a check list."""

from __future__ import annotations

import argparse
from pathlib import Path

from hubtack.cli import options

EXAMPLE = """
hubtack radio path --frequency-mhz 450 --distance-m 2000 --base-height-m 5 --rover-height-m 3 --obstacle 900,8 --power-w 2
hubtack radio load --systems GPS=10x2,GLONASS=7x2,Galileo=8x2,BeiDou=10x2 --msm 7 --interval-s 1 --rate-bps 9600
hubtack radio losses sample_logs/link_stalled --plot losses.png
hubtack radio checklist --stream sample_logs/good_day/corrections.rtcm3
"""


def _obstacle(text: str) -> tuple[float, float]:
    try:
        distance, height = (float(p) for p in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not DISTANCE_M,HEIGHT_M, such as 900,8") from None
    return distance, height


def _systems(text: str) -> dict[str, tuple[int, int]]:
    found: dict[str, tuple[int, int]] = {}
    for part in text.split(","):
        name, _, size = part.partition("=")
        satellites, _, signals = size.partition("x")
        if not name or not satellites.isdigit() or not signals.isdigit() or not int(satellites) or not int(signals):
            raise argparse.ArgumentTypeError(f"{part!r} is not SYSTEM=SATELLITESxSIGNALS, such as GPS=10x2")
        if int(satellites) > 64 or int(signals) > 32:
            raise argparse.ArgumentTypeError(f"{part!r}: an MSM has 64 satellites and 32 signals at most")
        found[name] = (int(satellites), int(signals))
    return found


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Sub-commands and their options."""
    parts = parser.add_subparsers(dest="what", metavar="path|load|losses|checklist", required=True)
    path = parts.add_parser("path", help="loss, horizon, Fresnel clearance, margin from base to rover")
    path.add_argument("--distance-m", type=float, required=True, help="from base to rover")
    _add_radio(path, required=True)
    path.add_argument("--obstacle", type=_obstacle, action="append", default=[], metavar="DISTANCE_M,HEIGHT_M",
                      help="a bank or heap on the way, above the base's ground; may be given again")  # fmt: skip
    path.add_argument("--profile", type=Path, metavar="CSV",
                      help="terrain from base to rover: distance_m,height_m a line; both antennas stand on it")  # fmt: skip
    path.add_argument("--sweep", action="store_true", help="table of both antenna heights")
    path.add_argument("--repeater-height-m", type=float, metavar="H",
                      help="try a repeater with such a mast all along the path")  # fmt: skip
    path.add_argument("--plot", type=Path, metavar="FILE", help="draw the profile as .png or .svg")
    options.add_json(path)
    load = parts.add_parser("load", help="bytes an epoch against the over-the-air rate")
    load.add_argument(
        "--systems", type=_systems, metavar="GPS=10x2,...", help="satellites x signals of each constellation"
    )
    load.add_argument("--msm", type=int, choices=range(1, 8), default=4)
    load.add_argument("--stream", type=Path, metavar="FILE", help="measure a recorded stream instead")
    load.add_argument("--interval-s", type=float, default=1.0)
    load.add_argument("--rate-bps", type=float, required=True, help="over-the-air rate")
    load.add_argument(
        "--overhead", type=float, default=0.0, help="framing and error correction of the radio, as a part of the data"
    )
    load.add_argument("--repeaters", type=int, default=0)
    load.add_argument("--slot-s", type=float, help="the slot, where bases share a channel")
    load.add_argument("--serial-bps", type=float, help="speed of the cable between receiver and radio")
    options.add_json(load)
    losses = parts.add_parser(
        "losses", help="where and when are correction epochs lost, and what is the likelier cure?"
    )
    losses.add_argument("paths", nargs="+", type=Path, metavar="LOG|FOLDER",
                        help="rover logs with their correction streams; days of one base are looked at together")  # fmt: skip
    options.add_site(losses)
    _add_radio(losses, required=False)
    losses.add_argument("--plot", type=Path, metavar="FILE", help="draw the map as .png or .svg")
    options.add_json(losses)
    check = parts.add_parser("checklist", help="what to look at, in order, when a site radio is set up")
    check.add_argument("--stream", metavar="SOURCE", help="fill in what this log or live source shows")
    check.add_argument("--rate-bps", type=float, help="over-the-air rate that the load is to fit")
    options.add_for(check)
    options.add_json(check)


def _add_radio(parser: argparse.ArgumentParser, *, required: bool) -> None:
    """The figures of a radio; where they are not required, all that the model needs or none."""
    for name, text in (
        ("frequency-mhz", "carrier frequency"), ("base-height-m", "antenna at the base above its ground"),
        ("rover-height-m", "antenna at the machine above the ground"),
    ):  # fmt: skip
        parser.add_argument(f"--{name}", type=float, required=required, help=text)
    parser.add_argument("--power-w", type=float, help="transmitter power at the antenna cable")
    parser.add_argument("--base-gain-dbi", type=float, default=0.0)
    parser.add_argument("--rover-gain-dbi", type=float, default=0.0)
    parser.add_argument("--cable-loss-db", type=float, default=0.0, help="all cables and connectors together")
    parser.add_argument("--sensitivity-dbm", type=float, help="of the receiver, by its data sheet")
    parser.add_argument("--rate-bps", type=float, help="over-the-air rate, for a usual sensitivity where none is given")
    parser.add_argument("--site-noise-db", type=float, default=0.0,
                        help="noise at the machine above the receiver's own: engines and lights, 5 to 20")  # fmt: skip
    parser.add_argument("--surroundings", choices=("rural", "urban"), default="rural", help="spread of shadowing")


def run(args: argparse.Namespace) -> int:
    """Work it out; exit 0, or 1 where the answer is no (margin short, load too large)."""
    if args.what == "losses":
        from hubtack.commands.radio_losses import losses

        return losses(args)
    if args.what == "path":
        from hubtack.commands.radio_path import path

        return path(args)
    if args.what == "checklist":
        from hubtack.commands.radio_checklist import checklist

        return checklist(args)
    from hubtack.commands.radio_load import load_command

    return load_command(args)
