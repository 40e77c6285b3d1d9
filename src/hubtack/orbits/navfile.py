"""Ephemerides from a RINEX navigation file, for streams that carry none. The one module here that reads a file.

Reading is left to georinex, a general library kept as the extra ``rinex``. GPS, Galileo, BeiDou, QZSS and GLONASS are
taken; the file's time tags are those of each system.
"""

from __future__ import annotations

import importlib
import math
import warnings
from pathlib import Path
from typing import Any

import numpy as np

from hubtack.errors import LogFormatError, UsageError
from hubtack.knowledge.leap_seconds import BEIDOU_BEHIND_GPS_S
from hubtack.knowledge.messages import BEIDOU, GALILEO, GLONASS, GPS, QZSS
from hubtack.orbits.calendar import BEIDOU_WEEK0, GALILEO_WEEK0
from hubtack.orbits.ephemeris import DAY_S, WEEK_S, Ephemeris

_SYSTEMS = {"G": (GPS, 1019), "R": (GLONASS, 1020), "E": (GALILEO, 1046), "C": (BEIDOU, 1042), "J": (QZSS, 1044)}
_SUNDAY = np.datetime64("1980-01-06T00:00:00", "ns")
# RINEX 3.05 appendix A8: bit 8 of the Galileo data source says the clock is that of E1 with E5a (F/NAV).
_FNAV_BIT = 1 << 8


def read_rinex_nav(path: Path) -> list[Ephemeris]:
    """All sound ephemerides of a RINEX 2 or 3 navigation file.

    Raises
    ------
    UsageError
        If georinex is not installed.
    LogFormatError
        If the file cannot be read as RINEX navigation data.
    """
    try:
        georinex: Any = importlib.import_module("georinex")
    except ImportError as err:
        raise UsageError("reading RINEX files needs georinex: install hubtack with its extra 'rinex'") from err
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FutureWarning)  # of the library's own table library, one a record
            data: Any = georinex.load(path)
        is_nav = ("sv" in data.dims and "sqrtA" in data.data_vars) or "dX" in data.data_vars
    except Exception as err:  # georinex raises whatever its parsing stumbled over
        raise LogFormatError(f"{path}: not a RINEX navigation file that can be read ({err}); give a .nav or .rnx file of "
                             "broadcast ephemerides") from err  # fmt: skip
    if not is_nav:
        raise LogFormatError(f"{path}: RINEX, but without broadcast ephemerides; give a navigation file")
    found = []
    for name in (str(v) for v in data.sv.values):
        if name[0] not in _SYSTEMS:
            continue
        one = data.sel(sv=name)
        columns = {key: np.asarray(one[key].values, dtype=np.float64) for key in one.data_vars}
        for i, when in enumerate(one.time.values):
            # One table for all systems: what a system lacks is NaN there, and is left out here.
            fields = {key: float(values[i]) for key, values in columns.items() if math.isfinite(values[i])}
            ephemeris = _glonass(name, when, fields) if name[0] == "R" else _kepler(name, when, fields)
            if ephemeris is not None:
                found.append(ephemeris)
    if not found:
        raise LogFormatError(f"{path}: no ephemeris of GPS, GLONASS, Galileo, BeiDou or QZSS in it")
    return found


def _seconds(when: Any, period_s: float) -> float:
    """Seconds of week or day of a time tag."""
    return float((when - _SUNDAY) / np.timedelta64(1, "ns")) * 1e-9 % period_s


def _number(name: str) -> int:
    """Satellite number out of a name such as "E11" or "E11_1" (georinex marks repeated ones so)."""
    return int(name[1:3])


def _kepler(name: str, when: Any, f: dict[str, float]) -> Ephemeris | None:
    """Ephemeris with Kepler elements; None for an empty slot of the table."""
    system, message = _SYSTEMS[name[0]]
    if not (f.get("sqrtA", math.nan) > 4000.0 and 0.0 <= f.get("Eccentricity", math.nan) < 0.5):
        return None
    shift_s = float(BEIDOU_BEHIND_GPS_S) if system == BEIDOU else 0.0
    if system == GALILEO and int(f.get("DataSrc", 0.0)) & _FNAV_BIT:
        message = 1045
    nan = math.nan
    return Ephemeris(
        message=message,
        system=system,
        satellite=_number(name),
        issue=int(f.get("IODE", f.get("IODnav", f.get("AODE", 0.0)))),
        healthy=not f.get("health", f.get("SatH1", 0.0)),
        week=_own_week(system, when),
        toe_s=(f["Toe"] + shift_s) % WEEK_S,
        toc_s=(_seconds(when, WEEK_S) + shift_s) % WEEK_S,
        af0_s=f["SVclockBias"],
        af1=f["SVclockDrift"],
        af2=f["SVclockDriftRate"],
        sqrt_a=f["sqrtA"],
        e=f["Eccentricity"],
        m0_rad=f["M0"],
        delta_n_rad_s=f["DeltaN"],
        i0_rad=f["Io"],
        idot_rad_s=f["IDOT"],
        omega0_rad=f["Omega0"],
        omega_rad=f["omega"],
        omega_dot_rad_s=f["OmegaDot"],
        crs_m=f["Crs"],
        crc_m=f["Crc"],
        cus_rad=f["Cus"],
        cuc_rad=f["Cuc"],
        cis_rad=f["Cis"],
        cic_rad=f["Cic"],
        tgd_s=f.get("TGD", f.get("TGD1", nan)),
        tgd2_s=f.get("TGD2", nan),
        bgd_e5a_s=f.get("BGDe5a", nan),
        bgd_e5b_s=f.get("BGDe5b", nan),
    )


def _own_week(system: int, when: Any) -> int:
    """The week of a time tag as the system's own message counts it (see ``calendar``)."""
    week = int((when - _SUNDAY) / np.timedelta64(7, "D"))
    if system in (GPS, QZSS):
        return week % 1024
    return week - (GALILEO_WEEK0 if system == GALILEO else BEIDOU_WEEK0)


def _glonass(name: str, when: Any, f: dict[str, float]) -> Ephemeris | None:
    """State vector; georinex gives metres, RINEX UTC and minus tau. RINEX 3.04 lacks the delay of the second band."""
    keys = ("X", "Y", "Z", "dX", "dY", "dZ", "dX2", "dY2", "dZ2")
    state = tuple(f.get(key, math.nan) for key in keys)
    if not all(map(math.isfinite, state)):
        return None
    tb_utc_s = _seconds(when, DAY_S)
    return Ephemeris(
        message=1020,
        system=GLONASS,
        satellite=_number(name),
        issue=int(((tb_utc_s + 10_800.0) % DAY_S) // 900.0),
        healthy=not f.get("health", 0.0),
        af0_s=f["SVclockBias"],
        af1=f["SVrelFreqBias"],
        tb_utc_s=tb_utc_s,
        channel=int(f.get("FreqNum", 99.0)),
        delta_tau_s=0.0,
        state_m=state,
    )
