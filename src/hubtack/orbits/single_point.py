"""A position from the pseudoranges of one epoch and the broadcast ephemerides, with bad satellites thrown out.

Accuracy is metres: enough to find a base typed in wrong, not enough to check a survey. What each satellite may be
off by is split in two, because time averages only one of them: noise (receiver, multipath) and bias (orbit, clock,
codes). ``static`` uses both.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_to_geodetic
from hubtack.knowledge.messages import BEIDOU, GALILEO, GLONASS, GPS, QZSS
from hubtack.orbits import atmosphere
from hubtack.orbits.ephemeris import Ephemeris
from hubtack.orbits.satellites import States, line_of_sight, satellite_states, sent_at_s
from hubtack.orbits.signals import (
    FIRST_BAND,
    PAIRS,
    SPEED_OF_LIGHT_M_S,
    band,
    frequency_hz,
    group_delay_s,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MASK_RAD = float(np.radians(10.0))
W_CRITICAL = 3.29  # data snooping at 0.1 %, two-sided (Baarda 1968)
_CODE_NOISE_M = 0.3  # noise with multipath at the zenith, one frequency; common practice, grows as 1 / sin(elevation)
# 1 sigma of what does not average within a session: orbit and clock of the broadcast message, codes not those the
# clock refers to (GPS C/A 0.3 m, GLONASS between channels some metres). Published user range errors of the systems
# are 0.3 to 1 m (GPS, Galileo), about 1 m (BeiDou), 2 to 3 m (GLONASS); with the code part from practice, from memory.
_BIAS_M = {GPS: 0.8, GALILEO: 0.6, BEIDOU: 1.3, QZSS: 1.5, GLONASS: 3.0}
_IONO_SHARE, _IONO_FLOOR_M = 0.6, 1.0  # what a model without measured coefficients may be off by, vertical, on L1
# Within a band: the codes that the broadcast clock refers to come first (P or W, then C/A, then the rest).
_CODE_ORDER = {GPS: (4, 3, 2, 10, 9), GLONASS: (3, 2, 9, 8)}


@dataclass(frozen=True)
class Ranges:
    """One pseudorange a satellite, of one epoch: (S,) arrays, and the ephemeris of each.

    ``pseudorange_m`` is free of group delay; ``iono_factor`` is 0 for the two-frequency combination, else the code
    delay over that on L1; ``noise_m`` is the 1-sigma noise at the zenith. ``raw_m`` is what was measured on the
    first band, for the time of transmission.
    """

    t_gpst_s: float
    leap_s: float
    ephemerides: tuple[Ephemeris, ...]
    system: Ints
    satellite: Ints
    pseudorange_m: Floats
    raw_m: Floats
    iono_factor: Floats
    noise_m: Floats
    bias_m: Floats


@dataclass(frozen=True)
class PointSolution:
    """Position of one epoch: ``pos_ecef_m`` (3,), its rows (M,) of used satellites, and the test figures.

    ``design`` (M, 3) is d range / d position; ``prefit_m`` (M,) is observed less computed *at* ``pos_ecef_m``, still
    with the receiver clock; ``sigma_m`` its weight. ``excluded`` names satellites that failed the test.
    """

    pos_ecef_m: Floats
    system: Ints
    satellite: Ints
    design: Floats
    prefit_m: Floats
    sigma_m: Floats
    noise_m: Floats
    bias_m: Floats
    mapping: Floats
    iono_sigma_m: Floats
    elevation_rad: Floats
    azimuth_rad: Floats
    chi2: float
    dof: int
    excluded: tuple[tuple[int, int], ...]


def ranges_of_epoch(
    t_gpst_s: float,
    leap_s: float,
    ephemerides: Mapping[tuple[int, int], Ephemeris],
    system: Ints,
    satellite: Ints,
    signal: Ints,
    pseudorange_m: Floats,
    glonass_channel: Ints | None = None,
) -> Ranges:
    """One range a satellite: two-frequency and free of the ionosphere where its delays are known, else one band.

    Parameters
    ----------
    t_gpst_s, leap_s : float
        Time of reception in seconds of the GPS week, and GPS time less UTC. [s]
    ephemerides : mapping
        (system, satellite) to its ephemeris; satellites without one, or unhealthy, are left out.
    system, satellite, signal : (N,) int
        Constellation (GPS 1 ... QZSS 5), number in it and MSM signal of each cell.
    pseudorange_m : (N,) float
        NaN where there is none. [m]
    glonass_channel : (N,) int, optional
        Frequency channel; where it is not -7 to 6 that of the ephemeris serves.
    """
    cells: dict[tuple[int, int], dict[str, tuple[int, float, float]]] = {}
    for i in np.flatnonzero(np.isfinite(pseudorange_m) & (pseudorange_m > 1e7) & (pseudorange_m < 6e7)):
        key, n = (int(system[i]), int(satellite[i])), int(signal[i])
        ephemeris = ephemerides.get(key)
        if ephemeris is None or not ephemeris.healthy:
            continue
        name = band(key[0], n)
        delay_s = group_delay_s(ephemeris, name)
        channel = int(glonass_channel[i]) if glonass_channel is not None else 99
        f_hz = frequency_hz(key[0], n, channel if -7 <= channel <= 6 else ephemeris.channel)
        if not np.isfinite(delay_s + f_hz):
            continue
        order = _CODE_ORDER.get(key[0], ())
        rank = order.index(n) if n in order else 50 + n
        bands = cells.setdefault(key, {})
        if name not in bands or rank < bands[name][0]:
            bands[name] = (rank, float(pseudorange_m[i]) - delay_s * SPEED_OF_LIGHT_M_S, f_hz)
    rows = [_combine(key, bands) for key, bands in sorted(cells.items())]
    kept = [(key, row) for key, row in zip(sorted(cells), rows, strict=True) if row is not None]
    table = np.array([row for _, row in kept], dtype=np.float64).reshape(len(kept), 4)
    return Ranges(
        t_gpst_s=t_gpst_s,
        leap_s=leap_s,
        ephemerides=tuple(ephemerides[key] for key, _ in kept),
        system=np.array([key[0] for key, _ in kept], dtype=np.int64),
        satellite=np.array([key[1] for key, _ in kept], dtype=np.int64),
        pseudorange_m=table[:, 0],
        raw_m=table[:, 1],
        iono_factor=table[:, 2],
        noise_m=table[:, 3],
        bias_m=np.array([_BIAS_M[key[0]] for key, _ in kept], dtype=np.float64),
    )


def _combine(
    key: tuple[int, int], bands: Mapping[str, tuple[int, float, float]]
) -> tuple[float, float, float, float] | None:
    """Range, raw range, ionospheric factor and zenith noise of one satellite."""
    noise = _CODE_NOISE_M * (2.0 if key[0] == GLONASS else 1.0)
    for first, second in PAIRS[key[0]]:
        if first in bands and second in bands:
            (_, p1, f1), (_, p2, f2) = bands[first], bands[second]
            gamma = (f1 / f2) ** 2
            if abs(p2 - p1) > 150.0:  # the ionosphere never parts two bands so far: one of the two is wrong
                return None
            return (gamma * p1 - p2) / (gamma - 1.0), p1, 0.0, noise * (gamma**2 + 1.0) ** 0.5 / (gamma - 1.0)
    if FIRST_BAND[key[0]] not in bands:
        return None
    _, p1, f1 = bands[FIRST_BAND[key[0]]]
    return p1, p1, atmosphere.ionosphere_factor(f1), noise


def transmitted_states(epochs: Sequence[Ranges]) -> list[States]:
    """Satellite states of each epoch at the times the signals left; many epochs cost little more than one."""
    epochs = list(epochs)
    chosen = [e for ranges in epochs for e in ranges.ephemerides]
    if not chosen:
        return [States(np.zeros((0, 3)), np.zeros(0)) for _ in epochs]
    leap_s = epochs[0].leap_s
    received_s = np.concatenate([np.full(len(r.ephemerides), r.t_gpst_s) for r in epochs])
    raw_m = np.concatenate([r.raw_m for r in epochs])
    whole = satellite_states(chosen, sent_at_s(chosen, received_s, raw_m), leap_s)
    ends = np.cumsum([len(r.ephemerides) for r in epochs]).tolist()
    return [
        States(whole.pos_ecef_m[end - len(r.ephemerides) : end], whole.clock_s[end - len(r.ephemerides) : end])
        for r, end in zip(epochs, ends, strict=True)
    ]


def solve_epoch(
    ranges: Ranges,
    *,
    alpha: tuple[float, ...] = atmosphere.NOMINAL_ALPHA,
    beta: tuple[float, ...] = atmosphere.NOMINAL_BETA,
    mask_rad: float = MASK_RAD,
    states: States | None = None,
    start: Floats | None = None,
) -> PointSolution | None:
    """Weighted least squares for position and one clock a constellation; None without an overdetermined solution.

    Starts from the Earth's centre, or from an earlier solution (``start``), so that a broadcast position can have no
    influence. ``states`` are those of ``transmitted_states`` where they are at hand. Satellites are tested by
    their standardised residual ``w = v / sigma_v``; the one with the largest ``|w|`` over 3.29 goes, and all are
    tested again. Once a third has gone, or no surplus is left to test with, there is no solution.

    References
    ----------
    Baarda (1968), A testing procedure for use in geodetic networks (data snooping, 0.1 %); from memory.
    """
    if len(ranges.ephemerides) < 5:
        return None
    states = transmitted_states([ranges])[0] if states is None else states
    corrected = ranges.pseudorange_m + states.clock_s * SPEED_OF_LIGHT_M_S
    used = np.isfinite(corrected) & np.isfinite(states.pos_ecef_m).all(axis=1)
    excluded: list[tuple[int, int]] = []
    while True:
        used = _with_partners(ranges.system, used)
        if used.sum() < 4 + len(np.unique(ranges.system[used])):
            return None
        if start is None:
            start = _coarse(states.pos_ecef_m[used], corrected[used], ranges.system[used])
            if start is None:
                return None
        solution = _fine(ranges, states, corrected, used, start, alpha, beta, mask_rad)
        if solution is None:
            return None
        fit, w, rows = solution
        worst = int(np.argmax(np.abs(w)))
        if abs(w[worst]) <= W_CRITICAL or fit.dof <= 1:
            return PointSolution(**{**fit.__dict__, "excluded": tuple(excluded)})
        if 3 * (len(excluded) + 1) > len(rows) + len(excluded):
            return None  # when a third is thrown out nobody can say which part is right
        used = used.copy()
        used[rows[worst]] = False
        excluded.append((int(ranges.system[rows[worst]]), int(ranges.satellite[rows[worst]])))
        start = None if abs(w[worst]) > 1e3 else fit.pos_ecef_m  # a gross one has spoilt the start as well


def _with_partners(system: Ints, used: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Without satellites that are alone in their constellation: their clock takes all they have to say."""
    counts = np.bincount(system[used], minlength=8)
    return np.asarray(used & (counts[system] > 1))


