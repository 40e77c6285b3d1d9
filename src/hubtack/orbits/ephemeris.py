"""Ephemerides from the payloads of RTCM messages 1019, 1020, 1042, 1044, 1045 and 1046.

A payload that is too short, or whose values no satellite can have, gives None: a bad ephemeris must not move a base.
Weeks are kept as sent and not used: reference times are taken modulo a week (GLONASS: a day), which is exact while
an ephemeris is younger than half of that.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.knowledge.leap_seconds import BEIDOU_BEHIND_GPS_S
from hubtack.knowledge.messages import BEIDOU, GALILEO, GLONASS, GPS, QZSS
from hubtack.orbits.layouts import LAYOUTS

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

WEEK_S = 604_800.0
DAY_S = 86_400.0
SYSTEM_OF_MESSAGE = {1019: GPS, 1020: GLONASS, 1042: BEIDOU, 1044: QZSS, 1045: GALILEO, 1046: GALILEO}
_NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Ephemeris:
    """One broadcast ephemeris; the Kepler fields are NaN for GLONASS, the state vector is NaN for the others.

    ``satellite`` is the number within its constellation (QZSS 1 is PRN 193). ``toe_s`` and ``toc_s`` are seconds of
    the GPS week (BeiDou's 14 s added); ``tb_utc_s`` is GLONASS's reference time in seconds of the UTC day. Clock:
    ``af0_s`` [s], ``af1`` [s/s], ``af2`` [s/s2]; for GLONASS ``af0_s`` is minus tau and ``af1`` gamma.
    """

    message: int
    system: int
    satellite: int
    issue: int
    healthy: bool
    toe_s: float = _NAN
    toc_s: float = _NAN
    af0_s: float = _NAN
    af1: float = _NAN
    af2: float = 0.0
    sqrt_a: float = _NAN
    e: float = _NAN
    m0_rad: float = _NAN
    delta_n_rad_s: float = _NAN
    i0_rad: float = _NAN
    idot_rad_s: float = _NAN
    omega0_rad: float = _NAN
    omega_rad: float = _NAN
    omega_dot_rad_s: float = _NAN
    crs_m: float = _NAN
    crc_m: float = _NAN
    cus_rad: float = _NAN
    cuc_rad: float = _NAN
    cis_rad: float = _NAN
    cic_rad: float = _NAN
    tgd_s: float = _NAN
    tgd2_s: float = _NAN
    bgd_e5a_s: float = _NAN
    bgd_e5b_s: float = _NAN
    week: int = -1
    tb_utc_s: float = _NAN
    channel: int = 99
    delta_tau_s: float = _NAN
    state_m: tuple[float, ...] = ()  # x, y, z, vx, vy, vz, ax, ay, az in PZ-90, rotating frame [m, m/s, m/s2]


def read_fields(payload: bytes) -> dict[str, float] | None:
    """Scaled fields of one ephemeris payload by their names in ``layouts``; None if it is not one or too short."""
    if len(payload) < 2:
        return None
    layout = LAYOUTS.get(payload[0] << 4 | payload[1] >> 4)
    if layout is None:
        return None
    left = len(payload) * 8
    if sum(field.bits for field in layout) > left:
        return None
    whole = int.from_bytes(payload, "big")
    values: dict[str, float] = {}
    for name, kind, bits, scale in layout:
        left -= bits
        raw = whole >> left & (1 << bits) - 1
        top = 1 << bits - 1
        if kind == "i" and raw & top:
            raw -= 1 << bits
        elif kind == "s" and raw & top:
            raw = -(raw ^ top)
        values[name] = raw * scale
    return values


def parse_ephemeris(payload: bytes) -> Ephemeris | None:
    """The ephemeris in one RTCM payload (without preamble, length and CRC); None where there is no sound one.

    References
    ----------
    RTCM 10403.3, messages 1019, 1020, 1042, 1044, 1045, 1046; IS-GPS-200 table 20-III for the meaning.
    """
    values = read_fields(payload)
    if values is None:
        return None
    message = int(values["type"])
    if message == 1020:
        return _glonass(values)
    system = SYSTEM_OF_MESSAGE[message]
    shift_s = float(BEIDOU_BEHIND_GPS_S) if system == BEIDOU else 0.0
    if not (0.0 <= values["e"] < 0.5 and 4000.0 < values["sqrt_a"] < 7500.0 and values["satellite"] > 0):
        return None
    if values["toe_s"] >= WEEK_S or values["toc_s"] >= WEEK_S:
        return None
    health = ("health", "health_e5a", "invalid_e5a", "health_e5b", "invalid_e5b", "health_e1", "invalid_e1")
    return Ephemeris(
        message=message,
        system=system,
        satellite=int(values["satellite"]),
        issue=int(values["iode"]),
        healthy=not any(values.get(key, 0.0) for key in health),
        toe_s=(values["toe_s"] + shift_s) % WEEK_S,
        toc_s=(values["toc_s"] + shift_s) % WEEK_S,
        week=int(values["week"]),
        af0_s=values["af0_s"],
        af1=values["af1"],
        af2=values["af2"],
        sqrt_a=values["sqrt_a"],
        e=values["e"],
        m0_rad=values["m0_rad"],
        delta_n_rad_s=values["delta_n_rad_s"],
        i0_rad=values["i0_rad"],
        idot_rad_s=values["idot_rad_s"],
        omega0_rad=values["omega0_rad"],
        omega_rad=values["omega_rad"],
        omega_dot_rad_s=values["omega_dot_rad_s"],
        crs_m=values["crs_m"],
        crc_m=values["crc_m"],
        cus_rad=values["cus_rad"],
        cuc_rad=values["cuc_rad"],
        cis_rad=values["cis_rad"],
        cic_rad=values["cic_rad"],
        tgd_s=values.get("tgd_s", _NAN),
        tgd2_s=values.get("tgd2_s", _NAN),
        bgd_e5a_s=values.get("bgd_e5a_s", _NAN),
        bgd_e5b_s=values.get("bgd_e5b_s", _NAN),
    )


def _glonass(values: dict[str, float]) -> Ephemeris | None:
    """GLONASS: a state vector at tb, given in Moscow time (UTC + 3 h)."""
    keys = ("x_m", "y_m", "z_m", "vx_m_s", "vy_m_s", "vz_m_s", "ax_m_s2", "ay_m_s2", "az_m_s2")
    state = tuple(values[key] for key in keys)
    radius_m = (state[0] ** 2 + state[1] ** 2 + state[2] ** 2) ** 0.5
    if not (24e6 < radius_m < 27e6 and 1 <= values["satellite"] <= 32):
        return None
    # The highest bit of Bn, and ln of the third string, say "do not use" (GLONASS ICD 5.1, table 5.1).
    return Ephemeris(
        message=1020,
        system=GLONASS,
        satellite=int(values["satellite"]),
        issue=int(values["tb_s"] // 900.0),
        healthy=not (values["unhealthy"] or values["ln_third"]),
        af0_s=-values["tau_s"],
        af1=values["gamma"],
        tb_utc_s=(values["tb_s"] - 10_800.0) % DAY_S,
        channel=int(values["channel_plus_7"]) - 7,
        delta_tau_s=values["delta_tau_s"],
        state_m=state,
    )


def age_s(ephemeris: Ephemeris, t_gpst_s: float, leap_s: float) -> float:
    """Time since an ephemeris's reference time, negative before it; ``t_gpst_s`` is seconds of the GPS week. [s]"""
    if ephemeris.system == GLONASS:
        behind = t_gpst_s - leap_s - ephemeris.tb_utc_s
        return (behind + DAY_S / 2) % DAY_S - DAY_S / 2
    return (t_gpst_s - ephemeris.toe_s + WEEK_S / 2) % WEEK_S - WEEK_S / 2


# Half the span for which the interface documents let an ephemeris serve, with some slack for streams that lag:
# GPS and QZSS fit 4 h around toe; Galileo and BeiDou renew each 10 min to 1 h and hold 4 h; GLONASS 15 min around tb.
LONGEST_AGE_S = {GPS: 7_500.0, QZSS: 7_500.0, GALILEO: 14_400.0, BEIDOU: 7_500.0, GLONASS: 1_900.0}


_MOST_SEEN = 1000  # of some 60 bytes each


class EphemerisStore:
    """The newest two ephemerides of each satellite and message, out of a stream; hands out the one nearest in time."""

    def __init__(self) -> None:
        self._kept: dict[tuple[int, int, int], list[Ephemeris]] = {}
        self._seen: dict[bytes, None] = {}
        self.version = 0  # grows with each ephemeris that is new
        self._sorted: tuple[int, list[Ephemeris], Ints, Floats, Floats, Floats, Floats, Floats] | None = None

    def __len__(self) -> int:
        """Number of satellites with an ephemeris."""
        return len({(system, satellite) for system, satellite, _ in self._kept})

    def all(self) -> Iterator[Ephemeris]:
        """Every ephemeris that is kept."""
        for kept in self._kept.values():
            yield from kept

    def add(self, ephemeris: Ephemeris) -> None:
        """Keep an ephemeris; the same one again changes nothing, a third reference time drops the oldest received."""
        kept = self._kept.setdefault((ephemeris.system, ephemeris.satellite, ephemeris.message), [])
        for i, old in enumerate(kept):
            if (old.toe_s == ephemeris.toe_s or old.tb_utc_s == ephemeris.tb_utc_s) and old.issue == ephemeris.issue:
                if old != ephemeris:
                    kept[i] = ephemeris
                    self.version += 1
                return
        kept.append(ephemeris)
        self.version += 1
        del kept[:-2]

    def add_payloads(self, payloads: Iterable[bytes]) -> int:
        """Keep every sound ephemeris among payloads; returns how many there were that had not come before.

        A base repeats each of them for hours: what was read once is known by its bytes.
        """
        found = 0
        for payload in payloads:
            if payload in self._seen:
                continue
            if len(self._seen) >= _MOST_SEEN:
                self._seen.clear()
            self._seen[payload] = None
            ephemeris = parse_ephemeris(payload)
            if ephemeris is not None:
                self.add(ephemeris)
                found += 1
        return found

    def nearest(
        self, t_gpst_s: float, leap_s: float, *, longest_age_factor: float = 1.0
    ) -> dict[tuple[int, int], Ephemeris]:
        """For each (system, satellite) the ephemeris nearest to a time, within its validity times a factor.

        Galileo I/NAV (1046) wins over F/NAV (1045) where both serve: its clock fits E1 with E5b and alone.
        """
        every, (found,) = self.nearest_many(t_gpst_s, leap_s, (longest_age_factor,))
        return {(every[i].system, every[i].satellite): every[i] for i in found.tolist()}

    def nearest_many(
        self, t_gpst_s: float, leap_s: float, factors: Iterable[float]
    ) -> tuple[list[Ephemeris], list[Ints]]:
        """The same for several factors: every ephemeris there is, and which serve, by system and number.

        The list is the same object while ``version`` does not change.
        """
        if self._sorted is None or self._sorted[0] != self.version:
            self._sorted = (self.version, *_columns([e for _, kept in sorted(self._kept.items()) for e in kept]))
        _, every, number, reference_s, period_s, behind, longest_s, penalty_s = self._sorted
        age_s = np.abs((t_gpst_s - leap_s * behind - reference_s + period_s / 2) % period_s - period_s / 2)
        order = np.lexsort((age_s + penalty_s, number))
        out = []
        for factor in factors:
            fits = order[age_s[order] <= longest_s[order] * factor]
            mine = number[fits]
            out.append(fits[np.concatenate((mine[:1] >= 0, np.diff(mine) != 0))])
        return every, out


def _columns(every: list[Ephemeris]) -> tuple[list[Ephemeris], Ints, Floats, Floats, Floats, Floats, Floats]:
    """Ephemerides with what their age and rank are worked out from."""
    rows = [
        (100 * e.system + e.satellite, e.tb_utc_s, DAY_S, 1.0, LONGEST_AGE_S[e.system], 0.0)
        if e.system == GLONASS
        else (100 * e.system + e.satellite, e.toe_s, WEEK_S, 0.0, LONGEST_AGE_S[e.system],
              10.0 * WEEK_S if e.message == 1045 else 0.0)
        for e in every
    ]  # fmt: skip
    table = np.array(rows, dtype=np.float64).reshape(len(rows), 6).T
    return every, table[0].astype(np.int64), table[1], table[2], table[3], table[4], table[5]
