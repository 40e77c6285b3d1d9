"""What the sky will do: DOP and common satellites over the coming hours, and the best and worst windows for grade work.

From the newest ephemerides, carried on beyond their validity: after 12 h a satellite stands within a tenth of a
degree of where it is put (GPS, Galileo, BeiDou; GLONASS within half a degree), which is enough for DOP. New
satellites, manoeuvres and outages are not foreseen, nor is anything that hides the sky and has not been learnt.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.geo.dop import dop
from hubtack.orbits.ephemeris import Ephemeris
from hubtack.orbits.satellites import line_of_sight, satellite_states

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# PDOP for grade work: 3 or less for fine work, 5 at most, 6 the usual mask of a receiver. Common practice, no source.
GOOD_PDOP, POOR_PDOP = 3.0, 6.0
LEAST_COMMON = 6


@dataclass(frozen=True)
class Forecast:
    """Sky at even steps, (T,) each: time, common satellites above the mask and clear of obstructions, and DOP."""

    t_gpst_s: Floats
    common: Ints
    pdop: Floats
    hdop: Floats
    vdop: Floats
    mask_deg: float
    step_s: float

    def is_good(self) -> Bools:
        """(T,) fit for fine grade work: PDOP 3 or less and six or more common satellites."""
        return np.asarray((self.pdop <= GOOD_PDOP) & (self.common >= LEAST_COMMON))

    def is_poor(self) -> Bools:
        """(T,) unfit: no solution, PDOP above 6, or fewer than five common satellites."""
        return np.asarray(~(self.pdop <= POOR_PDOP) | (self.common < LEAST_COMMON - 1))


@dataclass(frozen=True)
class Window:
    """A stretch of the forecast: ``kind`` good, fair or poor, from and to [s of GPS week], its worst PDOP and least common."""

    kind: str
    t_from_s: float
    t_to_s: float
    worst_pdop: float
    least_common: int


def forecast(
    ephemerides: Mapping[tuple[int, int], Ephemeris],
    t_start_gpst_s: float,
    leap_s: float,
    rover_ecef_m: Floats,
    *,
    base_ecef_m: Floats | None = None,
    hours: float = 12.0,
    step_s: float = 300.0,
    mask_deg: float = 10.0,
    rover_blocked: Bools | None = None,
    base_blocked: Bools | None = None,
    systems: frozenset[int] | None = None,
) -> Forecast:
    """DOP at the rover from the satellites that base and rover will have in common.

    Parameters
    ----------
    ephemerides : mapping
        (system, satellite) to its newest ephemeris; unhealthy ones are left out.
    t_start_gpst_s, leap_s : float
        Begin, in seconds of the GPS week, and GPS time less UTC. [s]
    rover_ecef_m, base_ecef_m : (3,) float
        Without a base all satellites of the rover count. [m]
    rover_blocked, base_blocked : (A, E) bool, optional
        Blocked parts of the sky in A even sectors of azimuth from north and bands of 10 degrees of elevation from the
        horizon, as ``SkyTally.blocked`` learns them.
    systems : frozenset of int, optional
        Constellations that the rover uses; None for all.

    Returns
    -------
    Forecast
        ``hours * 3600 / step_s + 1`` steps. Each constellation costs a clock in the DOP.
    """
    keys = sorted(k for k, e in ephemerides.items() if e.healthy and (systems is None or k[0] in systems))
    t = t_start_gpst_s + np.arange(0.0, hours * 3600.0 + 1e-6, step_s)
    if not keys:
        none = np.full(len(t), np.nan)
        return Forecast(t, np.zeros(len(t), np.int64), none, none, none, mask_deg, step_s)
    chosen = [ephemerides[key] for key in keys]
    states = satellite_states(chosen, np.repeat(t[:, None], len(keys), axis=1) - 0.075, leap_s)
    sight = line_of_sight(states.pos_ecef_m, rover_ecef_m)
    use = _clear(sight.azimuth_rad, sight.elevation_rad, mask_deg, rover_blocked)
    if base_ecef_m is not None:
        seen = line_of_sight(states.pos_ecef_m, base_ecef_m)
        use &= _clear(seen.azimuth_rad, seen.elevation_rad, mask_deg, base_blocked)
    system = np.array([key[0] for key in keys])
    # A constellation with a single satellite gives nothing: its clock takes all it has.
    for one in np.unique(system):
        mine = system == one
        use[:, mine] &= (use[:, mine].sum(axis=1) > 1)[:, None]
    got = dop(sight.azimuth_rad, sight.elevation_rad, system=system, use=use)
    return Forecast(t, got.n_used, got.pdop, got.hdop, got.vdop, mask_deg, step_s)


def _clear(azimuth_rad: Floats, elevation_rad: Floats, mask_deg: float, blocked: Bools | None) -> Bools:
    """Above the mask and not behind anything."""
    clear = elevation_rad > np.radians(mask_deg)
    if blocked is not None:
        sector = np.floor(azimuth_rad / (2.0 * np.pi) * blocked.shape[0]).astype(np.int64) % blocked.shape[0]
        level = np.clip(np.floor(np.degrees(elevation_rad) / 10.0), 0, blocked.shape[1] - 1).astype(np.int64)
        clear &= ~blocked[sector, level]
    return np.asarray(clear)


def windows(sky: Forecast) -> list[Window]:
    """The forecast cut into stretches that are good, fair or poor, in order of time."""
    good, poor = sky.is_good(), sky.is_poor()
    kind = np.where(good, 2, np.where(poor, 0, 1))
    cuts = np.concatenate(([0], np.flatnonzero(np.diff(kind)) + 1, [len(kind)]))
    out = []
    for a, b in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
        pdop = sky.pdop[a:b]
        out.append(Window(
            kind=("poor", "fair", "good")[int(kind[a])],
            t_from_s=float(sky.t_gpst_s[a]),
            t_to_s=float(sky.t_gpst_s[min(b, len(kind) - 1)]),
            worst_pdop=float(np.max(pdop)) if np.isfinite(pdop).all() else float("nan"),
            least_common=int(np.min(sky.common[a:b])),
        ))  # fmt: skip
    return out
