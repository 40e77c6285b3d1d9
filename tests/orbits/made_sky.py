"""Observations of a made constellation at a chosen place, with chosen errors. Uses our orbits (checked elsewhere)."""

from __future__ import annotations

import numpy as np
from tests.orbits.orbit_helpers import LEAP_S

from hubtack.decode.tables import FRAME_COLUMNS, SATELLITE_COLUMNS, STATION_COLUMNS, Decoded, Rows
from hubtack.geo import ecef_to_geodetic, geodetic_to_ecef
from hubtack.orbits import atmosphere
from hubtack.orbits.ephemeris import parse_ephemeris
from hubtack.orbits.satellites import line_of_sight, satellite_states
from hubtack.orbits.signals import SPEED_OF_LIGHT_M_S, band, frequency_hz, group_delay_s

SIGNALS = {1: (2, 10), 2: (2, 8), 3: (2, 14), 4: (2, 8)}
PLACE = geodetic_to_ecef(np.array([-44.87]), np.array([169.12]), np.array([214.0]))[0]


def observe(
    payloads,
    place,
    t_s,
    rng,
    *,
    noise_m=0.3,
    bias_m=None,
    clock_s=3e-5,
    phase_noise_m=0.002,
    iono_scale=1.0,
    signals=SIGNALS,
    mask_deg=8.0,
    tropo_scale=1.0,
    move_m=(0.0, 0.0, 0.0),
):
    """Cells (dict of columns) at time ``t_s``; ``bias_m`` maps (system, satellite) to a range error."""
    ephemerides = [parse_ephemeris(p) for p in payloads]
    place = place + np.asarray(move_m)
    lat, lon, h = (float(v[0]) for v in ecef_to_geodetic(place[None]))
    travel = np.full(len(ephemerides), 0.075)
    for _ in range(4):
        states = satellite_states(ephemerides, t_s - clock_s - travel, LEAP_S)
        sight = line_of_sight(states.pos_ecef_m, place)
        travel = sight.range_m / SPEED_OF_LIGHT_M_S
    rows = []
    for i, e in enumerate(ephemerides):
        el = sight.elevation_rad[i]
        if el < np.radians(mask_deg):
            continue
        one = np.array([el])
        tropo = tropo_scale * atmosphere.troposphere_zenith_m(lat, h) * float(atmosphere.troposphere_mapping(one)[0])
        iono = iono_scale * float(atmosphere.klobuchar_m(lat, lon, sight.azimuth_rad[i : i + 1], one, t_s)[0])
        for signal in signals[e.system]:
            f = frequency_hz(e.system, signal, e.channel)
            common = sight.range_m[i] + SPEED_OF_LIGHT_M_S * (clock_s - states.clock_s[i]) + tropo
            common += (bias_m or {}).get((e.system, e.satellite), 0.0)
            factor = atmosphere.ionosphere_factor(f)
            code = common + iono * factor + SPEED_OF_LIGHT_M_S * group_delay_s(e, band(e.system, signal))
            rows.append({
                "system": e.system, "satellite": e.satellite, "signal": signal,
                "pseudorange_m": code + rng.normal(0, noise_m / np.sin(el)),
                "phase_range_m": common - iono * factor + 1000.0 * e.satellite + rng.normal(0, phase_noise_m / np.sin(el)),
                "cn0_dbhz": 35.0 + 13.0 * np.sin(el), "lock_ms": 1e5, "glonass_channel": e.channel,
                "elevation_rad": el, "azimuth_rad": sight.azimuth_rad[i],
            })  # fmt: skip
    return {key: np.array([row[key] for row in rows], dtype=float) for key in rows[0]}


def decoded(cells, t_s, *, payloads=(), arp=None, station=7.0):
    """A ``Decoded`` as the decoder would give it for one epoch."""
    out = Decoded()
    if cells is not None:
        n = len(cells["system"])
        frames = np.full((1, len(FRAME_COLUMNS)), np.nan)
        for name, value in (
            ("type", 1077.0),
            ("station_id", station),
            ("utc_ms_of_week", (t_s - LEAP_S) % 604_800.0 * 1000.0),
        ):
            frames[0, FRAME_COLUMNS.index(name)] = value
        values = np.zeros((n, len(SATELLITE_COLUMNS)))
        for i, name in enumerate(SATELLITE_COLUMNS):
            values[:, i] = cells.get(name, np.zeros(n))
        out.frames = Rows("frames", np.zeros(1, np.int64), np.ones(1, np.int64), frames)
        out.satellites = Rows("satellites", np.zeros(n, np.int64), np.ones(n, np.int64), values)
    if arp is not None:
        row = dict.fromkeys(STATION_COLUMNS, 0.0) | {"type": 1005.0, "station_id": station}
        row |= {"x_m": arp[0], "y_m": arp[1], "z_m": arp[2]}
        out.stations = Rows.of("stations", [(0, 1, [row[name] for name in STATION_COLUMNS])])
    out.payloads = [(0, 1, p[0] << 4 | p[1] >> 4, p) for p in payloads]
    return out
