"""``rtk_ready``: could a rover fix on this stream and keep its fix? The definition is docs/rtk-ready.md."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from hubtack.diagnosis.link_loss import latency_median_s, old_share, stalled_s
from hubtack.diagnosis.link_view import S_NS, LinkView
from hubtack.engine.link_tally import LinkTally
from hubtack.framing.sniff import sniff
from hubtack.knowledge.signals import band_of

_MOST_OLD_SHARE = 0.05
_LEAST_PHASED = 5  # satellites with phase an epoch: five in common are needed to fix
_LEAST_PHASED_ONE_BAND = 8
_WELL_FIXED = 0.98
_LEAST_EPOCHS = 5  # fewer say nothing about a rate


@dataclass(frozen=True, slots=True)
class Criterion:
    """One question of the definition: ``passed`` None where it is too early to tell."""

    key: str
    passed: bool | None
    says: str


def bands_of(tally: LinkTally) -> int:
    """Bands with carrier phase of the system that has most; 0 without any phase."""
    return max((len({band_of(system, g) for g in t.phases} - {""}) for system, t in tally.systems.items()), default=0)


def criteria(view: LinkView) -> list[Criterion]:
    """The questions of docs/rtk-ready.md in order, with their answers now."""
    tally = view.tally
    settled = tally.duration_s() >= view.limit("base_position_listen_s")
    has_arp = any(s.arp_count for s in tally.stations.values())
    bands = bands_of(tally)
    satellites = sum(n for s, t in tally.systems.items() if t.phases and not np.isnan(n := tally.satellites_of(s)))
    interval_s = tally.interval_s() if tally.epochs >= _LEAST_EPOCHS else float("nan")
    limit_s = view.limit("correction_age_rough_s")
    old = old_share(view)
    lag_s, _ = latency_median_s(view, interval_s)
    last_ns = tally.ledger.last_ns
    silent_s = (view.now_ns - last_ns) / S_NS if last_ns is not None else 0.0
    open_stall = silent_s > max(stalled_s(view), view.limit("correction_age_hold_s"))
    return [
        Criterion("base_position", True if has_arp else False if settled else None,
                  "1005 or 1006 heard" if has_arp else "no 1005 or 1006 heard" if settled else "no 1005 or 1006 yet"),
        Criterion("phase", True if bands else False if settled or tally.epochs > 5 else None,
                  "carrier phase" if bands else "no carrier phase"),
        Criterion("bands", True if bands >= 2 else satellites >= _LEAST_PHASED_ONE_BAND if bands else None,
                  "two bands of one system" if bands >= 2 else
                  "one band only: a fix takes minutes, and 10 km at most" if bands else "no band with phase"),
        Criterion("satellites", satellites >= _LEAST_PHASED if satellites else None,
                  f"{satellites:.0f} satellites with phase"),
        Criterion("rate", None if np.isnan(interval_s) else interval_s <= limit_s,
                  "too few epochs for a rate" if np.isnan(interval_s) else f"an epoch every {interval_s:g} s"),
        Criterion("complete", None if np.isnan(interval_s) else old <= _MOST_OLD_SHARE and not open_stall,
                  f"older than {limit_s:g} s for {100 * old:.1f} % of the time"),
        Criterion("fresh", None if np.isnan(lag_s) else lag_s <= limit_s,
                  "no clock to compare with" if np.isnan(lag_s) else f"{lag_s:.1f} s late in the middle"),
    ]  # fmt: skip


def rtk_ready(view: LinkView, stop_codes: Iterable[str]) -> bool | None:
    """Whether a rover can fix on this stream; None where it is too early to tell, or the format is not decoded."""
    tally = view.tally
    if tally.frames == 0:
        if tally.bytes and sniff(tally.sample) == "unknown" and view.rover.fixed_share > _WELL_FIXED:
            return None
        return False if tally.bytes or view.listened_s >= view.limit("no_bytes_s") else None
    if set(stop_codes):
        return False
    answers = {c.key: c.passed for c in criteria(view)}
    if any(passed is False for passed in answers.values()):
        return False
    # Rate, completeness and freshness cannot be told from one epoch or without a clock: they do not hold it up.
    return True if all(answers[key] for key in ("base_position", "phase", "bands", "satellites")) else None
