"""What the operator's screen says, as rows of text: pure functions of a snapshot, laid out by ``views.dashboard``."""

from __future__ import annotations

import math

from hubtack.engine.quantities import SHARES, Z95
from hubtack.knowledge.fix_types import FIX_TYPES
from hubtack.knowledge.job_classes import DEFAULT_JOB_CLASS, JOB_CLASSES_BY_KEY
from hubtack.knowledge.reasons import BY_CODE, codes
from hubtack.safe import safe_text
from hubtack.session.snapshot import Snapshot
from hubtack.units import LengthUnit, small_text

Row = tuple[str, str]  # label, text

# Sectors of 45 degrees by the bearings they lie between.
SECTOR_NAMES = ("N-NE", "NE-E", "E-SE", "SE-S", "S-SW", "SW-W", "W-NW", "NW-N")


def tolerance_parts(snap: Snapshot, unit: LengthUnit) -> list[str]:
    """What the verdict holds for: clearance to keep, tolerance, job, check. A verdict is never shown without."""
    tolerance = f"±{small_text(snap.tolerance_vertical_95_m, unit)}"
    if snap.job_class is None:
        job = f"no job class set: {JOB_CLASSES_BY_KEY[DEFAULT_JOB_CLASS].name}"
    else:
        job = JOB_CLASSES_BY_KEY[snap.job_class].name if snap.job_class in JOB_CLASSES_BY_KEY else snap.job_class
    parts = [f"{tolerance} at 95 %", job]
    clearance_m = snap.clearance_m()
    if clearance_m is not None:
        parts.insert(0, f"keep {_clearance(snap, unit, clearance_m)} above grade")
    parts.append(
        "NOT CHECKED"
        if snap.checked is None
        else f"checked {snap.checked[0][11:16]}, {small_text(snap.checked[1], unit, signed=True)}"
    )
    return parts


def _clearance(snap: Snapshot, unit: LengthUnit, clearance_m: float) -> str:
    if unit.key == "m":
        return f"+{clearance_m * 1000:.0f} mm"
    steps = math.ceil(snap.edge_vertical_95_m / unit.size_m / 0.05 - 1e-9)
    return f"+{steps * 0.05:.2f} {unit.symbol}"


def reason_text(snap: Snapshot, unit: LengthUnit) -> str:
    """The heaviest reason, and how many more there are."""
    reasons = codes(snap.standing.bits)
    if not reasons:
        return "RTK fixed, fresh and within tolerance"
    more = f" (+{len(reasons) - 1} more)" if len(reasons) > 1 else ""
    return BY_CODE[reasons[0]].text + _equipment_text(snap, unit, reasons[0]) + more


def _equipment_text(snap: Snapshot, unit: LengthUnit, code: str) -> str:
    """Whether a reason is the limit of this equipment, or worse than this equipment can do."""
    if code not in ("edge_vertical", "edge_horizontal"):
        return ""
    best = f"±{small_text(snap.best_vertical_95_m, unit)} at best"
    if code == "edge_vertical" and snap.best_possible == "ROUGH":
        return f": the limit of this equipment ({best})"
    return f": worse than usual ({best})"


def clock_text(snap: Snapshot, title: str) -> str:
    """Time, fix type and how long it has held; the title last, since it may be cut."""
    held = f" for {span(snap.fix_for_s)}" if not math.isnan(snap.fix_for_s) else ""
    return f"{snap.clock} UTC  {FIX_TYPES[snap.fix].words}{held}  {safe_text(title, 40)}"


def position_rows(snap: Snapshot, unit: LengthUnit) -> list[Row]:
    """The position: age, baseline, heading, satellites."""
    return [
        ("age", _figure(snap.age_s, "{:.1f} s", "not known")),
        ("baseline", _baseline(snap, unit)),
        ("heading", _heading(snap)),
        ("satellites", f"{_figure(snap.satellites, '{:.0f}')}, HDOP {_figure(snap.hdop, '{:.1f}')}"),
    ]


