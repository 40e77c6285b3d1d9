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
_NEAR_SHARE = 0.1
_SELDOM_SHARE = 0.8
_FILLS_NS = 300 * S_NS  # a buffer fills before it lets anything go: how far back the cause of a loss may lie


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
    found = next((f for f in (_cut_epochs(view), _unclosed_epochs(view)) if f is not None and _is_even(view, *f)), None)
    if found is None:
        return None
    start_ns, n, lost_frames = found
    carried, _ = _carried(view, start_ns, n)
    link_bps = 8.0 * float(carried.mean()) * S_NS / _BIN_NS
    starts, counts = tally.flow.table()
    before = starts < start_ns
    whole_s = float(np.count_nonzero(before)) * tally.flow.width_ns / S_NS
    if whole_s * S_NS >= _BEFORE_BINS * _BIN_NS:  # what was sent, as long as there was room for it
        load_bps = 8.0 * float(counts[before, BYTES].sum()) / whole_s
    else:  # an epoch of all that is sent, whether it all comes through or not
        kinds = [tally.messages[k] for k in _observing(view)]
        load_bps = max(link_bps, 8.0 * sum(m.bytes / m.count for m in kinds) / tally.interval_s())
    first_ns = max(start_ns - _FILLS_NS, tally.ledger.first_ns or start_ns)
    hold_ns = view.lost_fix_ns(first_ns, None)
    return Episode(
        "link_saturated", first_ns, None, hold_ns=hold_ns, severity="stop" if hold_ns else "warn",
        evidence={
            "bits_per_epoch": round(8 * tally.bytes_per_epoch()), "load_bits_per_s": load_bps,
            "link_bits_per_s": link_bps, "age_to_s": None, "lost_frames_in_10_s": lost_frames,
            "basis": "what is left of epochs that are cut comes through evenly", "fits": fits(tally, link_bps),
        },
    )  # fmt: skip


def _is_even(view: LinkView, start_ns: int, n: int, lost_frames: float) -> bool:
    if n < _LEAST_BINS or view.tally.flow.width_ns > _BIN_NS:
        return False
    carried, frame_bytes = _carried(view, start_ns, n)
    return evenness_p(carried, lost_frames, frame_bytes) < EVEN_P


def _observing(view: LinkView) -> frozenset[int]:
    return frozenset().union(*view.tally.content.levels.values())


def _cut_epochs(view: LinkView) -> tuple[int, int, float] | None:
    """From the first epoch that is cut: when [ns], bins of ten seconds, frames lost in each at least."""
    time_ns, state = timed_slots(view.tally.ledger, LONGEST_S)
    hit = state != COMPLETE
    hits = np.count_nonzero(hit)
    if hits < _LEAST_HITS or np.count_nonzero(state == INCOMPLETE) < _CUT_SHARE * hits:
        return None
    start_ns = int(time_ns[np.argmax(hit)])
    n = (int(time_ns[-1]) - start_ns) // _BIN_NS
    return None if n < 1 else (start_ns, n, float(np.count_nonzero(hit & (time_ns < start_ns + n * _BIN_NS)) / n))


def _unclosed_epochs(view: LinkView) -> tuple[int, int, float] | None:
    """The same where the last messages of nearly every epoch find no room, so that the rest passes for all there is.

    Then some messages come now and then only, and epochs end with one that says that more follows. The stretch is that
    in which the flow keeps to its median.
    """
    ledger = view.tally.ledger
    unclosed = 1.0 - ledger.closed / max(1, view.tally.epochs)
    at, _ = view.tally.flow.table()
    duration_s = view.tally.duration_s()
    fewest = min((view.tally.messages[k].count for k in _observing(view)), default=0)
    if not ledger.closed or view.well or len(at) < 2 or duration_s <= 0:
        return None  # a base that never closes an epoch says nothing by it
    if unclosed <= 0.5 or fewest > _SELDOM_SHARE * view.tally.epochs:
        return None
    first_ns, n = int(at[0]), int(at[-1] - at[0]) // _BIN_NS
    carried, _ = _carried(view, first_ns, n)
    near = np.abs(carried - np.median(carried)) <= _NEAR_SHARE * np.median(carried) if n else np.zeros(0, dtype=bool)
    if not near.any():
        return None
    skipped = int(np.argmax(near))
    frames = unclosed * view.tally.epochs * _BIN_NS / S_NS / duration_s
    return first_ns + skipped * _BIN_NS, n - skipped, float(frames)


def _carried(view: LinkView, start_ns: int, n: int) -> tuple[Floats, float]:
    """Bytes that came in each of ``n`` bins from a moment on (n,), and the mean of a frame. [byte]"""
    at, counts = view.tally.flow.table()
    inside = (at >= start_ns) & (at < start_ns + n * _BIN_NS)
    carried = np.zeros(n)
    np.add.at(carried, (at[inside] - start_ns) // _BIN_NS, counts[inside, BYTES])
    return carried, float(counts[inside, BYTES].sum()) / max(1, int(counts[inside, FRAMES].sum()))
