"""How much higher must the mast go, and where would a repeater stand? Both antennas swept; a repeater tried all along."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from hubtack.radio.path import Link, PathResult, ground_m, work_out

MAST_STEPS_M = (0.0, 1.0, 2.0, 3.0, 5.0, 8.0, 12.0)  # above the height that was given
ROVER_STEPS_M = (0.0, 1.0, 2.0)
_PLACES = 20


@dataclass(frozen=True, slots=True)
class HeightRow:
    """One pair of antenna heights; ``clear_share`` is the clearance over the first Fresnel zone's radius."""

    base_height_m: float
    rover_height_m: float
    path_loss_db: float
    margin_db: float
    clear_share: float


def swept(link: Link) -> list[HeightRow]:
    """Every step of the mast with every step of the machine's antenna."""
    rows = []
    for up in ROVER_STEPS_M:
        for more in MAST_STEPS_M:
            tried = replace(link, base_height_m=link.base_height_m + more, rover_height_m=link.rover_height_m + up)
            result = work_out(tried)
            rows.append(
                HeightRow(
                    tried.base_height_m, tried.rover_height_m, result.path_loss_db, result.margin_db,
                    result.clearance_m / result.fresnel1_m,
                )
            )  # fmt: skip
    return rows


@dataclass(frozen=True, slots=True)
class Repeater:
    """The best place for a repeater. The worse of its two legs counts; ``gain_db`` is by how much that is better than
    the direct path."""

    distance_m: float
    ground_m: float
    height_m: float
    on_obstacle: bool
    to_base: PathResult
    to_rover: PathResult
    gain_db: float

    @property
    def margin_db(self) -> float:
        """Margin of the worse leg; NaN where none can be worked out."""
        return min(self.to_base.margin_db, self.to_rover.margin_db, key=lambda m: math.inf if math.isnan(m) else m)


def best_repeater(link: Link, height_m: float) -> Repeater | None:
    """Where between the ends a repeater helps most, with the base's power and antenna on a mast of ``height_m``.

    It may stand on an obstacle, which then is no obstacle any more. None where no place is better than going direct.
    """
    direct = work_out(link)
    d = link.distance_m
    places = [(d * i / _PLACES, ground_m(link.ground, d * i / _PLACES), False) for i in range(1, _PLACES)]
    places += [(x, h, False) for x, h in link.ground if 0 < x < d]
    places += [(x, h, True) for x, h in link.obstacles]
    best: Repeater | None = None
    for x, foot_m, on_obstacle in places:
        first = replace(
            link, distance_m=x, rover_height_m=height_m, rover_gain_dbi=link.base_gain_dbi,
            obstacles=tuple(o for o in link.obstacles if o[0] < x),
            ground=_with_feet(((p, h) for p, h in link.ground if 0 < p < x), 0.0, x, foot_m),
        )  # fmt: skip
        second = replace(
            link, distance_m=d - x, base_height_m=height_m,
            obstacles=tuple((o - x, h - foot_m) for o, h in link.obstacles if o > x),
            ground=_with_feet(
                ((p - x, h - foot_m) for p, h in link.ground if x < p < d), 0.0, d - x, link.rover_ground_m - foot_m
            ),
        )  # fmt: skip
        legs = work_out(first), work_out(second)
        gain_db = direct.path_loss_db - max(leg.path_loss_db for leg in legs)
        if not math.isnan(direct.margin_db):
            gain_db = min(leg.margin_db for leg in legs) - direct.margin_db
        if gain_db > 0 and (best is None or gain_db > best.gain_db):
            best = Repeater(x, foot_m, height_m, on_obstacle, *legs, gain_db)
    return best


def _with_feet(
    between: Iterable[tuple[float, float]], first_m: float, length_m: float, last_m: float
) -> tuple[tuple[float, float], ...]:
    """Terrain of a leg with the ground under its own two ends."""
    return ((0.0, first_m), *between, (length_m, last_m))