def edge_rows(snap: Snapshot, unit: LengthUnit) -> list[Row]:
    """The error at the cutting edge against its tolerance; and the geometry behind it."""
    along = "-"
    if not math.isnan(snap.sigma_along_m):
        along = f"{small_text(snap.sigma_along_m * Z95, unit)}, across {small_text(snap.sigma_across_m * Z95, unit)}"
    here = "" if math.isnan(snap.pdop_computed) else f" (worked out {snap.pdop_computed:.1f})"
    return [
        ("edge height", _against(snap.edge_vertical_95_m, snap.tolerance_vertical_95_m, unit)),
        ("edge plan", _against(snap.edge_horizontal_95_m, snap.tolerance_horizontal_95_m, unit)),
        ("along", along),
        ("PDOP", _figure(snap.pdop, "{:.1f}") + here),
    ]


def parts_text(snap: Snapshot, unit: LengthUnit) -> str:
    """The largest parts of the error in height; empty where it is not known."""
    parts = sorted(
        ((share_m, name) for name, share_m in zip(SHARES, snap.shares_vertical_m, strict=False) if share_m > 5e-5),
        reverse=True,
    )
    return ", ".join(f"{name.replace('_', ' ')} {small_text(share_m * Z95, unit)}" for share_m, name in parts[:3])


def link_text(snap: Snapshot) -> str:
    """The link in one line; empty where there is none."""
    link = snap.link
    if not (link.state or link.frames or link.source):
        return ""
    failing = f", {link.bad_crc} damaged" if link.bad_crc else ""
    if link.state:
        return safe_text(link.state)
    if not math.isnan(link.last_frame_age_s) and link.last_frame_age_s >= 2:
        return f"silent for {span(link.last_frame_age_s)}, {link.frames} frames{failing}"
    return f"{_figure(link.bits_per_s / 1000, '{:.1f} kbit/s')}, {link.frames} frames{failing}"


def sky_parts(snap: Snapshot) -> tuple[str, list[str]]:
    """Label and sectors: satellites heard in each, the one straight ahead marked, so that a bank can be pointed at."""
    if len(snap.sectors) != len(SECTOR_NAMES):
        return "sky", []
    ahead = -1 if math.isnan(snap.heading_deg) else int(snap.heading_deg % 360.0 // 45.0)
    parts = [
        f"{name}{'^' if i == ahead else ' '}{n:.0f}"
        for i, (name, n) in enumerate(zip(SECTOR_NAMES, snap.sectors, strict=True))
    ]
    return ("sky ^ ahead" if ahead >= 0 else "sky"), parts


def span(seconds: float) -> str:
    """A span of time in its two largest units."""
    s = int(max(0, seconds))
    if s < 60:
        return f"{s} s"
    if s < 3600:
        return f"{s // 60} min {s % 60:02d} s"
    return f"{s // 3600} h {s % 3600 // 60:02d} min"


def _baseline(snap: Snapshot, unit: LengthUnit) -> str:
    if math.isnan(snap.baseline_m):
        return "base not known"
    base = "" if snap.base_id is None else f" to base {snap.base_id}"
    return f"{_distance(snap.baseline_m, unit)}{base}, {_figure(snap.baseline_bearing_deg, '{:.0f}°')}"


def _heading(snap: Snapshot) -> str:
    if math.isnan(snap.heading_deg):
        return "lost" if snap.heading_required else "none"
    return f"{snap.heading_deg:.1f}° ±{snap.heading_sigma_deg * Z95:.1f}°"


def _against(error_m: float, tolerance_m: float, unit: LengthUnit) -> str:
    if math.isnan(error_m):
        return f"not known, allowed {small_text(tolerance_m, unit)}"
    inside = "within" if error_m <= tolerance_m else "ABOVE"
    shown = small_text(error_m, unit) if error_m < 1.0 else unit.text(error_m)
    return f"±{shown} {inside} {small_text(tolerance_m, unit)}"


def _figure(value: float, form: str, absent: str = "-") -> str:
    return absent if value is None or math.isnan(value) else form.format(value)


def _distance(length_m: float, unit: LengthUnit) -> str:
    if unit.key == "m":
        return f"{length_m:.1f} m" if length_m < 1000 else f"{length_m / 1000:.2f} km"
    return f"{unit.of(length_m):,.0f} {unit.symbol}"
