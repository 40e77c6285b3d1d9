"""The rover's sky: is a sector blocked, or have all signals fallen at once?

Each bin of a quarter of a minute is compared with what is usual for the session: the median of the bins around it. A
bank takes the satellites on its side and leaves the others as strong as they were; interference weakens all.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.rover_view import RoverView
from hubtack.engine.sky_sectors import BIN_NS, SECTORS, SkySectors
from hubtack.geo.compass import compass_word

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_HALF_BINS, _STEP_BINS = 80, 10
_LEAST_HOLD_SHARE = 0.1  # of a blocked stretch; satellites set and rise on any day. Common practice, no source.
LEAST_BINS = 4  # of usual sky, before anything can be called unusual
_RUNS = ("fix:float", "fix:autonomous", "few_satellites", "poor_geometry")
_S = 1_000_000_000


def sky_episodes(
    sky: SkySectors, rover: RoverView, limit: Callable[[str], float], heading_deg: float = float("nan")
) -> list[Episode]:
    """Stretches of a blocked sector and of a general drop of signal strength.

    ``limit`` gives a row of the limit table by its key. ``heading_deg`` is the machine's heading now (NaN: none): a
    stretch that goes on is told as a clock direction too.
    """
    start_ns, tracked, strength = sky.table()
    if len(start_ns) < LEAST_BINS + 1:
        return []
    usual, usual_strength = _usual(tracked), _usual(strength[:, None])[:, 0]
    total, usual_total = tracked.sum(axis=1), usual.sum(axis=1)
    drop_db = usual_strength - strength
    dropped = (drop_db >= limit("signal_drop_db")) | (np.isnan(strength) & (usual_total >= 8) & (total == 0))
    lost = np.maximum(usual - tracked, 0.0)
    few = (total <= limit("sky_blocked_share") * usual_total) & (lost.sum(axis=1) >= limit("sky_blocked_satellites"))
    blocked = few & ~dropped
    episodes = [
        _episode("signal_drop", a, b, start_ns, rover, {"drop_db": float(np.nanmax(drop_db[a:b])) if
                 np.isfinite(drop_db[a:b]).any() else None})
        for a, b in _stretches(dropped)
    ]  # fmt: skip
    for a, b in _stretches(blocked):
        side = lost[a:b].mean(axis=0)
        sector, bearing_deg = _sector(side, limit("sky_blocked_side_share"))
        hour = _clock(bearing_deg, heading_deg) if b == len(start_ns) else None
        if hour is not None:
            sector += f", at {hour} o'clock from the machine"
        episodes.append(_episode("sky_blocked", a, b, start_ns, rover, {
            "sector": sector, "bearing_deg": bearing_deg, "clock_hour": hour,
            "satellites_usual": float(np.median(usual_total[a:b])),
            "satellites_left": float(total[a:b].min()), "lost_by_sector": [round(float(v), 1) for v in side],
        }))  # fmt: skip
    return episodes


def _usual(values: Floats) -> Floats:
    """What is usual at each bin: the upper quartile of the bins within twenty minutes either side.

    The upper quartile, since a sky that is blocked for half of the time is still not the usual one. Worked out anew
    every two and a half minutes, in which a sky hardly changes, so that a long day costs little.
    """
    out = np.empty_like(values)
    for start in range(0, len(values), _STEP_BINS):
        window = values[max(0, start - _HALF_BINS) : start + _STEP_BINS + _HALF_BINS]
        known = window[~np.isnan(window).any(axis=1)]
        ordered = np.sort(known, axis=0)
        out[start : start + _STEP_BINS] = ordered[(3 * (len(known) - 1) + 2) // 4] if len(known) else np.nan
    return out


def _stretches(flags: Bools) -> list[tuple[int, int]]:
    """Runs of two bins or more, as half-open ranges; single bins within a run are bridged."""
    index = np.flatnonzero(flags)
    if not len(index):
        return []
    parts = np.split(index, np.flatnonzero(np.diff(index) > 2) + 1)
    return [(int(p[0]), int(p[-1]) + 1) for p in parts if len(p) >= 2]


def _episode(
    code: str, a: int, b: int, start_ns: NDArray[np.int64], rover: RoverView, figures: dict[str, object]
) -> Episode:
    start, end = int(start_ns[a]), int(start_ns[b - 1]) + BIN_NS
    is_open = b == len(start_ns)
    hold_ns = rover.hold_ns(_RUNS, start - 15 * _S, end, 60 * _S)
    stops = hold_ns > 0
    if code == "sky_blocked":  # under a roof it stops no work, and a few seconds of many minutes have another cause
        stops = hold_ns > _LEAST_HOLD_SHARE * (end - start) and not rover.idle
    return Episode(code, start, None if is_open else end, hold_ns=hold_ns, severity="stop" if stops else "warn",
                   evidence=figures)  # fmt: skip


def _sector(lost: Floats, side_share: float) -> tuple[str, float | None]:
    """The side that lost most, in words and as a bearing [deg]: the middle of the smallest run of sectors with most."""
    total = float(lost.sum())
    for width in range(1, SECTORS):
        sums = [float(sum(lost[(first + k) % SECTORS] for k in range(width))) for first in range(SECTORS)]
        best = int(np.argmax(sums))
        if sums[best] >= side_share * total:
            middle = (best + (width - 1) / 2) % SECTORS
            bearing = (middle + 0.5) * 360.0 / SECTORS % 360.0
            return f"towards {compass_word(bearing)}, {width * 45} degrees wide", bearing
    return "all around", None


def _clock(bearing_deg: float | None, heading_deg: float) -> int | None:
    """A bearing as an hour on the clock face with 12 straight ahead; None where either is not known."""
    if bearing_deg is None or np.isnan(heading_deg):
        return None
    return round(((bearing_deg - heading_deg) % 360.0) / 30.0) % 12 or 12
