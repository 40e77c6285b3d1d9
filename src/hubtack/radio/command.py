"""The radio commands: check the figures, work them out, say them."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import Any

from hubtack.documents.json_out import document, to_json
from hubtack.errors import LogFormatError, UsageError
from hubtack.knowledge.radio import CAUTIONS, CHECKLIST, CLEARANCE_SHARE, MARGIN_WANTED_DB
from hubtack.radio.checks import link_of
from hubtack.radio.load import epoch_bytes, load, remedies
from hubtack.radio.path import Link, PathResult, mast_needed_m, work_out

EXIT_FINE, EXIT_NO = 0, 1


def path(args: argparse.Namespace) -> int:
    """``radio path``."""
    link = link_of(args)
    result = work_out(link)
    mast_m = mast_needed_m(link, MARGIN_WANTED_DB)
    advice = _advice(link, result, mast_m)
    body: dict[str, Any] = {
        **{name: getattr(result, name) for name in result.__dataclass_fields__},
        "mast_needed_m": mast_m, "margin_wanted_db": MARGIN_WANTED_DB, "advice": advice, "cautions": list(CAUTIONS),
        "findings": [],
    }  # fmt: skip
    if args.json:
        print(to_json(document("radio_path", body)))
    else:
        _print_path(link, result, advice)
    return EXIT_NO if result.margin_db < 0 else EXIT_FINE


def _advice(link: Link, result: PathResult, mast_m: float | None) -> list[str]:
    found = []
    if link.distance_m > result.horizon_m:
        found.append(f"beyond the radio horizon of {result.horizon_m / 1000:.1f} km: a higher mast or a repeater")
    if link.obstacles and result.clearance_m < CLEARANCE_SHARE * result.fresnel1_m:
        found.append(
            f"the way is not clear at {result.critical_m:.0f} m: {result.clearance_m:.1f} m over the obstacle, "
            f"{CLEARANCE_SHARE * result.fresnel1_m:.1f} m (60 % of the first Fresnel zone) are wanted"
        )
    if result.margin_db < MARGIN_WANTED_DB:
        found.append(
            f"the margin of {result.margin_db:.0f} dB is below the {MARGIN_WANTED_DB:.0f} dB a moving machine wants"
        )
    if found and mast_m is not None and mast_m > link.base_height_m:
        found.append(f"raise the base's antenna from {link.base_height_m:g} to {mast_m:g} m")
    elif found and mast_m is None:
        found.append("no mast up to 40 m mends that: a repeater, or a nearer place for the base")
    return found


def _print_path(link: Link, result: PathResult, advice: list[str]) -> None:
    print(
        f"{link.frequency_mhz:g} MHz over {link.distance_m:g} m, antennas at {link.base_height_m:g} and {link.rover_height_m:g} m"
    )
    rows = [
        ("free space", f"{result.free_space_db:.1f} dB"), ("plane earth", f"{result.plane_earth_db:.1f} dB"),
        ("breakpoint", f"{result.breakpoint_m:.0f} m"), ("radio horizon", f"{result.horizon_m / 1000:.1f} km"),
        ("first Fresnel zone", f"{result.fresnel1_m:.1f} m at {result.critical_m:.0f} m"),
        ("clearance there", f"{result.clearance_m:.1f} m"), ("diffraction", f"{result.diffraction_db:.1f} dB"),
        ("path loss", f"{result.path_loss_db:.1f} dB"),
    ]  # fmt: skip
    if not math.isnan(result.received_dbm):
        rows.append(("received", f"{result.received_dbm:.1f} dBm"))
    if not math.isnan(result.margin_db):
        rows.append(("margin", f"{result.margin_db:.1f} dB"))
        rows.append(("holds", f"{100 * result.availability:.1f} % of places, shadowing {result.shadowing_db:.1f} dB"))
    for name, value in rows:
        print(f"  {name:<20}{value}")
    for line in (*advice, *CAUTIONS):
        print(f"- {line}")


def load_command(args: argparse.Namespace) -> int:
    """``radio load``."""
    for name in ("interval_s", "rate_bps"):
        if not getattr(args, name) > 0 or not math.isfinite(getattr(args, name)):
            raise UsageError(f"--{name.replace('_', '-')} {getattr(args, name):g}: must be more than 0")
    if args.overhead < 0 or args.repeaters < 0:
        raise UsageError("--overhead and --repeaters cannot be negative")
    if (args.systems is None) == (args.stream is None):
        raise UsageError("give either --systems GPS=10x2,... or --stream FILE")
    if args.stream is not None:
        size, interval_s = _measured(args.stream)
        systems, level = None, None
    else:
        size, interval_s, systems, level = (
            float(epoch_bytes(args.systems, args.msm)),
            args.interval_s,
            args.systems,
            args.msm,
        )
    rest = {
        "overhead": args.overhead,
        "repeats": args.repeaters + 1,
        "serial_bps": args.serial_bps,
        "slot_s": args.slot_s,
    }
    result = load(size, interval_s, args.rate_bps, **rest)
    wanted = remedies(result, systems, level, interval_s, args.rate_bps, **rest)
    body = {
        **{name: getattr(result, name) for name in result.__dataclass_fields__}, "interval_s": interval_s,
        "rate_bps": args.rate_bps, "remedies": wanted,
    }  # fmt: skip
    if args.json:
        print(to_json(document("radio_load", body)))
    else:
        print(f"{size:.0f} bytes every {interval_s:g} s at {args.rate_bps:g} bit/s: {result.airtime_s:.2f} s on the air, "
              f"{100 * result.share:.0f} % of the channel, adds {result.added_age_s:.2f} s of age: "
              f"{'fits' if result.fits else 'does NOT fit'}")  # fmt: skip
        for line in (*wanted, CAUTIONS[0]):
            print(f"- {line}")
    return EXIT_FINE if result.fits else EXIT_NO


def _measured(file: Path) -> tuple[float, float]:
    """Mean bytes an epoch of a recorded stream, all its frames counted, and the interval of its epochs."""
    from hubtack.decode.decoder import Decoder
    from hubtack.engine.axis import SessionAxis
    from hubtack.engine.link import LinkEngine, LinkSetup
    from hubtack.readers.files import iter_log

    engine, decoder = LinkEngine(LinkSetup(), SessionAxis()), Decoder()
    import numpy as np

    total = 0
    for part in (*map(decoder.feed, iter_log(file)), decoder.flush()):
        total += int(part.frames["length"].sum())
        engine.feed(part, None, np.full(len(part.frames), -1, dtype=np.int64))
    engine.release()
    if not engine.tally.epochs:
        raise LogFormatError(f"{file}: no observation epochs; expected a correction stream in RTCM 3")
    interval_s = engine.tally.interval_s()
    return total / engine.tally.epochs, 1.0 if math.isnan(interval_s) else interval_s


def checklist(args: argparse.Namespace) -> int:
    """``radio checklist``."""
    if args.json:
        items = [{"item": item, "ask": ask} for item, ask in CHECKLIST]
        print(to_json(document("radio_checklist", {"items": items, "cautions": list(CAUTIONS)})))
        return EXIT_FINE
    for item, ask in CHECKLIST:
        print(f"[ ] {item:<28}{ask}")
    for line in CAUTIONS:
        print(f"- {line}")
    return EXIT_FINE
