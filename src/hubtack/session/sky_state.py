"""What a session knows of the sky, for ``orbits.outlook``: places, who tracks what, and what stands in the way."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.link_content import SKY_BIN_NS, SkySets
from hubtack.geo import geodetic_to_ecef
from hubtack.orbits.ephemeris import WEEK_S
from hubtack.orbits.outlook import SkyNow
from hubtack.orbits.sky import SkyTally, views_of
from hubtack.session.session import Session

Floats = NDArray[np.float64]
Key = tuple[int, int]

_UNIX_GPS_DAYS = 3657  # 1980-01-06
_FRESH_NS = 90_000_000_000  # who was tracked longer ago than this is not tracked now
_MOST_LOOKS = 1440  # a day, one a minute
_WIDE = 8.0  # an ephemeris still tells where a satellite stands, long after it is good for positions


def sky_now(
    session: Session, *, near_deg: tuple[float, float] | None = None, most_looks: int = _MOST_LOOKS
) -> SkyNow | None:
    """The sky at the session's newest epoch; None where no time of the week or no place is known.

    ``near_deg`` is where the rover is, if its own log does not say [deg]; ``most_looks`` bounds how far back its sky is
    gone through for obstructions.
    """
    watcher = session.base.watcher
    t_s = gpst_at(session, session.now_ns())
    base, rover = watcher.place_ecef_m, _rover_ecef_m(session, near_deg)
    if not np.isfinite(t_s) or (base is None and rover is None):
        return None
    near = watcher.ephemerides.nearest(t_s % WEEK_S, watcher.leap_s, longest_age_factor=_WIDE)
    base_report = watcher.sky_tally.report() if watcher.sky_tally.looks else None
    tally = _rover_tally(session, rover, most_looks) if rover is not None else None
    return SkyNow(
        t_gpst_s=t_s % WEEK_S,
        leap_s=watcher.leap_s,
        ephemerides=near,
        base_ecef_m=base,
        rover_ecef_m=rover,
        base_tracks=_tracked(session.link.tally.content.sky, session.now_ns()),
        rover_tracks=_tracked(session.rover_sky.tracked, session.now_ns()),
        base_cn0_dbhz=watcher.cn0_dbhz,
        base_report=base_report,
        rover_report=tally.report() if tally is not None and tally.looks else None,
        base_blocked=watcher.sky_tally.blocked() if base_report is not None else None,
        rover_blocked=tally.blocked() if tally is not None and tally.looks else None,
    )


def gpst_at(session: Session, time_ns: int) -> float:
    """Time of the GPS week of a time on the axis, by the stream's epochs, else by the calendar; NaN if neither. [s]"""
    watcher = session.base.watcher
    if np.isfinite(watcher.t_gpst_s):
        return watcher.t_gpst_s + (time_ns - session.base.axis_ns(watcher.t_gpst_s, session.link)) / 1e9
    if session.axis.day0 is None:
        return float("nan")
    return (session.axis.day0 - _UNIX_GPS_DAYS) * 86_400.0 % WEEK_S + time_ns / 1e9 + watcher.leap_s


def _rover_ecef_m(session: Session, near_deg: tuple[float, float] | None) -> Floats | None:
    """The rover's place to some tens of metres: for directions the geoid does not matter."""
    position = session.rover_position()
    if position is None and near_deg is not None:
        position = (*near_deg, 0.0)
    if position is None:
        return None
    lat, lon, height = (np.array([v]) for v in position)
    return np.asarray(geodetic_to_ecef(lat, lon, height)[0])


def _tracked(sets: SkySets, now_ns: int) -> frozenset[Key] | None:
    """Satellites of the newest half minutes; None where none were ever told."""
    if not sets.bins:
        return None
    newest = max(sets.bins)
    if now_ns - (newest + 1) * SKY_BIN_NS > _FRESH_NS:
        return frozenset()
    # The newest half minute may have just begun: the one before it counts as well.
    return frozenset(key for i in (newest - 1, newest) for key in _keys(sets.bins.get(i, {})))


def _keys(found: dict[int, int]) -> list[Key]:
    return [(s, n) for s, mask in found.items() for n in range(1, mask.bit_length()) if mask >> n & 1]


def _rover_tally(session: Session, rover_ecef_m: Floats, most_looks: int) -> SkyTally:
    """The rover's sky, counted once a minute at where it is now: what a machine works beside moves with it."""
    watcher = session.base.watcher
    tally = SkyTally()
    bins = session.rover_sky.tracked.bins
    chosen = sorted(bins)[::2][-most_looks:]
    if not chosen or not len(watcher.ephemerides):
        return tally
    at_s = [gpst_at(session, index * SKY_BIN_NS + SKY_BIN_NS // 2) for index in chosen]
    if not np.isfinite(at_s).all():
        return tally
    looks = [(watcher.ephemerides.nearest(t % WEEK_S, watcher.leap_s, longest_age_factor=_WIDE), t) for t in at_s]
    for index, view in zip(chosen, views_of(looks, watcher.leap_s, rover_ecef_m), strict=True):
        keys = np.array(_keys(bins[index]), dtype=np.int64).reshape(-1, 2)
        tally.add(view, keys[:, 0], keys[:, 1], np.full(len(keys), np.nan))
    return tally
