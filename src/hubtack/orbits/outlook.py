"""The sky of a base and a rover at a moment and over the hours that follow, out of what a session has learnt of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hubtack.orbits.ephemeris import Ephemeris
from hubtack.orbits.forecast import Forecast, Window, forecast, windows
from hubtack.orbits.sky import CommonSky, Obstruction, SatelliteView, SkyReport, common_sky, satellite_name, view_of

Floats = NDArray[np.float64]
Key = tuple[int, int]
_MOST_NAMED = 3  # best and worst windows that are named


@dataclass(frozen=True)
class SkyNow:
    """What is known of the sky: ephemerides, places (3,) [m], and who tracks what. None where nobody told.

    ``t_gpst_s`` is seconds of the GPS week. ``base_blocked`` and ``rover_blocked`` are learnt obstructions as
    ``SkyTally.blocked`` gives them.
    """

    t_gpst_s: float
    leap_s: float
    ephemerides: Mapping[Key, Ephemeris]
    base_ecef_m: Floats | None = None
    rover_ecef_m: Floats | None = None
    base_tracks: frozenset[Key] | None = None
    rover_tracks: frozenset[Key] | None = None
    base_cn0_dbhz: Mapping[Key, float] = field(default_factory=dict)
    base_report: SkyReport | None = None
    rover_report: SkyReport | None = None
    base_blocked: NDArray[np.bool_] | None = None
    rover_blocked: NDArray[np.bool_] | None = None


@dataclass(frozen=True)
class Row:
    """One satellite: directions from base and rover [deg] (NaN without a place), strength at the base, who tracks it."""

    name: str
    system: int
    elevation_deg: float
    azimuth_deg: float
    rover_elevation_deg: float
    rover_azimuth_deg: float
    cn0_dbhz: float
    base_tracks: bool | None
    rover_tracks: bool | None
    healthy: bool


@dataclass(frozen=True)
class Outlook:
    """The answers: satellites now (highest first), what is shared, and the hours ahead."""

    now: SkyNow
    mask_deg: float
    rows: tuple[Row, ...]
    common: CommonSky | None
    sky: Forecast
    windows: tuple[Window, ...]
    best: tuple[Window, ...]
    worst: tuple[Window, ...]

    @property
    def obstructions(self) -> list[tuple[str, Obstruction]]:
        """Blocked parts of the sky with where they were learnt."""
        reports = (("base", self.now.base_report), ("rover", self.now.rover_report))
        return [(where, o) for where, report in reports if report is not None for o in report.obstructions]

    def sentences(self) -> list[str]:
        """What matters, in plain words."""
        said = []
        if self.common is not None:
            said.append(self.common.sentence())
        for where, report in (("base", self.now.base_report), ("rover", self.now.rover_report)):
            if report is not None:
                said.extend(f"{where}: {sentence}" for sentence in report.sentences())
        if not self.sky.known.all():
            said.append(
                "Only satellites that the base tracks are known: others will rise, so that good stays good, and the "
                "rest is not known beyond half an hour. A navigation file (--navigation) tells all of it."
            )
        return said


def outlook(now: SkyNow, *, hours: float = 12.0, step_s: float = 300.0, mask_deg: float = 10.0) -> Outlook:
    """Work the answers out.

    The forecast is for the rover, or for the base where no rover is known; satellites count that both will see. Of
    the constellations those count that the base tracks, and the rover too where that is known.

    Raises
    ------
    ValueError
        If neither place is known.
    """
    place = now.rover_ecef_m if now.rover_ecef_m is not None else now.base_ecef_m
    if place is None:
        raise ValueError("neither the base nor the rover has a place")
    sky = forecast(
        now.ephemerides,
        now.t_gpst_s,
        now.leap_s,
        place,
        base_ecef_m=now.base_ecef_m,
        hours=hours,
        step_s=step_s,
        mask_deg=mask_deg,
        rover_blocked=now.rover_blocked,
        base_blocked=now.base_blocked,
        systems=_systems(now),
    )
    cut = windows(sky)
    common = None
    if now.base_tracks is not None and now.rover_tracks is not None and now.rover_ecef_m is not None:
        at_rover = view_of(now.ephemerides, now.t_gpst_s, now.leap_s, now.rover_ecef_m)
        common = common_sky(at_rover, set(now.base_tracks), set(now.rover_tracks), mask_deg=mask_deg)
    return Outlook(
        now,
        mask_deg,
        tuple(_rows(now, mask_deg)),
        common,
        sky,
        tuple(cut),
        tuple(sorted((w for w in cut if w.kind == "good"), key=lambda w: w.t_from_s - w.t_to_s)[:_MOST_NAMED]),
        tuple(sorted((w for w in cut if w.kind in ("fair", "poor")), key=_badness)[:_MOST_NAMED]),
    )


def _badness(window: Window) -> tuple[int, float]:
    """Poor before fair, and by the worst PDOP within."""
    return (0 if window.kind == "poor" else 1), -(window.worst_pdop if np.isfinite(window.worst_pdop) else 1e9)


def _systems(now: SkyNow) -> frozenset[int] | None:
    """Constellations that all who are known track; None where nobody is."""
    heard = [frozenset(s for s, _ in keys) for keys in (now.base_tracks, now.rover_tracks) if keys]
    return frozenset.intersection(*heard) if heard else None


def _rows(now: SkyNow, mask_deg: float) -> list[Row]:
    views = [
        view_of(now.ephemerides, now.t_gpst_s, now.leap_s, place) if place is not None else None
        for place in (now.base_ecef_m, now.rover_ecef_m)
    ]
    at_base, at_rover = (_directions(view) for view in views)
    rows = []
    for key, ephemeris in now.ephemerides.items():
        el, az = at_base.get(key, (np.nan, np.nan))
        rover_el, rover_az = at_rover.get(key, (np.nan, np.nan))
        tracked = key in (now.base_tracks or ()) or key in (now.rover_tracks or ())
        if not (el > mask_deg or rover_el > mask_deg or tracked):
            continue
        cn0 = now.base_cn0_dbhz.get(key, np.nan)
        rows.append(
            Row(
                satellite_name(*key),
                key[0],
                el,
                az,
                rover_el,
                rover_az,
                cn0 if cn0 > 0 else np.nan,
                None if now.base_tracks is None else key in now.base_tracks,
                None if now.rover_tracks is None else key in now.rover_tracks,
                ephemeris.healthy,
            )
        )
    return sorted(rows, key=lambda r: -(r.elevation_deg if np.isfinite(r.elevation_deg) else r.rover_elevation_deg))


def _directions(view: SatelliteView | None) -> dict[Key, tuple[float, float]]:
    if view is None:
        return {}
    table = zip(
        view.system.tolist(), view.satellite.tolist(), np.degrees(view.elevation_rad).tolist(),
        np.degrees(view.azimuth_rad).tolist(), strict=True,
    )  # fmt: skip
    return {(s, n): (el, az) for s, n, el, az in table}
