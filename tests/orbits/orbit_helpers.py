"""Made-up but physical ephemerides, their RTCM payloads, and pseudoranges to them, for tests."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from hubtack.orbits.layouts import LAYOUTS

SATELLITE_MESSAGES = {1019: 1, 1042: 4, 1044: 5, 1045: 3, 1046: 3}
LEAP_S = 18.0
T0_S = 318_000.0  # seconds of the GPS week


def real_stream(name: str) -> Path | None:
    """A recorded stream by its name, where the folder of recorded streams is named in the environment."""
    folder = os.environ.get("HUBTACK_STREAMS")
    path = Path(folder, name) if folder else None
    return path if path is not None and path.exists() else None


def encode(message: int, values: dict[str, float]) -> bytes:
    """Payload of a message from scaled values; what is not given is 0."""
    bits, width = 0, 0
    for field in LAYOUTS[message]:
        raw = message if field.name == "type" else round(values.get(field.name, 0.0) / field.scale)
        top = 1 << field.bits
        if field.kind == "s" and raw < 0:
            raw = -raw | top >> 1
        assert -top // 2 <= raw < top, field
        bits = bits << field.bits | raw % top
        width += field.bits
    pad = -width % 8
    return (bits << pad).to_bytes((width + pad) // 8, "big")


def kepler_values(message: int, satellite: int, rng: np.random.Generator, **over: float) -> dict[str, float]:
    """Plausible elements of a satellite, spread over the sky by ``rng``."""
    a_m = {1019: 26_559_700.0, 1042: 27_906_100.0, 1044: 42_164_000.0, 1045: 29_600_300.0, 1046: 29_600_300.0}[message]
    toe = T0_S - (14.0 if message == 1042 else 0.0)
    toe = {1019: 16.0, 1044: 16.0, 1042: 8.0}.get(message, 60.0) * round(
        toe / {1019: 16.0, 1044: 16.0, 1042: 8.0}.get(message, 60.0)
    )
    week = {1019: 257, 1042: 949, 1044: 257}.get(message, 1281)
    values = {
        "satellite": satellite, "week": week, "iode": 17, "iodc": 17, "toe_s": toe, "toc_s": toe,
        "sqrt_a": a_m**0.5, "e": float(rng.uniform(0.0005, 0.02)), "m0_rad": float(rng.uniform(-3.1, 3.1)),
        "i0_rad": float(np.radians(rng.uniform(53, 57))), "omega0_rad": float(rng.uniform(-3.1, 3.1)),
        "omega_rad": float(rng.uniform(-3.1, 3.1)), "omega_dot_rad_s": -8e-9, "idot_rad_s": 2e-10,
        "delta_n_rad_s": 4.5e-9, "crs_m": float(rng.uniform(-100, 100)), "crc_m": float(rng.uniform(100, 300)),
        "cus_rad": 5e-6, "cuc_rad": -3e-6, "cis_rad": 1e-7, "cic_rad": -1.5e-7,
        "af0_s": float(rng.uniform(-4e-4, 4e-4)), "af1": 2e-12,
        "tgd_s": -5e-9, "tgd2_s": 3e-9, "bgd_e5a_s": 2e-9, "bgd_e5b_s": 2.5e-9,
    }  # fmt: skip
    values.update(over)
    return values


def glonass_values(slot: int, rng: np.random.Generator, **over: float) -> dict[str, float]:
    """A circular GLONASS orbit's state vector near T0, in the rotating frame."""
    tb_utc = 900.0 * round((T0_S - LEAP_S) % 86_400.0 / 900.0)
    node, u, inc, a_m = rng.uniform(0, 6.28), rng.uniform(0, 6.28), np.radians(64.8), 25_508_000.0
    p = np.array([np.cos(node), np.sin(node), 0.0])
    q = np.array([-np.sin(node) * np.cos(inc), np.cos(node) * np.cos(inc), np.sin(inc)])
    pos = a_m * (np.cos(u) * p + np.sin(u) * q)
    vel = (3.986004418e14 / a_m) ** 0.5 * (-np.sin(u) * p + np.cos(u) * q)
    vel -= np.cross([0.0, 0.0, 7.292115e-5], pos)
    values = {
        "satellite": slot, "channel_plus_7": slot % 13 + 1, "tb_s": (tb_utc + 10_800.0) % 86_400.0,
        "x_m": pos[0], "y_m": pos[1], "z_m": pos[2], "vx_m_s": vel[0], "vy_m_s": vel[1], "vz_m_s": vel[2],
        "ax_m_s2": 1.9e-6, "ay_m_s2": -0.9e-6, "az_m_s2": 2.8e-6, "gamma": 9e-13,
        "tau_s": float(rng.uniform(-4e-4, 4e-4)), "delta_tau_s": 3.7e-9,
    }  # fmt: skip
    values.update(over)
    return values


def constellation(seed: int = 1, gps: int = 24, glonass: int = 0, galileo: int = 0, beidou: int = 0) -> list[bytes]:
    """Payloads of random satellites all over the sky."""
    rng = np.random.default_rng(seed)
    payloads = [encode(1019, kepler_values(1019, i + 1, rng)) for i in range(gps)]
    payloads += [encode(1020, glonass_values(i + 1, rng)) for i in range(glonass)]
    payloads += [encode(1046, kepler_values(1046, i + 1, rng)) for i in range(galileo)]
    payloads += [encode(1042, kepler_values(1042, i + 11, rng)) for i in range(beidou)]
    return payloads
