"""Losses seen against losses that the path model expects, and what is the likelier cure: height, power or the channel.

The model is open ground from mast to machine: where it expects the losses, more height or power helps; where it does
not and the losses hang on a direction, something stands in the way; where they hang on no place, somebody else sends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from hubtack.diagnosis.loss_places import LEAST_SLOTS, LossPlace, LossPlaces, PlacedSlots, inside_of
from hubtack.knowledge.radio import (
    CURES,
    LITTLE_LOST_SHARE,
    MARGIN_WANTED_DB,
    MAST_HANDY_M,
    MAST_MOST_M,
    MUCH_DAMAGED_SHARE,
)
from hubtack.radio.path import Link, mast_needed_m, work_out

Floats = NDArray[np.float64]

BANDS = 6  # of range, each with as many epochs as the next
EXPLAINS_SHARE = 0.5  # the model explains the losses where it expects this part of them or more


@dataclass(frozen=True, slots=True)
class RangeBand:
    """Epochs between two ranges. What the model expects is NaN where the radio's figures were not given."""

    from_m: float
    to_m: float
    slots: int
    lost: int
    expected_share: float = float("nan")
    margin_db: float = float("nan")


@dataclass(frozen=True, slots=True)
class Cure:
    """The likelier cure: a key of ``CURES``, or None where nothing tells; and why, in sentences with figures.

    ``model_short_db`` is by how much the link is worse than the model of open ground; NaN where that is not known.
    """

    likelier: str | None
    because: tuple[str, ...]
    model_short_db: float = float("nan")

    @property
    def does(self) -> str:
        """What the cure means."""
        return CURES[self.likelier] if self.likelier is not None else ""


def range_bands(slots: PlacedSlots, link: Link | None) -> list[RangeBand]:
    """Losses by range, nearest first; with what the model expects in the middle of each band, where ``link`` is given."""
    placed = ~np.isnan(slots.range_m)
    range_m, lost = slots.range_m[placed], slots.lost[placed]
    if not len(range_m):
        return []
    edges = np.unique(np.round(np.quantile(range_m, np.linspace(0, 1, BANDS + 1)), 0))
    if len(edges) < 2 or edges[-1] - edges[0] < 1.0:
        edges = np.array([np.floor(range_m.min()), np.ceil(range_m.max()) + 1.0])
    edges[-1] = max(edges[-1], np.ceil(range_m.max()) + 1.0)
    edges[0] = min(edges[0], np.floor(range_m.min()))
    found = []
    for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        inside = (range_m >= a) & (range_m < b)
        n = int(np.count_nonzero(inside))
        if not n:
            continue
        share, margin_db = float("nan"), float("nan")
        if link is not None:
            margin_db, share = expected(link, float(np.median(range_m[inside])))
        found.append(RangeBand(a, b, n, int(np.count_nonzero(lost & inside)), share, margin_db))
    return found


def expected(link: Link, distance_m: float) -> tuple[float, float]:
    """Margin over open ground at a distance [dB], and the share of places at which it does not hold."""
    result = work_out(replace(link, distance_m=max(distance_m, 1.0), obstacles=()))
    return result.margin_db, 1.0 - result.availability


def _expected_mean(link: Link, range_m: Floats) -> float:
    """Share the model expects to lose over all those ranges, worked at 21 of them."""
    at = np.quantile(range_m, np.linspace(0, 1, 21))
    return float(np.mean([expected(link, float(r))[1] for r in at]))


def _short_db(link: Link, range_m: Floats, share: float, n: int) -> float:
    """By how much the margin must be less than the model's, for that share to be lost. [dB]"""
    margin_db, _ = expected(link, float(np.median(range_m)))
    sigma_db = work_out(link).shadowing_db
    return margin_db - sigma_db * NormalDist().inv_cdf(1.0 - min(max(share, 0.5 / n), 1.0 - 0.5 / n))


