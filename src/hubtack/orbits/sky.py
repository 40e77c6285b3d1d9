"""The sky above an antenna: where each satellite stands, how strong it comes in, and where something is in the way.

Obstruction is judged against the sky itself, not against a table of one antenna's strengths: a sector is blocked
where satellites that must be up are missing, or come in far weaker than others as high.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hubtack.orbits.book import NUMBERS as _NUMBERS
from hubtack.orbits.book import OrbitBook
from hubtack.orbits.ephemeris import Ephemeris
from hubtack.orbits.satellites import line_of_sight
from hubtack.orbits.signals import SYSTEM_LETTERS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

N_SECTORS, N_BANDS = 24, 9  # 15 degrees of azimuth by 10 degrees of elevation
MASK_DEG = 10.0
_WEAK_DB = 8.0  # below the median of that elevation: a tree or a wall, not the scatter of satellites (3 dB)
SKY_EVERY_S = 60.0
_LEAST_LOOKS = 10  # ten minutes of one satellite: a passing lorry is no obstruction
# Median C/N0 above 45 degrees on the first band. A survey antenna in the open gives 45 to 50 dB-Hz; below 40 dB-Hz
# something is wrong with antenna, cable or its surroundings (interference). Common practice, no source.
HIGH_CN0_POOR_DBHZ = 40.0
_HIGH_RAD = float(np.radians(45.0))


class SatelliteView(NamedTuple):
    """Satellites in view of a place at a time, (S,) each; below the horizon as well."""

    system: Ints
    satellite: Ints
    azimuth_rad: Floats
    elevation_rad: Floats
    healthy: Bools

    def names(self) -> list[str]:
        """RINEX names, such as G07."""
        return [satellite_name(int(s), int(n)) for s, n in zip(self.system, self.satellite, strict=True)]


def satellite_name(system: int, satellite: int) -> str:
    """Letter and number as RINEX writes it (QZSS PRN 193 is J01)."""
    return f"{SYSTEM_LETTERS.get(system, '?')}{satellite:02d}"


def view_of(
    ephemerides: Mapping[tuple[int, int], Ephemeris], t_gpst_s: float, leap_s: float, place_ecef_m: Floats
) -> SatelliteView:
    """Directions of all satellites with an ephemeris from a place (3,) at a time of the GPS week."""
    return views_of([(ephemerides, t_gpst_s)], leap_s, place_ecef_m)[0]


def views_of(
    looks: Sequence[tuple[Mapping[tuple[int, int], Ephemeris], float]],
    leap_s: float,
    place_ecef_m: Floats,
    book: OrbitBook | None = None,
) -> list[SatelliteView]:
    """The same for many moments at once, each with its own ephemerides; costs little more than one."""
    keys = [sorted(ephemerides) for ephemerides, _ in looks]
    book = OrbitBook() if book is None else book
    rows = book.rows(ephemerides[key] for (ephemerides, _), mine in zip(looks, keys, strict=True) for key in mine)
    at_s = np.repeat([t_s for _, t_s in looks], [len(mine) for mine in keys])
    azimuth, elevation = directions(book, rows, at_s, leap_s, place_ecef_m)
    healthy, number = book.healthy[rows], book.number[rows]
    out, first = [], 0
    for mine in keys:
        part = slice(first, first + len(mine))
        out.append(SatelliteView(number[part] // 100, number[part] % 100, azimuth[part], elevation[part],
                                 healthy[part]))  # fmt: skip
        first += len(mine)
    return out


def directions(
    book: OrbitBook, rows: Ints, t_gpst_s: Floats, leap_s: float, place_ecef_m: Floats
) -> tuple[Floats, Floats]:
    """Azimuth and elevation (n,) of ephemerides ``rows`` at times (n,) from a place (3,). [rad]"""
    # 75 ms of travel: 0.1 degree needs no better, 0.01 degree neither (0.3 km of 20 000).
    states = book.states(rows, t_gpst_s - 0.075, leap_s, rough=True)
    sight = line_of_sight(states.pos_ecef_m, place_ecef_m)
    return sight.azimuth_rad, sight.elevation_rad


@dataclass(frozen=True)
class Obstruction:
    """A blocked part of the sky: azimuths [deg], up to which elevation [deg], and why it is thought so."""

    azimuth_from_deg: float
    azimuth_to_deg: float
    elevation_to_deg: float
    missing: int
    weak: int
    looks: int


@dataclass(frozen=True)
class SkyReport:
    """What the tally of a sky says. Strengths are of each satellite's strongest signal; NaN where none was told."""

    obstructions: tuple[Obstruction, ...]
    high_cn0_dbhz: float
    low_cn0_dbhz: float
    looks: int
    covered: float

    @property
    def is_weak(self) -> bool:
        """Whether even satellites high up come in weak: antenna, cable or interference."""
        return bool(self.high_cn0_dbhz < HIGH_CN0_POOR_DBHZ)

    def sentences(self) -> list[str]:
        """Plain words for a screen or a report."""
        said = []
        if self.is_weak:
            said.append(
                f"Satellites above 45 degrees come in at {self.high_cn0_dbhz:.0f} dB-Hz only: look at antenna, cable "
                "and connectors, then for interference."
            )
        for o in self.obstructions:
            said.append(
                f"Between azimuth {o.azimuth_from_deg:.0f} and {o.azimuth_to_deg:.0f} degrees the sky is blocked or "
                f"weak up to {o.elevation_to_deg:.0f} degrees ({o.missing} of {o.looks} looks missing, {o.weak} weak)."
            )
        return said


