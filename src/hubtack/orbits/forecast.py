"""What the sky will do: DOP and common satellites over the coming hours, and the best and worst windows for grade work.

From the newest ephemerides, carried on beyond their validity: after 12 h a satellite stands within a tenth of a
degree of where it is put (GPS, Galileo, BeiDou; GLONASS within half a degree), which is enough for DOP. New
satellites, manoeuvres and outages are not foreseen, nor is anything that hides the sky and has not been learnt.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.geo.dop import dop
from hubtack.knowledge.messages import BEIDOU, GALILEO, GLONASS, GPS
from hubtack.orbits.ephemeris import Ephemeris
from hubtack.orbits.glonass import ROUGH_STEP_S
from hubtack.orbits.satellites import line_of_sight, satellite_states

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# PDOP for grade work: 3 or less for fine work, 5 at most, 6 the usual mask of a receiver. Common practice, no source.
GOOD_PDOP, POOR_PDOP = 3.0, 6.0
LEAST_COMMON = 6
KINDS = ("poor", "unknown", "fair", "good")
# A base tells only of the satellites that it tracks. In half an hour one or two of a constellation rise.
RISING_S = 1800.0
# So many known, and a constellation counts as whole: some four fewer than are in use in 2026 (operators' status
# pages, from memory).
WHOLE = {GPS: 27, GLONASS: 20, GALILEO: 20, BEIDOU: 24}


@dataclass(frozen=True)
class Forecast:
    """Sky at even steps, (T,) each: time, common satellites above the mask and clear of obstructions, and DOP.

    ``known`` is False where satellites will have risen whose ephemerides have not been heard. More satellites can only
    help, so that good stays good; what is not good then is not known.
    """

    t_gpst_s: Floats
    common: Ints
    pdop: Floats
    hdop: Floats
    vdop: Floats
    mask_deg: float
    step_s: float
    known: Bools

    def is_good(self) -> Bools:
        """(T,) fit for fine grade work: PDOP 3 or less and six or more common satellites."""
        return np.asarray((self.pdop <= GOOD_PDOP) & (self.common >= LEAST_COMMON))

    def is_poor(self) -> Bools:
        """(T,) unfit: no solution, PDOP above 6, or fewer than five common satellites."""
        return np.asarray((~(self.pdop <= POOR_PDOP) | (self.common < LEAST_COMMON - 1)) & self.known)

    def kinds(self) -> Ints:
        """(T,) index into ``KINDS`` of each step."""
        rest = np.where(self.is_poor(), 0, np.where(self.known, 2, 1))
        return np.asarray(np.where(self.is_good(), 3, rest))


@dataclass(frozen=True)
class Window:
    """A stretch of the forecast: ``kind`` of ``KINDS``, from and to [s of GPS week], its worst PDOP and least common."""

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
    known_for_s: float | None = None,
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
    known_for_s : float, optional
        For how long what is not good is known to be so; None works it out: for good where the ephemerides are those
        of whole constellations (a navigation file, or a day of listening), else half an hour. [s]

    Returns
    -------
    Forecast
        ``hours * 3600 / step_s + 1`` steps. Each constellation costs a clock in the DOP.
    """
    keys = sorted(k for k, e in ephemerides.items() if e.healthy and (systems is None or k[0] in systems))
    t = t_start_gpst_s + np.arange(0.0, hours * 3600.0 + 1e-6, step_s)
    if known_for_s is None:
        known_for_s = np.inf if is_whole(keys) else RISING_S
    known = t - t_start_gpst_s <= known_for_s
    if not keys:
        none = np.full(len(t), np.nan)
        return Forecast(t, np.zeros(len(t), np.int64), none, none, none, mask_deg, step_s, known)
    chosen = [ephemerides[key] for key in keys]
    states = satellite_states(
        chosen, np.repeat(t[:, None], len(keys), axis=1) - 0.075, leap_s, glonass_step_s=ROUGH_STEP_S
    )
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
    return Forecast(t, got.n_used, got.pdop, got.hdop, got.vdop, mask_deg, step_s, known)


def is_whole(keys: Iterable[tuple[int, int]]) -> bool:
    """Whether ephemerides of these satellites are those of whole constellations, as a navigation file has them."""
    counts = Counter(system for system, _ in keys)
    counted = [counts[s] >= WHOLE[s] for s in counts if s in WHOLE]
    return bool(counted) and all(counted)


def _clear(azimuth_rad: Floats, elevation_rad: Floats, mask_deg: float, blocked: Bools | None) -> Bools:
    """Above the mask and not behind anything."""
    clear = elevation_rad > np.radians(mask_deg)
    if blocked is not None:
        sector = np.floor(azimuth_rad / (2.0 * np.pi) * blocked.shape[0]).astype(np.int64) % blocked.shape[0]
        level = np.clip(np.floor(np.degrees(elevation_rad) / 10.0), 0, blocked.shape[1] - 1).astype(np.int64)
        clear &= ~blocked[sector, level]
    return np.asarray(clear)


def windows(sky: Forecast) -> list[Window]:
    """The forecast cut into stretches that are good, fair, poor or unknown, in order of time."""
    kind = sky.kinds()
    cuts = np.concatenate(([0], np.flatnonzero(np.diff(kind)) + 1, [len(kind)]))
    out = []
    for a, b in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
        pdop = sky.pdop[a:b]
        out.append(Window(
            kind=KINDS[int(kind[a])],
            t_from_s=float(sky.t_gpst_s[a]),
            t_to_s=float(sky.t_gpst_s[min(b, len(kind) - 1)]),
            worst_pdop=float(np.max(pdop)) if np.isfinite(pdop).all() else float("nan"),
            least_common=int(np.min(sky.common[a:b])),
        ))  # fmt: skip
    return out
