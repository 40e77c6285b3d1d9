"""The sky on a terminal: what to expect first, then the satellites of now. Pure functions of the outlook."""

from __future__ import annotations

import math

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from hubtack.orbits.forecast import GOOD_PDOP, LEAST_COMMON, POOR_PDOP, Window
from hubtack.orbits.outlook import Outlook
from hubtack.views.sky_text import clock_text, forecast_strip, hour_marks, sky_chart, strip_line

_CAUTION = (
    "A forecast of satellites, not of accuracy: it knows of no tree, cab or bank that it has not learnt, of no outage and "
    "no storm. Check on a control mark before digging to grade."
)


def sky_report(seen: Outlook, width: int, *, utc_offset_s: float = 0.0, zone: str = "UTC") -> RenderableType:
    """The whole report for a terminal of ``width`` letters; times in ``zone``."""
    leap_s = seen.now.leap_s
    parts: list[RenderableType] = [Text(strip_line(seen.sky, leap_s, 40, utc_offset_s=utc_offset_s), style="bold")]
    parts.append(Text(f"times in {zone}, mask {seen.mask_deg:.0f} degrees", style="dim"))
    parts.extend(Text(said) for said in seen.sentences())
    room = max(24, min(width - 2, 96))
    parts.extend((
        Text(""),
        Text(f"good #  PDOP {GOOD_PDOP:.0f} or less and {LEAST_COMMON} satellites or more; poor .  above {POOR_PDOP:.0f} or "
             "no solution; fair +  between; ?  not known", style="dim"),
        Text(forecast_strip(seen.sky, room)),
        Text(hour_marks(seen.sky, leap_s, room, utc_offset_s=utc_offset_s), style="dim"),
        Text(""),
        _windows(seen, leap_s, utc_offset_s),
        Text(""),
        _satellites(seen),
    ))  # fmt: skip
    chart = _chart(seen)
    if chart is not None and width >= 48:
        parts.extend((Text(""), chart))
    return Group(*parts, Text(""), Text(_CAUTION, style="dim"))


def _windows(seen: Outlook, leap_s: float, utc_offset_s: float) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold")
    for name in ("from", "to", "sky", "worst PDOP", "fewest satellites", ""):
        table.add_column(name, justify="right" if name in ("worst PDOP", "fewest satellites") else "left")
    for window in seen.windows:
        table.add_row(
            clock_text(window.t_from_s, leap_s, utc_offset_s),
            clock_text(window.t_to_s, leap_s, utc_offset_s),
            window.kind,
            "?"
            if window.kind == "unknown"
            else f"{window.worst_pdop:.1f}"
            if math.isfinite(window.worst_pdop)
            else "none",
            str(window.least_common) + (" or more" if window.kind == "unknown" else ""),
            _note(window, seen),
        )
    return table


def _note(window: Window, seen: Outlook) -> str:
    """The best and the worst stretch, where there is a choice at all."""
    if len(seen.windows) < 2:
        return ""
    if seen.best and window is seen.best[0]:
        return "longest good stretch"
    return "worst stretch" if seen.worst and window is seen.worst[0] else ""


def _satellites(seen: Outlook) -> Table:
    rover = seen.now.rover_tracks is not None
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold")
    for name, right in (("satellite", False), ("elevation", True), ("azimuth", True), ("C/N0 dB-Hz", True)):
        table.add_column(name, justify="right" if right else "left")
    table.add_column("base")
    if rover:
        table.add_column("rover")
    for row in seen.rows:
        at_base = math.isfinite(row.elevation_deg)
        el, az = (row.elevation_deg, row.azimuth_deg) if at_base else (row.rover_elevation_deg, row.rover_azimuth_deg)
        cells = [
            row.name + ("" if row.healthy else " (unhealthy)"),
            f"{el:.0f}",
            f"{az:.0f}",
            f"{row.cn0_dbhz:.0f}" if math.isfinite(row.cn0_dbhz) else "-",
            _tracks(row.base_tracks),
        ]
        if rover:
            mark = _tracks(row.rover_tracks)
            missed = seen.common is not None and row.name in seen.common.rover_misses
            cells.append("should be seen" if missed else mark)
        table.add_row(*cells)
    return table


def _tracks(tracks: bool | None) -> str:
    return {True: "tracked", False: "no", None: "-"}[tracks]


def _chart(seen: Outlook) -> RenderableType | None:
    """The sky above the rover, or the base; small letters are not tracked there."""
    from hubtack.orbits.sky import view_of

    now = seen.now
    place, tracked, where = (now.base_ecef_m, now.base_tracks, "base")
    if now.rover_ecef_m is not None and now.rover_tracks is not None:
        place, tracked, where = now.rover_ecef_m, now.rover_tracks, "rover"
    if place is None or tracked is None:
        return None
    view = view_of(now.ephemerides, now.t_gpst_s, now.leap_s, place)
    title = Text(f"sky at the {where}, north up, horizon at the rim; small letters: not tracked", style="dim")
    return Group(title, Text(sky_chart(view, set(tracked))))