def likelier_cure(found: LossPlaces, slots: PlacedSlots, link: Link | None, damaged_share: float = 0.0) -> Cure:
    """The cure that fits what was seen; ``link`` has the radio's figures where they are known (distance is not used)."""
    share = found.lost / found.slots if found.slots else 0.0
    if found.slots < LEAST_SLOTS and found.pattern.kind != "periodic":
        return Cure(None, (f"{found.slots} epochs are too few to judge by ({LEAST_SLOTS} at least)",))
    if share < LITTLE_LOST_SHARE and not found.places and found.pattern.kind != "periodic":
        return Cure("none", (f"{100 * share:.1f} % lost: ordinary untidiness",))
    placed = ~np.isnan(slots.range_m)
    because: list[str] = []
    if damaged_share > MUCH_DAMAGED_SHARE:
        because.append(
            f"{100 * damaged_share:.0f} % of the frames that came were damaged: a weak signal, or two transmitters at once"
        )
    expected_share = _expected_mean(link, slots.range_m[placed]) if link is not None and placed.any() else math.nan
    if found.pattern.kind == "periodic":
        because.insert(
            0, f"the losses keep a steady time of their own ({found.pattern.test}), which no bank and no mast has"
        )
        return Cure("channel", tuple(because))
    for place in found.places:
        return _for_place(place, slots, link, because)
    if found.stretch is not None:
        because.insert(0, "the losses lie in one stretch of time, and at no place of their own: somebody else sent then, or "
                          "something stood in the way for a while")  # fmt: skip
        return Cure("channel", tuple(because))
    if found.why_not and not placed.any():
        return Cure(None, (found.why_not, *because))
    if math.isnan(expected_share):
        because.insert(0, "the losses hang on no place and no hour; the radio's figures (--frequency-mhz and its like) would "
                          "tell whether so much is to be expected")  # fmt: skip
        return Cure(None, tuple(because))
    assert link is not None
    short_db = _short_db(link, slots.range_m[placed], share, found.slots)
    if expected_share >= EXPLAINS_SHARE * share:
        return _more_signal(link, slots.range_m[placed], share, expected_share, because)
    because.insert(0, f"open ground would lose {100 * expected_share:.1f} %, and {100 * share:.1f} % are lost, alike at every "
                      "place and hour: somebody else on the channel, noise at the machine, or a fault of antenna or cable"
                      + (", or a machine that passes through the path" if found.pattern.kind == "burst" else ""))  # fmt: skip
    return Cure("channel", tuple(because), short_db)


def _for_place(place: LossPlace, slots: PlacedSlots, link: Link | None, because: list[str]) -> Cure:
    inside = inside_of(place, slots)
    if place.visits < 2:
        because.append("the machine was there once only: go there again, so that place and hour come apart")
    expected_share, short_db = math.nan, math.nan
    if link is not None:
        expected_share = _expected_mean(link, slots.range_m[inside])
        short_db = _short_db(link, slots.range_m[inside], place.share, place.slots)
    explained = expected_share >= EXPLAINS_SHARE * place.share
    said = "" if math.isnan(expected_share) else f"; open ground would lose {100 * expected_share:.1f} % there"
    if place.kind == "sector" and not explained:
        near = slots.range_m[inside]
        alike = ~inside & (slots.range_m >= near.min()) & (slots.range_m <= near.max())
        n = int(np.count_nonzero(alike))
        beside = f", {100 * np.count_nonzero(slots.lost & alike) / n:.1f} % at the same ranges elsewhere" if n else ""
        because.insert(
            0, f"{100 * place.share:.0f} % are lost in one direction{beside}{said}: something stands in the way"
        )
        if short_db > 0:
            because.append(f"what stands there costs about {short_db:.0f} dB")
        return Cure("height", tuple(because), short_db)
    if place.kind == "within":
        because.insert(0, f"losses near the base and fewer farther out{said}: not a matter of power")
        return Cure("equipment", tuple(because), short_db)
    if link is None:
        because.insert(
            0, "losses grow with range: over ground, twice the height of one mast gives 6 dB and twice the power 3 dB"
        )
        return Cure("height", tuple(because))
    if explained:
        return _more_signal(link, slots.range_m[inside], place.share, expected_share, because)
    because.insert(0, f"{100 * place.share:.0f} % are lost at the far end{said}: the link is about {short_db:.0f} dB worse than "
                      "its figures, by a cable, a connector, an antenna, or noise at the machine")  # fmt: skip
    return Cure("equipment", tuple(because), short_db)


def _more_signal(link: Link, range_m: Floats, share: float, expected_share: float, because: list[str]) -> Cure:
    """The model agrees that the signal is short: is a mast or a transmitter the lesser step?"""
    far = replace(link, distance_m=float(np.quantile(range_m, 0.95)), obstacles=())
    short_db = MARGIN_WANTED_DB - work_out(far).margin_db
    height_m = mast_needed_m(far, MARGIN_WANTED_DB)
    because.insert(0, f"{100 * share:.0f} % are lost where open ground would lose {100 * expected_share:.0f} %: the signal is "
                      f"{short_db:.0f} dB short of a good margin at {far.distance_m:.0f} m")  # fmt: skip
    if height_m is not None and height_m <= MAST_HANDY_M:
        because.append(f"raising the base's antenna from {link.base_height_m:g} to {height_m:g} m is enough")
        return Cure("height", tuple(because), 0.0)
    times = 10.0 ** (short_db / 10.0)
    mast = f"no mast up to {MAST_MOST_M:g} m" if height_m is None else f"only a mast of {height_m:g} m"
    because.append(
        f"{mast} is enough; {times:.0f} times the power is, where the licence allows it, or better antennas, or a repeater"
    )
    return Cure("power", tuple(because), 0.0)
