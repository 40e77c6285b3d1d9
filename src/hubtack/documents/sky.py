"""The sky and its forecast as the JSON contract's ``sky`` document."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from hubtack.geo import ecef_to_geodetic
from hubtack.knowledge.messages import SYSTEMS
from hubtack.orbits.forecast import Window
from hubtack.orbits.outlook import Outlook, Row
from hubtack.orbits.sky import SkyReport
from hubtack.safe import safe_text

Iso = Callable[[float], str | None]  # time of the GPS week [s] to ISO 8601, or None while the date is not known

_GPS_EPOCH = dt.datetime(1980, 1, 6, tzinfo=dt.UTC)


def iso_of(week: int | None, leap_s: float) -> Iso:
    """Writes times of a GPS week [s], which may run on past its end, as UTC; None while the week is not known."""

    def iso(t_s: float) -> str | None:
        if week is None:
            return None
        at = _GPS_EPOCH + dt.timedelta(weeks=week, seconds=round(t_s - leap_s))
        return at.strftime("%Y-%m-%dT%H:%M:%SZ")

    return iso


def sky_body(seen: Outlook, iso: Iso, *, source: str, time_basis: str | None) -> dict[str, Any]:
    """The body of the document; what could not be told is None or NaN."""
    now, sky = seen.now, seen.sky
    start_s = float(sky.t_gpst_s[0])
    return {
        "source": safe_text(source),
        "utc": iso(now.t_gpst_s),
        "time_basis": time_basis,
        "mask_deg": seen.mask_deg,
        "base": _place(now.base_ecef_m),
        "rover": _place(now.rover_ecef_m),
        "satellites": [_row(row) for row in seen.rows],
        "common": None if seen.common is None else list(seen.common.common),
        "rover_misses": None if seen.common is None else list(seen.common.rover_misses),
        "base_misses": None if seen.common is None else list(seen.common.base_misses),
        "base_sky": _report(now.base_report),
        "rover_sky": _report(now.rover_report),
        "forecast": {
            "start_utc": iso(start_s),
            "step_s": sky.step_s,
            "known": [bool(k) for k in sky.known],
            "common": [int(n) for n in sky.common],
            "pdop": sky.pdop.tolist(),
            "hdop": sky.hdop.tolist(),
            "vdop": sky.vdop.tolist(),
        },
        "windows": [_window(w, start_s, iso) for w in seen.windows],
        "best": [_window(w, start_s, iso) for w in seen.best],
        "worst": [_window(w, start_s, iso) for w in seen.worst],
        "says": [safe_text(s, 400) for s in seen.sentences()],
        "findings": [],
    }


def _place(ecef_m: Any) -> Mapping[str, float] | None:
    if ecef_m is None:
        return None
    lat, lon, height = (float(v[0]) for v in ecef_to_geodetic(np.asarray(ecef_m)[None]))
    return {"latitude_deg": lat, "longitude_deg": lon, "height_m": height}


def _row(row: Row) -> dict[str, Any]:
    return {
        "name": row.name,
        "system": SYSTEMS.get(row.system, str(row.system)),
        "elevation_deg": row.elevation_deg,
        "azimuth_deg": row.azimuth_deg,
        "rover_elevation_deg": row.rover_elevation_deg,
        "rover_azimuth_deg": row.rover_azimuth_deg,
        "cn0_dbhz": row.cn0_dbhz,
        "base_tracks": row.base_tracks,
        "rover_tracks": row.rover_tracks,
        "healthy": row.healthy,
    }


def _report(report: SkyReport | None) -> dict[str, Any] | None:
    if report is None:
        return None
    return {
        "looks": report.looks,
        "high_cn0_dbhz": report.high_cn0_dbhz,
        "low_cn0_dbhz": report.low_cn0_dbhz,
        "weak": report.is_weak,
        "covered": report.covered,
        "obstructions": [
            {
                "azimuth_from_deg": o.azimuth_from_deg,
                "azimuth_to_deg": o.azimuth_to_deg,
                "elevation_to_deg": o.elevation_to_deg,
                "missing": o.missing,
                "weak": o.weak,
                "looks": o.looks,
            }
            for o in report.obstructions
        ],
    }


def _window(window: Window, start_s: float, iso: Iso) -> dict[str, Any]:
    return {
        "kind": window.kind,
        "start_utc": iso(window.t_from_s),
        "end_utc": iso(window.t_to_s),
        "from_s": window.t_from_s - start_s,
        "to_s": window.t_to_s - start_s,
        "worst_pdop": window.worst_pdop,
        "least_common": window.least_common,
    }
