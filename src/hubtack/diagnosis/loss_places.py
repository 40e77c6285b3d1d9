"""Do losses hang on where the machine is, or on when? A test over places and stretches of time with its error rate.

Losses come in bursts and a machine stays where it is, so that two series which have nothing to do with each other often
seem to agree. The test therefore turns the record of losses against the record of places, by every shift in time: each
keeps its own pattern, and only what they have in common is broken. The largest figure over all places at each shift
shows what chance does, however many places are looked at and however much they overlap. A p-value cannot be smaller than
the time the machine takes to leave a place over the length of the record: a short record with few visits stays silent.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hubtack.diagnosis.loss import LossPattern, loss_pattern

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FALSE_ALARM = 0.02  # chance of naming any place at all, and of naming any stretch, where losses hang on neither
LONGEST_S = 600.0  # silence longer than this is a base or a radio that is off, not the air
LEAST_LOST = 8
LEAST_SLOTS = 200
MOST_BINS = 1024  # of the record in the test by shifts; longer records are added up in as many parts
_SECTOR_STEP_DEG = 15
_SECTOR_WIDTHS_DEG = (15, 30, 45, 60, 90, 120)
_RANGE_SHARES = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
_LEAST_SHARE, _MOST_SHARE = 0.03, 0.9  # a place where the machine was less, or nearly always, tells nothing
_MOST_PLACES = 3
_APART_SLOTS = 10  # a visit ends when the machine has been elsewhere for so many epochs
_SAME_BURST_SLOTS = 3  # losses closer than this are one event of the air
_MOST_WINDOWS = 48
_LEAST_WINDOW_EVENTS = 5
_LEAST_WINDOW_SLOTS = 60  # shorter than this it is a burst
_ALIKE = 0.7

Kind = Literal["sector", "beyond", "within", "stretch"]


@dataclass(frozen=True, slots=True)
class PlacedSlots:
    """Correction epochs that came or should have come, in order; each (N,).

    ``lost`` says that an epoch did not come whole; range and bearing are those of the rover from the base, NaN where
    its place is not known.
    """

    time_ns: Ints
    lost: Bools
    range_m: Floats
    bearing_deg: Floats


@dataclass(frozen=True, slots=True)
class LossPlace:
    """A place or a stretch of time with more losses than chance gives.

    ``low`` and ``high`` are degrees of a sector (clockwise, high may be below low), metres of a range, or nanoseconds
    on the session's axis of a stretch. ``p_value`` holds for all places looked at together. ``visits`` counts how often
    the machine came there. ``or_range_m`` tells that the same epochs lie in that range too.
    """

    kind: Kind
    low: float
    high: float
    slots: int
    lost: int
    elsewhere_slots: int
    elsewhere_lost: int
    p_value: float
    visits: int = 1
    visits_with_loss: int = 1
    nearest_lost_m: float = float("nan")
    or_range_m: tuple[float, float] | None = None

    @property
    def share(self) -> float:
        """Share of the epochs here that are lost."""
        return self.lost / self.slots if self.slots else float("nan")

    @property
    def elsewhere_share(self) -> float:
        """The same everywhere else."""
        return self.elsewhere_lost / self.elsewhere_slots if self.elsewhere_slots else float("nan")


@dataclass(frozen=True, slots=True)
class LossPlaces:
    """What was found. ``pattern`` is the pattern in time alone (diagnosis.loss); ``tests`` how many places were tried."""

    slots: int
    lost: int
    placed: int
    placed_lost: int
    tests: int
    places: tuple[LossPlace, ...]
    stretch: LossPlace | None
    pattern: LossPattern
    why_not: str = ""


def loss_places(slots: PlacedSlots) -> LossPlaces:
    """Places and stretches with significantly more losses, the heaviest first.

    Each place that is found is taken out of the record before the next is looked for, and the stretch is looked for in
    what then is left, so that one bank is not reported as a sector, a range and an hour.

    References
    ----------
    Harrison and Adler, "Testing significance with circular shift": the shift of one series against another as a test
    (from memory); Westfall and Young 1993, the largest statistic over all tests (from memory).
    """
    lost = slots.lost
    n, n_lost = len(lost), int(np.count_nonzero(lost))
    pattern = loss_pattern(lost)
    placed = ~np.isnan(slots.range_m)
    n_placed, placed_lost = int(np.count_nonzero(placed)), int(np.count_nonzero(lost & placed))
    why_not = ""
    if n_lost < LEAST_LOST or n < LEAST_SLOTS:
        why_not = (
            f"{n_lost} lost of {n} epochs are too few to say where or when ({LEAST_LOST} of {LEAST_SLOTS} at least)"
        )
        return LossPlaces(n, n_lost, n_placed, placed_lost, 0, (), None, pattern, why_not)
    found: list[LossPlace] = []
    left, tests = placed.copy(), 0
    if n_placed < LEAST_SLOTS or placed_lost < LEAST_LOST:
        why_not = f"the machine's place is known for {n_placed} of {n} epochs ({placed_lost} of {n_lost} lost)"
    else:
        while len(found) < _MOST_PLACES:
            one, tried, inside = _best_place(slots, np.flatnonzero(left))
            tests = max(tests, tried)
            if one is None:
                break
            found.append(one)
            left &= ~inside
        if not tests:
            why_not = "the machine stayed in one place, as seen from the base"
    spare = np.ones(n, dtype=bool)
    for place in found:
        spare &= ~inside_of(place, slots)
    stretch = _stretch(slots, np.flatnonzero(spare))
    return LossPlaces(n, n_lost, n_placed, placed_lost, tests, tuple(found), stretch, pattern, why_not)


def settled_part(slots: PlacedSlots) -> PlacedSlots:
    """The record up to the last whole part of it, parts being a power of two and a 64th of the record at most.

    What is found then stays the same for a while as a live record grows, and is the same however it was fed.
    """
    n = len(slots.lost)
    part = 1 << max(0, (n // 64).bit_length() - 1)
    whole = slice(0, n // part * part)
    return PlacedSlots(slots.time_ns[whole], slots.lost[whole], slots.range_m[whole], slots.bearing_deg[whole])


def inside_of(place: LossPlace, slots: PlacedSlots) -> Bools:
    """Which epochs lie in the sector or range (N,); False where the rover's place is not known."""
    return _inside((place.kind, place.low, place.high), slots.range_m, slots.bearing_deg)


