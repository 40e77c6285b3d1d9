"""The document of a radio path. Apart from that of losses, which takes the whole engine to load."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from hubtack.knowledge.radio import CAUTIONS, MARGIN_WANTED_DB, NOISE_FIGURE_DB
from hubtack.radio.heights import HeightRow, Repeater
from hubtack.radio.path import Link, PathResult, noise_floor_dbm
from hubtack.radio.profile import Profile


def path_body(
    link: Link,
    result: PathResult,
    side: Profile,
    *,
    mast_m: float | None,
    rows: Sequence[HeightRow],
    repeater: Repeater | None,
    advice: Sequence[str],
    sensitivity_by: str | None,
    site_noise_db: float,
) -> dict[str, Any]:
    """The body of ``radio_path``; what could not be told is None or NaN."""
    noise_dbm = {
        name: noise_floor_dbm(bandwidth_hz, NOISE_FIGURE_DB) + site_noise_db
        for name, bandwidth_hz in (("12_5_khz", 12_500.0), ("25_khz", 25_000.0))
    }
    return {
        **{name: getattr(result, name) for name in result.__dataclass_fields__},
        "frequency_mhz": link.frequency_mhz, "distance_m": link.distance_m, "base_height_m": link.base_height_m,
        "rover_height_m": link.rover_height_m, "rover_ground_m": link.rover_ground_m,
        "in_the_way": [{"distance_m": d, "height_m": h} for d, h in link.in_the_way],
        "sensitivity_dbm": link.sensitivity_dbm,
        "sensitivity_by": sensitivity_by,
        "site_noise_db": site_noise_db,
        "noise_floor_dbm": noise_dbm,
        "mast_needed_m": mast_m,
        "raise_mast_by_m": None if mast_m is None else mast_m - link.base_height_m,
        "margin_wanted_db": MARGIN_WANTED_DB,
        "heights": [{name: getattr(row, name) for name in row.__dataclass_fields__} for row in rows],
        "repeater": None if repeater is None else {
            "distance_m": repeater.distance_m, "ground_m": repeater.ground_m, "height_m": repeater.height_m,
            "on_obstacle": repeater.on_obstacle, "gain_db": repeater.gain_db, "margin_db": repeater.margin_db,
            "to_base_loss_db": repeater.to_base.path_loss_db, "to_rover_loss_db": repeater.to_rover.path_loss_db,
        },
        "profile": {name: list(getattr(side, name)) for name in ("distance_m", "ground_m", "ray_m", "zone_m")},
        "advice": list(advice), "cautions": list(CAUTIONS), "findings": [],
    }  # fmt: skip
