"""``radio load``: what the stream takes of the channel, and what would fit."""

from __future__ import annotations

import argparse
import math
import sys

from hubtack.errors import UsageError
from hubtack.json_out import document, to_json
from hubtack.knowledge.radio import CAUTIONS
from hubtack.radio.load import epoch_bytes, load, remedies
from hubtack.radio.stream import measure
from hubtack.views.paragraphs import paragraph, points, text_columns

EXIT_FINE, EXIT_NO = 0, 1


def load_command(args: argparse.Namespace) -> int:
    """``radio load``."""
    for name in ("interval_s", "rate_bps", "slot_s", "serial_bps"):
        if getattr(args, name) is None:
            continue
        if not getattr(args, name) > 0 or not math.isfinite(getattr(args, name)):
            raise UsageError(f"--{name.replace('_', '-')} {getattr(args, name):g}: must be more than 0")
    if not 0 <= args.overhead <= 10 or not 0 <= args.repeaters <= 10:
        raise UsageError("--overhead and --repeaters: from 0 to 10 (0.33 is one third more)")
    if (args.systems is None) == (args.stream is None):
        raise UsageError("give either --systems GPS=10x2,... or --stream FILE")
    if args.stream is not None:
        seen = measure(args.stream)
        size, interval_s = seen.bytes_per_epoch, seen.interval_s
        if math.isnan(interval_s):
            interval_s = args.interval_s
            print(f"hubtack radio: {seen.tally.epochs} epochs are too few to tell their interval; taken as --interval-s "
                  f"{interval_s:g}", file=sys.stderr)  # fmt: skip
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
        width = text_columns()
        said = (
            f"{size:.0f} bytes every {interval_s:g} s at {args.rate_bps:g} bit/s: {result.airtime_s:.2f} s on the air, "
            f"{100 * result.share:.0f} % of the channel, adds {result.added_age_s:.2f} s of age: "
            f"{'fits' if result.fits else 'does NOT fit'}"
        )
        print("\n".join([*paragraph(said, width), *points((*wanted, CAUTIONS[0]), width)]))
    return EXIT_FINE if result.fits else EXIT_NO