class SkyTally:
    """Counts looks at the sky by azimuth and elevation; memory is bounded by the number of satellites (4 kB each).

    A satellite counts as missing only if the receiver has tracked it at some other time: one that is never heard may
    be switched off at the base, or broken.
    """

    def __init__(self) -> None:
        self._place = np.full(_NUMBERS, -1, dtype=np.int64)  # row of a satellite in the two tables
        self._expected = np.zeros((0, N_SECTORS * N_BANDS), np.int64)
        self._heard = np.zeros((0, N_SECTORS * N_BANDS), np.int64)
        self._cn0 = np.zeros((N_SECTORS, N_BANDS, 64), np.int64)  # histogram of whole dB-Hz
        self.looks = 0

    def add(self, view: SatelliteView, system: Ints, satellite: Ints, cn0_dbhz: Floats) -> None:
        """One epoch: satellites that must be up (``view``), and the cells (N,) that were heard."""
        one, cells = np.zeros(len(view.system), np.int64), np.zeros(len(system), np.int64)
        self.add_many(1, one, view, cells, system, satellite, cn0_dbhz)

    def add_many(
        self, n: int, look: Ints, view: SatelliteView, cell_look: Ints, system: Ints, satellite: Ints, cn0_dbhz: Floats
    ) -> None:
        """The same for ``n`` epochs: ``look`` is the epoch of each satellite of ``view``, ``cell_look`` of each cell."""
        self.looks += n
        number = np.clip(100 * system + satellite, 0, _NUMBERS - 1)
        best = np.full(n * _NUMBERS, -np.inf)  # strongest signal of each satellite that was heard; -1: not told
        np.maximum.at(best, cell_look * _NUMBERS + number, np.where(np.isfinite(cn0_dbhz), cn0_dbhz, -1.0))
        # A constellation that this receiver does not track is no obstruction.
        tracked = np.zeros((n, _NUMBERS // 100), dtype=bool)
        tracked[cell_look, number // 100] = True
        up = np.isfinite(view.elevation_rad) & (view.elevation_rad > 0.0) & view.healthy & tracked[look, view.system]
        of = np.flatnonzero(up)
        sector = np.floor(np.degrees(view.azimuth_rad[of]) / (360.0 / N_SECTORS)).astype(np.int64) % N_SECTORS
        level = np.clip(np.floor(np.degrees(view.elevation_rad[of]) / 10.0), 0, N_BANDS - 1).astype(np.int64)
        place = self._places(100 * view.system[of] + view.satellite[of])
        strength = best[look[of] * _NUMBERS + 100 * view.system[of] + view.satellite[of]]
        heard = strength > -np.inf
        part = sector * N_BANDS + level
        np.add.at(self._expected, (place, part), 1)
        np.add.at(self._heard, (place[heard], part[heard]), 1)
        told = strength > 0.0
        np.add.at(self._cn0, (sector[told], level[told], np.minimum(strength[told], 63.0).astype(np.int64)), 1)

    def _places(self, number: Ints) -> Ints:
        """Rows of satellites in the tables, made for those that are new."""
        new = np.unique(number[self._place[number] < 0])
        if len(new):
            self._place[new] = len(self._expected) + np.arange(len(new))
            more = np.zeros((len(new), N_SECTORS * N_BANDS), np.int64)
            self._expected = np.concatenate((self._expected, more))
            self._heard = np.concatenate((self._heard, more))
        return np.asarray(self._place[number])

    def report(self) -> SkyReport:
        """Obstructions and strengths seen so far."""
        bins = np.arange(64)
        expected, heard = self._sums()
        by_level = self._cn0.sum(axis=0)
        blocked = np.zeros((N_SECTORS, N_BANDS), dtype=bool)
        weak = np.zeros((N_SECTORS, N_BANDS), np.int64)
        for level in range(N_BANDS):
            usual = _median(by_level[level])
            for sector in range(N_SECTORS):
                counts = self._cn0[sector, level]
                if np.isfinite(usual):
                    weak[sector, level] = int(counts[bins < usual - _WEAK_DB].sum())
                looks = int(expected[sector, level])
                missing = looks - int(heard[sector, level])
                if looks >= _LEAST_LOOKS and 10 * (level + 1) > MASK_DEG:
                    blocked[sector, level] = 2 * (missing + weak[sector, level]) > looks
        high = by_level[5:].sum(axis=0) + by_level[4] // 2
        low = by_level[1:3].sum(axis=0)
        return SkyReport(
            obstructions=tuple(_joined(blocked, weak, expected, heard)),
            high_cn0_dbhz=_median(high),
            low_cn0_dbhz=_median(low),
            looks=self.looks,
            covered=float(np.mean(expected[:, 1:8] > 0)),
        )

    def _sums(self) -> tuple[Ints, Ints]:
        """Looks expected and heard, (sectors, bands), of the satellites ever heard."""
        ever = self._heard.any(axis=1)
        expected, heard = (
            table[ever].sum(axis=0).reshape(N_SECTORS, N_BANDS) for table in (self._expected, self._heard)
        )
        return expected, heard

    def blocked(self) -> Bools:
        """(sectors, bands) True where the sky is blocked; for forecasts."""
        mask = np.zeros((N_SECTORS, N_BANDS), dtype=bool)
        width = 360.0 / N_SECTORS
        for o in self.report().obstructions:
            first, last = int(o.azimuth_from_deg / width), int(np.ceil(o.azimuth_to_deg / width))
            for sector in range(first, last if last > first else last + N_SECTORS):
                mask[sector % N_SECTORS, : int(o.elevation_to_deg / 10.0)] = True
        return mask


def _joined(blocked: Bools, weak: Ints, expected: Ints, heard: Ints) -> list[Obstruction]:
    """Neighbouring blocked sectors as one; whatever is below a blocked part is blocked too."""
    top = np.where(blocked.any(axis=1), N_BANDS - np.argmax(blocked[:, ::-1], axis=1), 0)
    width = 360.0 / N_SECTORS
    out: list[Obstruction] = []
    sectors = [i for i in range(N_SECTORS) if top[i]]
    runs: list[list[int]] = []
    for i in sectors:
        if runs and runs[-1][-1] == i - 1:
            runs[-1].append(i)
        else:
            runs.append([i])
    if len(runs) > 1 and runs[0][0] == 0 and runs[-1][-1] == N_SECTORS - 1:
        runs[0] = runs.pop() + runs[0]
    for run in runs:
        level = int(top[run].max())
        part = expected[run, :level]
        out.append(Obstruction(
            azimuth_from_deg=run[0] * width,
            azimuth_to_deg=((run[-1] + 1) * width - 1e-9) % 360.0 + 1e-9,
            elevation_to_deg=level * 10.0,
            missing=int((part - heard[run, :level]).sum()),
            weak=int(weak[run, :level].sum()),
            looks=int(part.sum()),
        ))  # fmt: skip
    return out


def _median(counts: Ints) -> float:
    """Median of whole numbers from their histogram; NaN of none."""
    total = int(counts.sum())
    return float(np.searchsorted(np.cumsum(counts), (total + 1) // 2)) if total else float("nan")


@dataclass(frozen=True)
class CommonSky:
    """Satellites of base and rover, as RINEX names; what the rover should see and does not, and how many are shared."""

    common: tuple[str, ...]
    rover_misses: tuple[str, ...]
    base_misses: tuple[str, ...]

    def sentence(self) -> str:
        """One line for the screen."""
        missing = f"; the rover should see and does not: {', '.join(self.rover_misses)}" if self.rover_misses else ""
        return f"{len(self.common)} satellites common to base and rover{missing}"


def common_sky(
    view_from_rover: SatelliteView,
    at_base: set[tuple[int, int]],
    at_rover: set[tuple[int, int]],
    *,
    mask_deg: float = MASK_DEG,
) -> CommonSky:
    """Compare the satellites of base and rover: sets of (system, satellite), and the sky at the rover.

    ``rover_misses`` are tracked by the base, above the rover's mask, in a constellation that the rover uses, and not
    tracked there; ``base_misses`` the other way round.
    """
    view = view_from_rover
    elevation = {
        (int(s), int(n)): float(e) for s, n, e in zip(view.system, view.satellite, view.elevation_rad, strict=True)
    }
    rover_systems, base_systems = {key[0] for key in at_rover}, {key[0] for key in at_base}
    mask_rad = np.radians(mask_deg)
    misses = sorted(k for k in at_base - at_rover if k[0] in rover_systems and elevation.get(k, -1.0) > mask_rad)
    base_misses = sorted(k for k in at_rover - at_base if k[0] in base_systems and elevation.get(k, -1.0) > mask_rad)
    return CommonSky(
        common=tuple(satellite_name(*key) for key in sorted(at_base & at_rover)),
        rover_misses=tuple(satellite_name(*key) for key in misses),
        base_misses=tuple(satellite_name(*key) for key in base_misses),
    )
