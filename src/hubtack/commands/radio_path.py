"""``radio path``: from base to rover in figures, as a sketch and a picture; what a mast or a repeater would change."""

from __future__ import annotations

import argparse
import math
from dataclasses import replace

from hubtack.documents.radio_path import path_body
from hubtack.errors import UsageError
from hubtack.json_out import document, to_json
from hubtack.knowledge.radio import (
    CLEARANCE_SHARE,
    MARGIN_WANTED_DB,
    MAST_MOST_M,
    SENSITIVITY,
)
from hubtack.radio.checks import link_of
from hubtack.radio.heights import Repeater, best_repeater, swept
from hubtack.radio.path import Link, PathResult, mast_needed_m, work_out
from hubtack.radio.profile import profile
from hubtack.views.paragraphs import text_columns
from hubtack.views.radio_profile import path_text

EXIT_FINE, EXIT_NO = 0, 1


def path(args: argparse.Namespace) -> int:
    """``radio path``."""
    link = with_sensitivity(link_of(args), args)
    result = work_out(link)
    mast_m = mast_needed_m(link, MARGIN_WANTED_DB)
    rows = swept(link)
    height_m = args.repeater_height_m
    if height_m is not None and not 0 < height_m <= 300:
        raise UsageError(f"--repeater-height-m {height_m:g}: metres of mast, more than 0 and at most 300")
    repeater = None
    if height_m is not None or (mast_m is None and not result.margin_db >= MARGIN_WANTED_DB):
        repeater = best_repeater(link, height_m if height_m is not None else link.base_height_m)
    advice = advise(link, result, mast_m, repeater, asked=height_m is not None)
    by = None if link.sensitivity_dbm is None else "over-the-air rate" if args.sensitivity_dbm is None else "stated"
    side = profile(link)
    body = path_body(link, result, side, mast_m=mast_m, rows=rows, repeater=repeater, advice=advice, sensitivity_by=by,
                     site_noise_db=args.site_noise_db)  # fmt: skip
    doc = document("radio_path", body)
    if args.plot is not None:
        from hubtack.views.radio_plot import plot_profile

        plot_profile(args.plot, link, side, repeater)
    if args.json:
        print(to_json(doc))
    else:
        width = text_columns()
        for line in path_text(doc, link, side, width, sweep=args.sweep):
            print(line)
    return EXIT_NO if result.margin_db < 0 else EXIT_FINE


def with_sensitivity(link: Link, args: argparse.Namespace) -> Link:
    """The link with the receiver's sensitivity by its over-the-air rate, where none is stated; the poorer figure counts."""
    if args.site_noise_db < 0 or args.site_noise_db > 60 or math.isnan(args.site_noise_db):
        raise UsageError(f"--site-noise-db {args.site_noise_db:g}: from 0 to 60 dB above the receiver's own noise")
    sensitivity = link.sensitivity_dbm
    if sensitivity is None and args.rate_bps is not None:
        fitting = [row for row in SENSITIVITY if row.rate_bps >= args.rate_bps]
        if not fitting or not args.rate_bps > 0:
            most = max(row.rate_bps for row in SENSITIVITY)
            raise UsageError(f"--rate-bps {args.rate_bps:g}: over the air, more than 0 and at most {most:g}")
        rate_bps = min(row.rate_bps for row in fitting)
        sensitivity = max(row.poor_dbm for row in fitting if row.rate_bps == rate_bps)
    if sensitivity is None:
        return link
    return replace(link, sensitivity_dbm=sensitivity + args.site_noise_db)


def advise(
    link: Link, result: PathResult, mast_m: float | None, repeater: Repeater | None, *, asked: bool
) -> list[str]:
    """What to do about it, with figures."""
    found = []
    if link.distance_m > result.horizon_m:
        found.append(f"beyond the radio horizon of {result.horizon_m / 1000:.1f} km: a higher mast or a repeater")
    if link.in_the_way and result.clearance_m < CLEARANCE_SHARE * result.fresnel1_m:
        least_m = CLEARANCE_SHARE * result.fresnel1_m
        found.append(
            f"the way is not clear at {result.critical_m:.0f} m: the ray passes {abs(result.clearance_m):.1f} m "
            f"{'over' if result.clearance_m >= 0 else 'UNDER'} what stands there; {least_m:.1f} m over it "
            f"({100 * CLEARANCE_SHARE:.0f} % of the first Fresnel zone) are wanted"
        )
    if result.margin_db < MARGIN_WANTED_DB:
        found.append(
            f"the margin of {result.margin_db:.0f} dB is below the {MARGIN_WANTED_DB:.0f} dB a moving machine wants"
        )
    if found and mast_m is not None and mast_m > link.base_height_m:
        found.append(
            f"raise the base's antenna by {mast_m - link.base_height_m:g} m, from {link.base_height_m:g} to {mast_m:g} m"
        )
        if result.margin_db >= MARGIN_WANTED_DB:
            found[-1] = (
                f"the margin of {result.margin_db:.0f} dB allows for that; a clear way takes a mast of {mast_m:g} m"
            )
    elif found and mast_m is None and result.margin_db >= MARGIN_WANTED_DB:
        found.append(f"the margin of {result.margin_db:.0f} dB allows for that")
    elif found and mast_m is None:
        found.append(f"no mast up to {MAST_MOST_M:g} m mends that: a repeater, or a nearer place for the base")
    if repeater is not None:
        place = "on what stands there" if repeater.on_obstacle else "from the base"
        margin = "" if math.isnan(repeater.margin_db) else f", margin {repeater.margin_db:.0f} dB on its worse leg"
        found.append(
            f"a repeater at {repeater.distance_m:.0f} m {place}, antenna {repeater.height_m:g} m up: "
            f"{repeater.gain_db:.0f} dB better than direct{margin}; each epoch is then sent twice (hubtack radio load "
            "--repeaters 1)"
        )
    elif asked:
        found.append("no repeater between the ends is better than the direct path")
    return found
