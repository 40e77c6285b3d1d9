"""Broadcast ephemerides of circular orbits: 1019, 1020, 1042 and 1046.

With eccentricity and argument of perigee zero the mean anomaly is the argument of latitude. Layouts: RTCM 10403.3 by
way of field lists seen in pyrtcm 1.2.1; scales of the GLONASS clock and of tb from the GLONASS ICD 5.1, from memory.
"""

from __future__ import annotations

import math

from hubtack.simulate.encode import Bits
from hubtack.simulate.sky import BEIDOU, GALILEO, GLONASS, GLONASS_CHANNELS, GPS, LEAP_S, SHELLS, WEEK_S, Orbits

DAY_S = 86_400
MOSCOW_AHEAD_S = 10_800
_GALILEO_WEEK_ZERO, _BEIDOU_WEEK_ZERO = 1024, 1356  # GPS weeks (Galileo OS SIS ICD; BDS-SIS-ICD)


def ephemeris(orbits: Orbits, system: int, satellite: int, t_s: float) -> bytes:
    """The frame in force at ``t_s`` seconds after the session's start; ``satellite`` counts from 0."""
    if system == GLONASS:
        return _glonass(orbits, satellite, t_s)
    return _KEPLER[system](orbits, satellite, t_s)


def _half_turns(angle_rad: float) -> int:
    """An angle in semicircles on steps of 2^-31, between -1 and 1."""
    turns = angle_rad / math.pi
    turns -= 2.0 * round(turns / 2.0)
    return max(-(1 << 31), min((1 << 31) - 1, round(turns * 2.0**31)))


def _clock(orbits: Orbits, system: int, satellite: int, week: int, toe_s: int) -> tuple[float, float]:
    """Offset at the reference time [s] and drift."""
    shell = SHELLS[system]
    start = orbits.week * WEEK_S + orbits.sow_s - shell.behind_gps_s
    offset, drift = (float(v) for v in orbits.clock[system][satellite])
    return offset + drift * (week * WEEK_S + toe_s - start), drift


