"""Which mount points of a table a rover can be fixed on, and why not the others. Pure.

Only what the table claims is judged; `hubtack link` judges what really comes. Rules: common practice, no source, but
for the message numbers (RTCM 10403.3).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from hubtack.knowledge.limits import LIMITS_BY_KEY
from hubtack.knowledge.messages import is_state_space, msm_level, system_of
from hubtack.ntrip.sourcetable import Mount

LONG_M, FAR_M = (LIMITS_BY_KEY[key].value for key in ("baseline_warn_m", "baseline_no_grade_m"))


@dataclass(frozen=True, slots=True)
class Fitness:
    """What the table lets us say of one mount point; codes of ``knowledge.mount_words``."""

    mount: Mount
    distance_m: float | None
    reasons: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def usable(self) -> bool:
        """No reason speaks against it."""
        return not self.reasons


def _numbers(mount: Mount) -> list[int]:
    return [int(kind) for kind, _ in mount.messages if kind.isdigit()]


def format_of(mount: Mount) -> str:
    """``"rtcm3"``, ``"rtcm2"``, ``"raw"`` or ``"unknown"``: by the format field, else by the messages."""
    text = mount.format.upper().replace("-", " ").replace("_", " ")
    if re.search(r"RTCM\s*(?:SC)?\s*(?:104)?\s*V?\s*3|RTCM3", text):
        return "rtcm3"
    if re.search(r"RTCM\s*(?:SC)?\s*(?:104)?\s*V?\s*2|RTCM2", text):
        return "rtcm2"
    numbers = _numbers(mount)
    if not text or text.strip() in ("RTCM", "RTCM SSR", "UNKNOWN", "NONE"):
        if any(number >= 1000 for number in numbers):
            return "rtcm3"
        if numbers:
            return "rtcm2"
        return "unknown"
    return "raw"


def reasons_of(mount: Mount) -> tuple[str, ...]:
    """Codes of ``REASONS`` that make the mount point unfit."""
    kind = format_of(mount)
    if kind != "rtcm3":
        return ({"rtcm2": "format_rtcm2", "raw": "format_raw", "unknown": "format_unknown"}[kind],)
    numbers = [n for n in _numbers(mount) if n >= 1000]
    reasons: list[str] = []
    if numbers:
        observations = [n for n in numbers if system_of(n) is not None]
        networked = any(1014 <= n <= 1017 or 1037 <= n <= 1039 for n in numbers)
        if not observations and any(is_state_space(n) for n in numbers):
            reasons.append("state_space")
        elif not observations:
            reasons.append("no_observations")
        elif all(msm_level(n) in (1, 2) for n in observations):
            reasons.append("no_phase")  # MSM1: no phase; MSM2: phase without the ranges to fix it
        if observations and not networked and not {1005, 1006} & set(numbers):
            reasons.append("no_base_position")
    elif mount.carrier == 0:
        reasons.append("no_phase")
    if mount.systems == ("SBAS",):
        reasons.append("only_sbas")
    return tuple(reasons)


def notes_of(mount: Mount, distance_m: float | None) -> tuple[str, ...]:
    """Codes of ``NOTES``: what to know before using it."""
    notes: list[str] = []
    if mount.needs_position:
        notes.append("needs_position")
    if mount.network_solution:
        notes.append("network_place")
    elif distance_m is not None and distance_m > LONG_M:
        notes.append("far" if distance_m > FAR_M else "long")
    if mount.authentication not in ("", "N", "NONE"):
        notes.append("login")
    if mount.fee:
        notes.append("fee")
    if mount.carrier == 1:
        notes.append("single_frequency")
    if not mount.messages:
        notes.append("no_message_list")
    if len(mount.systems) == 1:
        notes.append("few_systems")
    if mount.lat_deg is None:
        notes.append("no_place")
    if mount.oddities:
        notes.append("odd_record")
    return tuple(notes)


def distances_m(mounts: Sequence[Mount], near_deg: tuple[float, float]) -> list[float | None]:
    """Geodesic distance on WGS 84 to each mount point; None where its place is not stated. [m]"""
    from pyproj import Geod

    placed = [i for i, m in enumerate(mounts) if m.lat_deg is not None and m.lon_deg is not None]
    out: list[float | None] = [None] * len(mounts)
    if placed:
        lats, lons = [mounts[i].lat_deg for i in placed], [mounts[i].lon_deg for i in placed]
        n = len(placed)
        _, _, lengths_m = Geod(ellps="WGS84").inv([near_deg[1]] * n, [near_deg[0]] * n, lons, lats)
        for i, length_m in zip(placed, lengths_m, strict=True):
            out[i] = float(length_m)
    return out


def judge_mounts(mounts: Sequence[Mount], near_deg: tuple[float, float] | None) -> list[Fitness]:
    """All mount points: usable before unusable, within each the nearest first; without a place as in the table."""
    distances = distances_m(mounts, near_deg) if near_deg is not None else [None] * len(mounts)
    judged = [Fitness(m, d, reasons_of(m), notes_of(m, d)) for m, d in zip(mounts, distances, strict=True)]
    return sorted(judged, key=lambda f: (not f.usable, f.distance_m is None, f.distance_m or 0.0))