def _in_sector(bearing_deg: Floats, from_deg: float, width_deg: float) -> Bools:
    return (bearing_deg - from_deg) % 360.0 < width_deg


# Places ----------------------------------------------------------------------------------------------------------


Name = tuple[Kind, float, float]


def _names(range_m: Floats) -> list[Name]:
    """All places that may be tried: sectors, the narrowest first, and ranges."""
    names: list[Name] = [
        ("sector", float(start), float((start + width) % 360))
        for width in _SECTOR_WIDTHS_DEG
        for start in range(0, 360, _SECTOR_STEP_DEG)
    ]
    for limit in np.unique(np.round(np.quantile(range_m, _RANGE_SHARES), 0)).tolist():
        names += [("beyond", limit, float("inf")), ("within", 0.0, limit)]
    return names


def _inside(name: Name, range_m: Floats, bearing_deg: Floats) -> Bools:
    kind, low, high = name
    if kind == "sector":
        return _in_sector(bearing_deg, low, (high - low) % 360.0)
    return (range_m >= low) & (range_m < high)


def _cells(range_m: Floats, bearing_deg: Floats, bins: _Bins) -> tuple[list[Name], Floats]:
    """The places worth a test, and the share of each bin's epochs that lie in each, (places, bins).

    Sectors that hold the same epochs are one place: the narrowest of them, which comes first, is enough. A range that
    holds them too stays, since it is another explanation.
    """
    # Sectors are made of steps, so that each epoch is looked at once and not once for every sector.
    step = (bearing_deg // _SECTOR_STEP_DEG).astype(np.int64) % (360 // _SECTOR_STEP_DEG)
    counts = np.zeros((360 // _SECTOR_STEP_DEG, bins.n))
    np.add.at(counts, (step, bins.of), 1.0)
    names, rows = [], []
    for name in _names(range_m):
        if name[0] == "sector":
            wide = round((name[2] - name[1]) % 360) // _SECTOR_STEP_DEG
            first = round(name[1]) // _SECTOR_STEP_DEG
            row = counts[(first + np.arange(wide)) % len(counts)].sum(axis=0)
        else:
            row = bins.sums(_inside(name, range_m, bearing_deg))
        if _LEAST_SHARE * len(range_m) <= row.sum() <= _MOST_SHARE * len(range_m):
            names.append(name)
            rows.append(row)
    if not names:
        return [], np.zeros((0, bins.n))
    table = np.array(rows)
    by_kind = np.column_stack(([name[0] == "sector" for name in names], table))
    _, first_of = np.unique(by_kind, axis=0, return_index=True)
    keep = np.sort(first_of)
    return [names[i] for i in keep], table[keep]


class _Bins:
    """A record of N epochs as at most ``MOST_BINS`` parts of nearly equal length."""

    def __init__(self, n_epochs: int) -> None:
        self.n = min(n_epochs, MOST_BINS)
        self.of = np.arange(n_epochs) * self.n // n_epochs
        self.size = np.bincount(self.of, minlength=self.n).astype(np.float64)

    def sums(self, flags: Bools) -> Floats:
        """How many are set in each part."""
        return np.bincount(self.of[flags], minlength=self.n).astype(np.float64)


def _best_place(slots: PlacedSlots, index: Ints) -> tuple[LossPlace | None, int, Bools]:
    """The place among the epochs ``index`` that tells lost from kept best, if any is beyond chance."""
    n_all = len(slots.lost)
    nothing = np.zeros(n_all, dtype=bool)
    lost = slots.lost[index]
    if len(index) < LEAST_SLOTS or np.count_nonzero(lost) < LEAST_LOST:
        return None, 0, nothing
    range_m, bearing_deg = slots.range_m[index], slots.bearing_deg[index]
    bins = _Bins(len(index))
    names, counts = _cells(range_m, bearing_deg, bins)
    if not names:
        return None, 0, nothing
    losses = bins.sums(lost)
    p_values = shift_p_values(losses, counts, bins.size)
    good = np.flatnonzero(p_values <= FALSE_ALARM)
    if not len(good):
        return None, len(names), nothing
    masks = {i: _inside(names[i], range_m, bearing_deg) for i in good.tolist()}
    hits = np.array([[np.count_nonzero(mask & lost)] for mask in masks.values()], dtype=np.float64)
    size = np.array([[np.count_nonzero(mask)] for mask in masks.values()], dtype=np.float64)
    best = int(good[int(np.argmax(_gains(hits, size, float(lost.sum()), float(len(lost)))))])
    inside = nothing.copy()
    inside[index[masks[best]]] = True
    kind, low, high = names[best]
    visits, with_loss = _visits(masks[best], lost)
    lost_in = lost & masks[best]
    alike = None
    if kind == "sector":
        alike = next(
            (names[i][1:] for i in masks if names[i][0] != "sector" and _overlap(masks[i], masks[best]) >= _ALIKE), None
        )
    place = LossPlace(
        kind, low, high, int(masks[best].sum()), int(lost_in.sum()), int((~masks[best]).sum()),
        int((lost & ~masks[best]).sum()), float(p_values[best]), visits, with_loss,
        float(slots.range_m[index][lost_in].min()), alike,
    )  # fmt: skip
    return place, len(names), inside


def shift_p_values(losses: Floats, counts: Floats, size: Floats) -> Floats:
    """Chance, for each place (K,), that any place at all would hold as much of the losses as this one does.

    The record comes as sums in B bins of time: losses (B,), epochs in each place (K, B), all epochs (B,). The statistic
    is the log-likelihood ratio of two rates of loss, in the place and outside, against one (0 where fewer are lost in
    it); its null distribution is that of the largest of the K figures over the shifts. The smallest p-value is 1 / B.
    """
    bins = len(losses)
    counted = np.fft.irfft(np.conj(np.fft.rfft(counts / size, axis=1)) * np.fft.rfft(losses), bins, axis=1)
    slots = counts.sum(axis=1)[:, None]
    score = np.round(_gains(counted, slots, float(losses.sum()), float(size.sum())), 6)
    largest = np.sort(score.max(axis=0))
    at_least = bins - np.searchsorted(largest, score[:, 0], side="left")
    return np.asarray(at_least / bins)


def _gains(hits: Floats, slots: Floats, all_hits: float, all_slots: float) -> Floats:
    """How much better two rates, one in the place and one outside, explain the losses than one: log-likelihood ratio.

    ``hits`` is (K, M), ``slots`` (K, 1); 0 where the rate in the place is not the higher one.
    """
    hits = np.clip(hits, 0.0, np.minimum(slots, all_hits))
    gain = _fit(hits, slots) + _fit(all_hits - hits, all_slots - slots) - _fit(np.array(all_hits), np.array(all_slots))
    return np.asarray(np.where(hits * all_slots > all_hits * slots, gain, 0.0))


def _fit(hits: Floats, slots: Floats) -> Floats:
    """Log-likelihood of a share of hits at its best value, constants left out."""
    kept = np.maximum(slots - hits, 0.0)
    hits = np.maximum(hits, 0.0)
    return np.asarray(hits * np.log(np.maximum(hits, 1e-300) / slots) + kept * np.log(np.maximum(kept, 1e-300) / slots))


def _overlap(a: Bools, b: Bools) -> float:
    return int(np.count_nonzero(a & b)) / max(1, int(np.count_nonzero(a | b)))


def _visits(inside: Bools, lost: Bools) -> tuple[int, int]:
    """How often the machine came to a place, and on how many of those visits something was lost."""
    at = np.flatnonzero(inside)
    visit = np.cumsum(np.concatenate(([0], np.diff(at) > _APART_SLOTS)))
    return int(visit[-1]) + 1, len(np.unique(visit[lost[at]]))


# Stretches of time -----------------------------------------------------------------------------------------------


def _stretch(slots: PlacedSlots, index: Ints) -> LossPlace | None:
    """The stretch of time with more bursts than chance puts there, bursts being events and not epochs.

    Windows of 1, 2, 4 ... parts of the record; the binomial tail of the largest, times the number of windows.
    """
    lost = slots.lost[index]
    at = np.flatnonzero(lost)
    if len(at) < LEAST_LOST or len(index) < LEAST_SLOTS:
        return None
    event = at[np.concatenate(([True], np.diff(at) > _SAME_BURST_SLOTS))]
    n, total = len(index), len(event)
    parts = min(_MOST_WINDOWS, n // _LEAST_WINDOW_SLOTS)
    counts = np.bincount(event * parts // n, minlength=parts)
    least_p, begins, wide = 1.0, 0, 0
    tried, width = 0, 1
    while width <= parts // 2:
        sums = np.convolve(counts, np.ones(width, dtype=np.int64), mode="valid")
        tried += len(sums)
        i = int(np.argmax(sums))
        if sums[i] >= _LEAST_WINDOW_EVENTS:
            p = _binomial_tail(int(sums[i]), total, width / parts)
            if p < least_p:
                least_p, begins, wide = p, i, width
        width *= 2
    p_value = min(1.0, least_p * tried)
    if p_value > FALSE_ALARM:
        return None
    a, b = -(-begins * n // parts), -(-(begins + wide) * n // parts)
    end_ns = int(slots.time_ns[index[min(b, n - 1)]])
    inside = np.zeros(n, dtype=bool)
    inside[a:b] = True
    return LossPlace(
        "stretch", float(slots.time_ns[index[a]]), float(end_ns), b - a, int((lost & inside).sum()), n - (b - a),
        int((lost & ~inside).sum()), p_value,
    )  # fmt: skip


def _binomial_tail(k: int, n: int, share: float) -> float:
    """Chance of k or more of n."""
    i = np.arange(k, n + 1)
    log_factorial = np.concatenate(([0.0], np.cumsum(np.log(np.arange(1, n + 1)))))
    ways = log_factorial[n] - log_factorial[i] - log_factorial[n - i]
    return float(np.exp(ways + i * np.log(share) + (n - i) * np.log1p(-share)).sum())