def _gps(orbits: Orbits, satellite: int, t_s: float) -> bytes:
    e = orbits.elements(GPS, satellite, t_s)
    shell = SHELLS[GPS]
    offset, drift = _clock(orbits, GPS, satellite, e.week, e.toe_s)
    issue = e.toe_s // shell.toe_step_s % 256
    bits = Bits().put(1019, 12).put(satellite + 1, 6).put(e.week % 1024, 10).put(0, 4).put(1, 2).put(0, 14)
    bits.put(issue, 8).put(e.toe_s // 16, 16).put(0, 8).put(round(drift * 2**43), 16).put(round(offset * 2**31), 22)
    bits.put(issue, 10).put(0, 16).put(0, 16).put(_half_turns(e.latitude_rad), 32).put(0, 16).put(0, 32).put(0, 16)
    bits.put(round(shell.radius_m**0.5 * 2**19), 32).put(e.toe_s // 16, 16).put(0, 16).put(_half_turns(e.node_rad), 32)
    bits.put(0, 16).put(_half_turns(math.radians(shell.inclination_deg)), 32).put(0, 16).put(0, 32).put(0, 24)
    return bits.put(0, 8).put(0, 6).put(0, 1).put(0, 1).frame()


def _galileo(orbits: Orbits, satellite: int, t_s: float) -> bytes:
    e = orbits.elements(GALILEO, satellite, t_s)
    shell = SHELLS[GALILEO]
    offset, drift = _clock(orbits, GALILEO, satellite, e.week, e.toe_s)
    bits = Bits().put(1046, 12).put(satellite + 1, 6).put((e.week - _GALILEO_WEEK_ZERO) % 4096, 12)
    bits.put(e.toe_s // shell.toe_step_s % 1024, 10).put(107, 8).put(0, 14).put(e.toe_s // 60, 14).put(0, 6)
    bits.put(round(drift * 2**46), 21).put(round(offset * 2**34), 31).put(0, 16).put(0, 16)
    bits.put(_half_turns(e.latitude_rad), 32).put(0, 16).put(0, 32).put(0, 16)
    bits.put(round(shell.radius_m**0.5 * 2**19), 32).put(e.toe_s // 60, 14).put(0, 16).put(_half_turns(e.node_rad), 32)
    bits.put(0, 16).put(_half_turns(math.radians(shell.inclination_deg)), 32).put(0, 16).put(0, 32).put(0, 24)
    return bits.put(0, 10).put(0, 10).put(0, 2).put(0, 1).put(0, 2).put(0, 1).put(0, 2).frame()


def _beidou(orbits: Orbits, satellite: int, t_s: float) -> bytes:
    e = orbits.elements(BEIDOU, satellite, t_s)
    shell = SHELLS[BEIDOU]
    offset, drift = _clock(orbits, BEIDOU, satellite, e.week, e.toe_s)
    issue = e.toe_s // shell.toe_step_s % 24
    bits = Bits().put(1042, 12).put(beidou_number(satellite), 6).put(e.week - _BEIDOU_WEEK_ZERO, 13).put(0, 4)
    bits.put(0, 14).put(issue, 5).put(e.toe_s // 8, 17).put(0, 11).put(round(drift * 2**50), 22)
    bits.put(round(offset * 2**33), 24).put(issue, 5).put(0, 18).put(0, 16).put(_half_turns(e.latitude_rad), 32)
    bits.put(0, 18).put(0, 32).put(0, 18).put(round(shell.radius_m**0.5 * 2**19), 32).put(e.toe_s // 8, 17)
    bits.put(0, 18).put(_half_turns(e.node_rad), 32).put(0, 18).put(
        _half_turns(math.radians(shell.inclination_deg)), 32
    )
    return bits.put(0, 18).put(0, 32).put(0, 24).put(0, 10).put(0, 10).put(0, 1).frame()


_KEPLER = {GPS: _gps, GALILEO: _galileo, BEIDOU: _beidou}


def beidou_number(satellite: int) -> int:
    """Satellite number of a medium-orbit slot: 19 to 42 (C01 to C18 stand elsewhere: BDS-SIS-ICD)."""
    return satellite + 19


def _glonass(orbits: Orbits, satellite: int, t_s: float) -> bytes:
    """State vector at the nearest half hour of Moscow time, so that no reader integrates over more than 15 minutes."""
    utc_s = orbits.sow_s + t_s - LEAP_S
    moscow_s = utc_s + MOSCOW_AHEAD_S
    tb_s = round(moscow_s / 1800.0) * 1800
    state = orbits.glonass_state(satellite, tb_s - MOSCOW_AHEAD_S + LEAP_S - orbits.sow_s)
    offset, drift = (float(v) for v in orbits.clock[GLONASS][satellite])
    offset += drift * (tb_s - MOSCOW_AHEAD_S + LEAP_S - orbits.sow_s)
    of_day = int(moscow_s % DAY_S)
    days = (orbits.week * WEEK_S + utc_s + MOSCOW_AHEAD_S) // DAY_S  # since 6 January 1980
    four_years, day_number = _calendar(int(days))
    bits = Bits().put(1020, 12).put(satellite + 1, 6).put(GLONASS_CHANNELS[satellite] + 7, 5).put(1, 1).put(1, 1)
    bits.put(1, 2).put(of_day // 3600, 5).put(of_day // 60 % 60, 6).put(of_day // 30 % 2, 1).put(0, 1).put(0, 1)
    bits.put(int(tb_s % DAY_S) // 900, 7)
    for axis in range(3):
        bits.sign_magnitude(round(state[axis + 3] / 1000 * 2**20), 24)
        bits.sign_magnitude(round(state[axis] / 1000 * 2**11), 27)
        bits.sign_magnitude(0, 5)
    # The message's clock correction is what must be added to the satellite's: the offset with its sign turned.
    bits.put(0, 1).sign_magnitude(round(drift * 2**40), 11).put(0, 2).put(0, 1).sign_magnitude(
        round(-offset * 2**30), 22
    )
    bits.sign_magnitude(0, 5).put(0, 5).put(0, 1).put(1, 4).put(day_number, 11).put(1, 2).put(0, 1).put(0, 11)
    return bits.put(0, 32).put(four_years, 5).put(0, 22).put(0, 1).put(0, 7).frame()


def _calendar(days: int) -> tuple[int, int]:
    """Four-year interval since 1996 (from 1) and day in it (from 1), of days since 6 January 1980."""
    since_1996 = days - 5839  # 1 January 1996 is day 5839
    return since_1996 // 1461 + 1, since_1996 % 1461 + 1