def _clock_columns(system: Ints) -> Floats:
    """(M, K) ones where a row belongs to a constellation."""
    return np.asarray(system[:, None] == np.unique(system), dtype=np.float64)


def _coarse(pos: Floats, corrected_m: Floats, system: Ints) -> Floats | None:
    """A position good to some tens of metres, from the Earth's centre, equal weights, no atmosphere."""
    place, clocks = np.zeros(3), _clock_columns(system)
    for _ in range(15):
        offset = pos - place
        travel = np.linalg.norm(offset, axis=1)
        turn = 7.2921151467e-5 * travel / SPEED_OF_LIGHT_M_S
        turned = np.stack((pos[:, 0] + turn * pos[:, 1], pos[:, 1] - turn * pos[:, 0], pos[:, 2]), axis=1) - place
        range_m = np.linalg.norm(turned, axis=1)
        design = np.hstack((-turned / range_m[:, None], clocks))
        step, _, rank, _ = np.linalg.lstsq(design, corrected_m - range_m, rcond=1e-9)
        if rank < design.shape[1]:
            return None
        place = place + step[:3]
        if np.linalg.norm(step[:3]) < 1.0:
            return np.asarray(place)
    return None


def _fine(
    ranges: Ranges,
    states: States,
    corrected_m: Floats,
    used: NDArray[np.bool_],
    start: Floats,
    alpha: tuple[float, ...],
    beta: tuple[float, ...],
    mask_rad: float,
) -> tuple[PointSolution, Floats, Ints] | None:
    """The weighted solution above the mask, its standardised residuals, and the rows of ``ranges`` they stand for."""
    place = start
    for _ in range(8):
        sight = line_of_sight(states.pos_ecef_m, place)
        above = _with_partners(ranges.system, used & (sight.elevation_rad > mask_rad))
        rows = np.flatnonzero(above)
        system = ranges.system[rows]
        clocks = _clock_columns(system)
        dof = len(rows) - 3 - clocks.shape[1]
        if dof < 1:
            return None
        lat, lon, h = (float(v[0]) for v in ecef_to_geodetic(place[None]))
        el, az = sight.elevation_rad[rows], sight.azimuth_rad[rows]
        mapping = atmosphere.troposphere_mapping(el)
        iono = atmosphere.klobuchar_m(lat, lon, az, el, ranges.t_gpst_s, alpha, beta) * ranges.iono_factor[rows]
        iono_sigma = _IONO_SHARE * iono + _IONO_FLOOR_M * atmosphere.ionosphere_slant(el) * ranges.iono_factor[rows]
        tropo = atmosphere.troposphere_zenith_m(lat, h) * mapping
        noise = ranges.noise_m[rows] / np.sin(el)
        sigma = np.sqrt(noise**2 + ranges.bias_m[rows] ** 2 + iono_sigma**2
                        + (atmosphere.ZENITH_RESIDUAL_M * mapping) ** 2)  # fmt: skip
        prefit = corrected_m[rows] - sight.range_m[rows] - tropo - iono
        design = np.hstack((-sight.unit_ecef[rows], clocks))
        weighted = design / sigma[:, None]
        step, _, rank, _ = np.linalg.lstsq(weighted, prefit / sigma, rcond=1e-10)
        if rank < design.shape[1]:
            return None
        residual = prefit - design @ step
        if np.linalg.norm(step[:3]) < 1e-3:
            break
        place = place + step[:3]
    else:
        return None
    q = np.linalg.inv(weighted.T @ weighted)
    # Redundancy of each row; a row with next to none cannot be tested, and its w is taken as 0.
    redundancy = 1.0 - np.einsum("ij,jk,ik->i", weighted, q, weighted)
    w = np.where(redundancy > 0.05, residual / (sigma * np.sqrt(np.maximum(redundancy, 0.05))), 0.0)
    fit = PointSolution(
        pos_ecef_m=place,
        system=system,
        satellite=ranges.satellite[rows],
        design=design[:, :3],
        prefit_m=prefit,
        sigma_m=sigma,
        noise_m=noise,
        bias_m=ranges.bias_m[rows],
        mapping=mapping,
        iono_sigma_m=iono_sigma,
        elevation_rad=el,
        azimuth_rad=az,
        chi2=float(np.sum((residual / sigma) ** 2)),
        dof=dof,
        excluded=(),
    )
    return fit, w, rows
