"""``radio checklist``: what to look at, in order; what a stream shows is filled in beside the question."""

from __future__ import annotations

import argparse
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from hubtack.engine.link_ledger import COMPLETE
from hubtack.engine.link_tally import LinkTally
from hubtack.errors import UsageError
from hubtack.json_out import document, to_json
from hubtack.knowledge.messages import SYSTEMS
from hubtack.knowledge.radio import (
    CAUTIONS,
    CHECKLIST,
    DESCRIPTORS_WITHIN_S,
    LONG_SILENCE_S,
    MUCH_LOST_SHARE,
    SENSITIVITY,
    SERIAL_BPS,
    SHARE_MOST,
    WANTED_MESSAGES,
)
from hubtack.radio.load import SERIAL_BITS_PER_BYTE, load
from hubtack.radio.stream import StreamMeasure, measure
from hubtack.readers.urls import parse_source
from hubtack.safe import safe_text
from hubtack.views.paragraphs import text_columns
from hubtack.views.radio_sheet import checklist_text

EXIT_FINE, EXIT_NO = 0, 1
Answer = tuple[bool | None, str]  # whether it is well, None where only a person can say; and what the stream shows


def checklist(args: argparse.Namespace) -> int:
    """``radio checklist``; with a stream 1 where something that it shows is not well."""
    if args.rate_bps is not None and not (math.isfinite(args.rate_bps) and args.rate_bps > 0):
        raise UsageError(f"--rate-bps {args.rate_bps:g}: must be more than 0")
    shown: Mapping[str, Answer] = {}
    seen: StreamMeasure | None = None
    if args.stream is not None:
        seen = measure_source(args.stream, args.for_s)
        shown = answers(seen, args.rate_bps)
    if args.json:
        items = [
            {"item": item, "ask": ask, "well": shown.get(item, (None, ""))[0],
             "shows": shown[item][1] if item in shown else None}
            for item, ask in CHECKLIST
        ]  # fmt: skip
        body: dict[str, Any] = {
            "stream": None if args.stream is None else safe_text(parse_source(args.stream).label, 200),
            "items": items, "cautions": list(CAUTIONS),
        }  # fmt: skip
        print(to_json(document("radio_checklist", body)))
    else:
        for line in checklist_text(shown, text_columns()):
            print(line)
    return EXIT_NO if any(well is False for well, _ in shown.values()) else EXIT_FINE


def measure_source(source: str, for_s: float | None) -> StreamMeasure:
    """A log whole, or a live source for a while (20 s where nothing is said).

    Raises
    ------
    SourceError, LogFormatError
        If it cannot be opened, or holds no corrections.
    """
    spec = parse_source(source)
    if spec.kind == "file":
        return measure(Path(spec.path))
    from hubtack.radio.stream import listen

    return listen(spec, 20.0 if for_s is None else for_s)


def answers(seen: StreamMeasure, rate_bps: float | None) -> dict[str, Answer]:
    """What the stream says to each item that it can say anything to."""
    tally = seen.tally
    found: dict[str, Answer] = {}
    interval_s = seen.interval_s
    if math.isnan(interval_s):
        found["receive lamp"] = (None, f"{tally.epochs} epoch(s) only: listen for longer")
        interval_s = 1.0  # a base sends once a second, unless it is told otherwise
    else:
        found["receive lamp"] = _losses(tally, interval_s)
    total = tally.frames + tally.bad_crc
    damaged = tally.bad_crc / total if total else 0.0
    may_be_well = damaged < MUCH_LOST_SHARE and len(_bases(tally)) <= 1
    found["channel and frequency"] = (
        None if may_be_well else False,  # the licence cannot be seen from here
        f"{100 * damaged:.1f} % of the frames damaged, bases heard on it: {len(_bases(tally))}",
    )
    found["over-the-air rate"] = _rate(seen, interval_s, rate_bps)
    ids = sorted(_bases(tally))
    found["station ID"] = (None if len(ids) == 1 else False, ", ".join(map(str, ids)) or "none")
    size = seen.bytes_per_epoch
    least_bps = next((b for b in SERIAL_BPS if SERIAL_BITS_PER_BYTE * size / b <= SHARE_MOST * interval_s), None)
    least = least_bps or f"over {SERIAL_BPS[-1]}"
    found["serial speed"] = (None, f"{size:.0f} bytes an epoch need {least} bit/s at least")
    found["message set"] = _messages(tally)
    return found


def _losses(tally: LinkTally, interval_s: float) -> Answer:
    slots = tally.ledger.slots(max(10_000.0, 3000 * interval_s))
    lost = int(np.count_nonzero(slots != COMPLETE))
    longest_s = max(((end - start) / 1e9 for start, end, _ in tally.gaps()), default=0.0)
    well = lost < MUCH_LOST_SHARE * len(slots) and longest_s < LONG_SILENCE_S
    return (
        well,
        f"an epoch every {interval_s:g} s, {lost} of {len(slots)} missing or in part, longest gap {longest_s:.0f} s",
    )


def _bases(tally: LinkTally) -> set[int]:
    return {station for station, s in tally.stations.items() if s.observations or s.arp_ecef_m is not None}


def _rate(seen: StreamMeasure, interval_s: float, rate_bps: float | None) -> Answer:
    size = seen.bytes_per_epoch
    said = f"{size:.0f} bytes an epoch, {8 * size / interval_s:.0f} bit/s"
    if rate_bps is not None:
        result = load(size, interval_s, rate_bps)
        return (
            result.fits,
            f"{said}: {100 * result.share:.0f} % of {rate_bps:g} bit/s, {'fits' if result.fits else 'does NOT fit'}",
        )
    fitting = sorted({row.rate_bps for row in SENSITIVITY if load(size, interval_s, row.rate_bps).fits})
    least = f"needs {fitting[0]:g} bit/s over the air at least" if fitting else "fits no usual over-the-air rate"
    return None, f"{said}: {least} (at most {100 * SHARE_MOST:.0f} % of the time on the air)"


def _messages(tally: LinkTally) -> Answer:
    kinds = set(tally.messages)
    systems = [SYSTEMS[s] for s in sorted(tally.systems)]
    parts = [f"observations of {', '.join(systems)}" if systems else "NO observations"]
    wanted = [row[:3] for row in WANTED_MESSAGES if not row[3] or row[3] in systems]
    missing = [f"{name} ({numbers})" for name, any_of, numbers in wanted if not kinds & any_of]
    long_enough = tally.duration_s() >= DESCRIPTORS_WITHIN_S
    if missing:
        later = "" if long_enough else f" in {tally.duration_s():.0f} s (some come every minute only)"
        parts.append(f"no {', no '.join(missing)}{later}")
    else:
        parts.append(", ".join(name for name, _, _ in wanted))
    well: bool | None = bool(systems) and not missing
    if missing and not long_enough and systems:
        well = None
    return well, "; ".join(parts)
