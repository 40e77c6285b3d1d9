"""The codes that no simulated fault can show: what casters do, checks on control marks, and this computer's clock."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import numpy as np
from tests.scoreboard import caster, caster_ways, clock, control
from tests.scoreboard.confusion import Row

# How many sessions of each way make ``n`` of each code: most codes are shown in more than one way.
_SHARE: Mapping[str, float] = {
    "works": 0.5, "gets_position": 0.25, "tls_works": 0.25, "lost_login": 0.4, "wrong_login": 0.6, "nobody_there": 0.6,
    "network_lost": 0.4, "throttled": 0.6, "banned": 0.4, "dropped": 0.4, "pushed_off": 0.25, "faulty": 0.2,
    "goes_silent": 0.15, "slow": 0.25, "base_off": 0.5, "pole_left_out": 0.2, "pole_misread": 0.3, "wrong_mark": 0.5,
    "pole_twice": 0.2, "other_foot": 0.2, "other_height": 0.2, "other_frame": 0.5, "recent": 0.5, "old": 0.3, "new_id": 0.3,
    "base_moved": 0.3, "failed": 0.2, "none": 0.1, "nearly_right": 0.5, "base_clock": 0.5,
}  # fmt: skip
# ``base_off`` is a caster's way and a control's; the caster's is a contrast of no code of its own.
_CASTER_SHARE = {"base_off": 0.25}

Told = Callable[[Row], None]


def run_others(rng: np.random.Generator, n: int, folder: Path, told: Told = lambda row: None) -> list[Row]:
    """``n`` sessions of each code, or more, from all three boards."""
    rows = []
    for row in _rows(rng, n, folder):
        told(row)
        rows.append(row)
    return rows


def _rows(rng: np.random.Generator, n: int, folder: Path) -> Iterator[Row]:
    for way in caster_ways.WAYS:
        for i in range(_times(n, _CASTER_SHARE.get(way, _SHARE.get(way, 1.0)))):
            case = caster.draw_caster_case(rng, way)
            yield caster.caster_row(caster.run_caster_case(case, folder / f"caster.{way}.{i}"))
    for way in (*control.WAYS, *control.CHANGES, *clock.CLOCKS):
        for i in range(_times(n, _SHARE.get(way, 1.0))):
            yield one_check(control.draw_control_case(rng, way), folder / f"check.{way}.{i}")


def one_check(case: control.ControlCase, folder: Path) -> Row:
    """One case of the boards of control marks and of clocks."""
    if case.way in control.WAYS:
        return control.control_row(control.run_control_case(case, folder))
    if case.way in control.CHANGES:
        return control.run_check_case(case, folder)
    return clock.run_clock_case(case, folder)


def _times(n: int, share: float) -> int:
    return max(1, round(n * share))
