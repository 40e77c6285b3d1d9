"""Base or air? What two recordings of one stream say, in one sentence and in figures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from hubtack.diagnosis.loss import loss_pattern
from hubtack.engine.link_compare import Comparison

_ORDINARY_SHARE = 0.002  # common practice: one or two frames an hour


@dataclass(frozen=True, slots=True)
class AgainstResult:
    """The verdict on two recordings: ``fault`` is ``"base"``, ``"air"``, ``"both"`` or ``"none"``."""

    fault: str
    says: str
    figures: dict[str, Any]


def judge_against(c: Comparison) -> AgainstResult:
    """Where frames were lost, and how."""
    share = c.lost / c.sent if c.sent else 0.0
    base_short = c.base_lost > max(2, 0.01 * len(c.epoch_lost))
    air_short = share > _ORDINARY_SHARE and c.lost >= 3
    fault = {(True, True): "both", (True, False): "base", (False, True): "air", (False, False): "none"}[
        base_short, air_short
    ]
    pattern = loss_pattern(c.epoch_lost)
    longer = _longer(c)
    figures: dict[str, Any] = {
        "sent": c.sent,
        "received": c.received,
        "lost": c.lost,
        "lost_percent": round(100 * share, 2),
        "damaged": c.cut,
        "foreign": c.foreign,
        "doubled": c.doubled,
        "epochs": len(c.epoch_lost),
        "epochs_hit": int(np.count_nonzero(c.epoch_lost)),
        "base_gaps": c.base_gaps,
        "base_lost_epochs": c.base_lost,
        "pattern": pattern.kind,
        "test": pattern.test,
        "period_s": pattern.period_slots * c.base_interval_ms / 1000.0,
        "long_frames_lost_more": longer,
        "delay_s": None if c.delay_s is None else {
            "median": float(np.quantile(c.delay_s, 0.5)), "p95": float(np.quantile(c.delay_s, 0.95)),
            "max": float(c.delay_s.max()),
        },
    }  # fmt: skip
    return AgainstResult(fault, _says(fault, c, share, longer), figures)


def _longer(c: Comparison) -> bool | None:
    """Whether long frames are lost more often than short ones, as bit errors make them; None with too few losses."""
    if c.lost < 10 or c.received < 10:
        return None
    middle = float(np.median(c.length))
    long = c.length > middle
    n_long, n_short = int(np.count_nonzero(long)), int(np.count_nonzero(~long))
    if not n_long or not n_short:
        return None
    lost_long, lost_short = int(np.count_nonzero(~c.heard & long)), int(np.count_nonzero(~c.heard & ~long))
    both = (lost_long + lost_short) / (n_long + n_short)
    sigma = float(np.sqrt(max(both * (1 - both), 1e-12) * (1 / n_long + 1 / n_short)))
    z = (lost_long / n_long - lost_short / n_short) / sigma
    return bool(z > 3.7)  # one-sided normal tail of 1e-4


def _says(fault: str, c: Comparison, share: float, longer: bool | None) -> str:
    if fault == "none":
        return f"the base sent all, and the way lost {c.lost} of {c.sent} frames: nothing out of the ordinary"
    parts = []
    if fault in ("base", "both"):
        parts.append(f"the base itself left out {c.base_lost} epochs in {c.base_gaps} gaps")
    if fault in ("air", "both"):
        how = f"the way between lost {c.lost} of {c.sent} frames ({100 * share:.1f} %)"
        if c.cut:
            how += f", {c.cut} of them arrived damaged"
        if longer:
            how += "; long frames are lost more often, as by noise on the channel"
        parts.append(how)
    if c.foreign:
        parts.append(f"{c.foreign} frames came from somewhere else: a second transmitter")
    return "; ".join(parts)
