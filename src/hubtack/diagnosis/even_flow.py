"""A queue that is full, told by what comes through where nothing says how late it is.

Of two separate logs neither knows when a correction came, and a receiver may keep its age to itself. But a link that is
full carries the same number of bytes in every stretch of time, whatever it is given: what finds no room is let go, frame
by frame. Losses of the air take frames as they come, and what is left varies with them.
"""

from __future__ import annotations

from math import erfc, sqrt

import numpy as np
from numpy.typing import NDArray

from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.link_view import S_NS, LinkView
from hubtack.diagnosis.loss_places import LONGEST_S
from hubtack.diagnosis.saturation import fits
from hubtack.engine.link_flow import BYTES, FRAMES
from hubtack.engine.link_ledger import COMPLETE, INCOMPLETE
from hubtack.engine.places import timed_slots

Floats = NDArray[np.float64]

EVEN_P = 1e-6  # chance of calling independent losses a full queue
_BIN_NS = 10 * S_NS
_LEAST_BINS, _LEAST_HITS = 12, 12
_CUT_SHARE = 0.8  # of the epochs that are hit: a full queue cuts them, a shadow or another transmitter takes them whole
_BEFORE_BINS = 3


def evenness_p(carried_bytes: Floats, lost_frames: float, frame_bytes: float) -> float:
    """Chance that independent losses leave as even a flow as the (n,) bytes a bin; small is even.

    Each bin lacks ``lost_frames`` frames of ``frame_bytes`` in the mean. Independent losses are of Poisson's kind, so
    that the variance is at least lost_frames x frame_bytes squared; what the stream itself varies comes on top.

    References
    ----------
    Chi-square of a variance, in the normal form of Wilson and Hilferty 1931 (from memory).
    """
    n = len(carried_bytes)
    least_variance = lost_frames * frame_bytes * frame_bytes
    if n < 2 or least_variance <= 0:
        return 1.0
    df = n - 1
    chi2 = float(((carried_bytes - carried_bytes.mean()) ** 2).sum()) / least_variance
    z = ((chi2 / df) ** (1.0 / 3.0) - (1.0 - 2.0 / (9.0 * df))) / sqrt(2.0 / (9.0 * df))
    return 0.5 * erfc(-z / sqrt(2.0))


def even_flow(view: LinkView) -> Episode | None:
    """``link_saturated`` where epochs are cut and what is left of them comes through too evenly for anything else."""
    tally = view.tally
    time_ns, state = timed_slots(tally.ledger, LONGEST_S)
    hit = state != COMPLETE
    if np.count_nonzero(hit) < _LEAST_HITS or np.count_nonzero(state == INCOMPLETE) < _CUT_SHARE * np.count_nonzero(
        hit
    ):
        return None
    start_ns, end_ns = int(time_ns[np.argmax(hit)]), int(time_ns[-1])
    at, counts = tally.flow.table()
    n = (end_ns - start_ns) // _BIN_NS
    if n < _LEAST_BINS or tally.flow.width_ns > _BIN_NS:
        return None
    inside = (at >= start_ns) & (at < start_ns + n * _BIN_NS)
    carried = np.zeros(n)
    np.add.at(carried, (at[inside] - start_ns) // _BIN_NS, counts[inside, BYTES])
    frame_bytes = float(counts[inside, BYTES].sum()) / max(1, int(counts[inside, FRAMES].sum()))
    hits = int(np.count_nonzero(hit & (time_ns < start_ns + n * _BIN_NS)))
    if evenness_p(carried, hits / n, frame_bytes) >= EVEN_P:
        return None
    link_bps = 8.0 * float(carried.mean()) * S_NS / _BIN_NS
    before = at < start_ns
    whole_s = float(np.count_nonzero(before)) * tally.flow.width_ns / S_NS
    if whole_s * S_NS >= _BEFORE_BINS * _BIN_NS:  # what was sent, as long as there was room for it
        load_bps = 8.0 * float(counts[before, BYTES].sum()) / whole_s
    else:  # an epoch of all that is sent, whether it all comes through or not
        kinds = [tally.messages[k] for k in frozenset().union(*tally.content.levels.values())]
        load_bps = max(link_bps, 8.0 * sum(m.bytes / m.count for m in kinds) / tally.interval_s())
    hold_ns = view.lost_fix_ns(start_ns, None)
    return Episode(
        "link_saturated", start_ns, None, hold_ns=hold_ns, severity="stop" if hold_ns else "warn",
        evidence={
            "bits_per_epoch": round(8 * tally.bytes_per_epoch()), "load_bits_per_s": load_bps,
            "link_bits_per_s": link_bps, "age_to_s": None, "cut_epochs": int(np.count_nonzero(state == INCOMPLETE)),
            "basis": "what is left of epochs that are cut comes through evenly", "fits": fits(tally, link_bps),
        },
    )  # fmt: skip
