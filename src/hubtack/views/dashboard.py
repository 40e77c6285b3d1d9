"""The operator's screen: one word, one reason, one next step, and under them what they rest on.

A pure function of a snapshot and the size of the terminal; it keeps nothing and asks no clock. Lines are laid out by
hand at fixed heights, so that nothing jumps, and cost little enough to be drawn between two epochs.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Console, ConsoleOptions, RenderResult
from rich.segment import Segment
from rich.style import Style

from hubtack.engine.quantities import SHARES, Z95
from hubtack.knowledge.fix_types import FIX_TYPES
from hubtack.knowledge.job_classes import DEFAULT_JOB_CLASS, JOB_CLASSES_BY_KEY
from hubtack.knowledge.reasons import BY_CODE, codes
from hubtack.safe import safe_text
from hubtack.session.snapshot import HistoryPoint, Snapshot
from hubtack.units import LengthUnit, small_text
from hubtack.views.letters import word_rows

# Okabe and Ito's set for colour-blind readers; the word and its mark say the same without it.
VERDICT_STYLE = {
    "GRADE": Style(color="#009E73", bold=True),
    "ROUGH": Style(color="#E69F00", bold=True),
    "HOLD": Style(color="#D55E00", bold=True),
}
PLAIN = Style()
DIM = Style(dim=True)
BOLD = Style(bold=True)
FOOT = "Positioning only: not bucket, teeth, boom sensors, design or buried services."
SEVERITY_WORD = {"stop": "STOP", "warn": "warn", "note": "note"}

# Sectors of 45 degrees by the bearings they lie between.
SECTOR_NAMES = ("N-NE", "NE-E", "E-SE", "SE-S", "S-SW", "SW-W", "W-NW", "NW-N")

Line = list[Segment]


def _line(*parts: tuple[str, Style] | str) -> Line:
    return [Segment(p) if isinstance(p, str) else Segment(p[0], p[1]) for p in parts]


@dataclass(frozen=True, slots=True)
class Dashboard:
    """A snapshot that knows how to draw itself at any size. ``block`` False keeps to ASCII."""

    snap: Snapshot
    unit: LengthUnit
    title: str = ""
    block: bool = True
    height: int | None = None
    keys: str = ""
    page: str = "state"  # "state", "findings" or "keys": what stands under the verdict
    help_lines: tuple[str, ...] = ()

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw exactly the terminal's size: no line too long, none too many."""
        width = options.max_width
        height = self.height or options.height or console.height
        for i, line in enumerate(self.lines(width, height)):
            if i:
                yield Segment.line()
            yield from _fit(line, width)

    def lines(self, width: int, height: int) -> list[Line]:
        """The screen as at most ``height`` lines of segments; each still to be cut to ``width``."""
        if height < 3 or width < 12:
            return [_line((self.snap.standing.word, VERDICT_STYLE[self.snap.standing.word]))][: max(height, 1)]
        head = self._head(width, height)
        foot = [_line((FOOT, DIM))]
        if self.keys:
            foot.append(_line((self.keys, DIM)))
        room = height - len(head) - len(foot)
        if self.page == "keys":
            body: list[Line] = [_line((self._rule(width, "keys"), DIM)), *(_line(text) for text in self.help_lines)]
            findings: list[Line] = []
        elif self.page == "findings":
            body, findings = [], self._findings(width, in_full=True)
        else:
            body, findings = self._body(width), self._findings(width)
        body = body[: max(0, room)]
        findings = findings[: max(0, room - len(body))]
        filler: list[Line] = [[] for _ in range(max(0, room - len(body) - len(findings)))]
        return (head + body + findings + filler + foot)[:height]

    # The top third ------------------------------------------------------------------------------------------------

    def _head(self, width: int, height: int) -> list[Line]:
        snap = self.snap
        word = snap.standing.word
        style = VERDICT_STYLE[word]
        third = height // 3
        rows: list[str] = []
        # The largest size that fits: the word is to be read from a metre away.
        for stretch, tall in ((3, 3), (2, 2), (1, 2), (1, 1)):
            candidate = word_rows(word, block=self.block, stretch=stretch, tall=tall)
            if len(candidate[0]) <= width and len(candidate) <= max(5, third - 1):
                rows = candidate
                break
        else:
            rows = [f"** {word} **"]
        if height < 12:
            rows = [f"** {word} **"]
        head = [_line((row.center(width), style)) for row in rows]
        head.append(_line((self._tolerance_text().center(width), BOLD)))
        reason = self._reason_text()
        head.append(_line((reason.center(width), BOLD)))
        for part in textwrap.wrap(f"next: {snap.next_step}", width)[:2] if snap.next_step else [""]:
            head.append(_line((part.center(width), PLAIN)))
        return head

    def _tolerance_text(self) -> str:
        snap = self.snap
        tolerance = f"±{small_text(snap.tolerance_vertical_95_m, self.unit)}"
        if snap.job_class is None:
            job = f"no job class set: {JOB_CLASSES_BY_KEY[DEFAULT_JOB_CLASS].name}"
        else:
            job = JOB_CLASSES_BY_KEY[snap.job_class].name if snap.job_class in JOB_CLASSES_BY_KEY else snap.job_class
        parts = [f"{tolerance} at 95 %", job]
        clearance_m = snap.clearance_m()
        if clearance_m is not None:
            parts.insert(0, f"keep {self._clearance(clearance_m)} above grade")
        parts.append(
            "NOT CHECKED"
            if snap.checked is None
            else f"checked {snap.checked[0][11:16]}, {small_text(snap.checked[1], self.unit, signed=True)}"
        )
        return " | ".join(parts)

    def _clearance(self, clearance_m: float) -> str:
        if self.unit.key == "m":
            return f"+{clearance_m * 1000:.0f} mm"
        steps = math.ceil(self.snap.edge_vertical_95_m / self.unit.size_m / 0.05 - 1e-9)
        return f"+{steps * 0.05:.2f} {self.unit.symbol}"

    def _reason_text(self) -> str:
        reasons = codes(self.snap.standing.bits)
        if not reasons:
            return "RTK fixed, fresh and within tolerance"
        first = BY_CODE[reasons[0]].text
        limit = self._equipment_text(reasons[0])
        more = f" (+{len(reasons) - 1} more)" if len(reasons) > 1 else ""
        return first + limit + more

    def _equipment_text(self, code: str) -> str:
        """Whether a reason is the limit of this equipment, or worse than this equipment can do."""
        if code not in ("edge_vertical", "edge_horizontal"):
            return ""
        best_m = self.snap.best_vertical_95_m
        if code == "edge_vertical" and self.snap.best_possible == "ROUGH":
            return f": the limit of this equipment (±{small_text(best_m, self.unit)} at best)"
        return f": worse than usual (±{small_text(best_m, self.unit)} at best)"

    # The middle ---------------------------------------------------------------------------------------------------

    def _body(self, width: int) -> list[Line]:
        left, right = self._position_rows(), self._edge_rows()
        lines: list[Line] = [_line((self._rule(width, self._clock_text()), DIM))]
        if width >= 72:
            half = width // 2
            for i in range(max(len(left), len(right))):
                a = left[i] if i < len(left) else ("", "")
                b = right[i] if i < len(right) else ("", "")
                lines.append(
                    _line((f"{a[0]:<12}", DIM), f"{a[1]:<{half - 13}.{half - 13}} ", (f"{b[0]:<12}", DIM), b[1])
                )
        else:
            lines.extend(_line((f"{name:<12}", DIM), text) for name, text in (*left, *right))
        sky = self._sky_text()
        if sky:
            lines.append(_line((f"{'sky':<12}", DIM), sky))
        lines.extend(self._strips(width))
        return lines

    def _sky_text(self) -> str:
        """Satellites tracked by sector; the sector straight ahead is marked, so that a bank can be pointed at."""
        snap = self.snap
        if len(snap.sectors) != len(SECTOR_NAMES):
            return ""
        ahead = -1 if math.isnan(snap.heading_deg) else int(snap.heading_deg % 360.0 // 45.0)
        parts = [
            f"{name}{'^' if i == ahead else ' '}{n:.0f}"
            for i, (name, n) in enumerate(zip(SECTOR_NAMES, snap.sectors, strict=True))
        ]
        return "  ".join(parts) + ("   ^ ahead" if ahead >= 0 else "")

    def _clock_text(self) -> str:
        snap = self.snap
        held = f" for {_span(snap.fix_for_s)}" if not math.isnan(snap.fix_for_s) else ""
        return f"{safe_text(self.title, 40)}  {snap.clock} UTC  {FIX_TYPES[snap.fix].words}{held}"

    @staticmethod
    def _rule(width: int, text: str) -> str:
        text = f"-- {text.strip()} "
        return text + "-" * max(0, width - len(text))

    def _position_rows(self) -> list[tuple[str, str]]:
        snap = self.snap
        rows = [
            ("age", _figure(snap.age_s, "{:.1f} s", "not known")),
            ("baseline", self._baseline_text()),
            ("heading", self._heading_text()),
            (
                "satellites",
                f"{_figure(snap.satellites, '{:.0f}')}   HDOP {_figure(snap.hdop, '{:.1f}')}"
                f"   PDOP {_figure(snap.pdop, '{:.1f}')}"
                + (f" (here {snap.pdop_computed:.1f})" if not math.isnan(snap.pdop_computed) else ""),
            ),
        ]
        link = snap.link
        if link.state or link.frames or link.source:
            failing = f", {link.bad_crc} damaged" if link.bad_crc else ""
            text = f"{_figure(link.bits_per_s / 1000, '{:.1f} kbit/s')}, {link.frames} frames{failing}"
            if link.state:
                text = link.state
            elif not math.isnan(link.last_frame_age_s) and link.last_frame_age_s >= 2:
                text = f"silent for {_span(link.last_frame_age_s)}, {link.frames} frames{failing}"
            rows.append(("link", text))
        return rows

    def _baseline_text(self) -> str:
        snap = self.snap
        if math.isnan(snap.baseline_m):
            return "base not known"
        base = "" if snap.base_id is None else f" to base {snap.base_id}"
        return f"{_distance(snap.baseline_m, self.unit)}{base}, {_figure(snap.baseline_bearing_deg, '{:.0f}°')}"

    def _heading_text(self) -> str:
        snap = self.snap
        if math.isnan(snap.heading_deg):
            return "lost" if snap.heading_required else "none"
        return f"{snap.heading_deg:.1f}° ±{snap.heading_sigma_deg * Z95:.1f}°"

    def _edge_rows(self) -> list[tuple[str, str]]:
        snap = self.snap
        rows = [
            ("edge up", self._against(snap.edge_vertical_95_m, snap.tolerance_vertical_95_m)),
            ("edge plan", self._against(snap.edge_horizontal_95_m, snap.tolerance_horizontal_95_m)),
        ]
        parts = sorted(
            ((share_m, name) for name, share_m in zip(SHARES, snap.shares_vertical_m, strict=False) if share_m > 5e-5),
            reverse=True,
        )
        words = [f"{name.replace('_', ' ')} {small_text(share_m * Z95, self.unit)}" for share_m, name in parts[:3]]
        rows.append(("from", ", ".join(words[:1])))
        rows.append(("", ", ".join(words[1:3])))
        rows.append(
            (
                "along",
                f"{small_text(snap.sigma_along_m * Z95, self.unit)}, across "
                f"{small_text(snap.sigma_across_m * Z95, self.unit)}"
                if not math.isnan(snap.sigma_along_m)
                else "-",
            )
        )
        return rows

    def _against(self, error_m: float, tolerance_m: float) -> str:
        if math.isnan(error_m):
            return f"not known, allowed {small_text(tolerance_m, self.unit)}"
        inside = "within" if error_m <= tolerance_m else "ABOVE"
        shown = small_text(error_m, self.unit) if error_m < 1.0 else self.unit.text(error_m)
        return f"±{shown} {inside} {small_text(tolerance_m, self.unit)}"

    def _strips(self, width: int) -> list[Line]:
        """Verdict and correction age over the last minutes, newest at the right."""
        room = max(10, width - 14)
        points = self.snap.history
        if not points:
            return []
        per = max(1, math.ceil(len(points) / room))
        groups = [points[max(0, i - per) : i] for i in range(len(points), 0, -per)][::-1][-room:]
        verdicts = "".join(_worst_letter(g) for g in groups)
        ages = "".join(_age_mark(g, self.block) for g in groups)
        span = _span(len(points))
        sky = [_line((f"{'sky':<12}", DIM), self.snap.sky.removeprefix("sky "))] if self.snap.sky else []
        return [
            *sky,
            _line((f"{'verdict':<12}", DIM), verdicts),
            _line((f"{'age':<12}", DIM), ages),
            _line(
                (
                    f"{'':<12}last {span}; G grade, r rough, H hold; age "
                    + ("▁ 1 s ▄ 5 s █ 10 s and more" if self.block else ". 1 s - 5 s # 10 s and more"),
                    DIM,
                )
            ),
        ]

    # Findings -----------------------------------------------------------------------------------------------------

    def _findings(self, width: int, *, in_full: bool = False) -> list[Line]:
        lines: list[Line] = []
        for text in self.snap.notices.values():
            lines.append(_line((f"{'source':<6}", BOLD), safe_text(text)))
        for finding in self.snap.findings[: None if in_full else 8]:
            word = SEVERITY_WORD[finding.severity]
            style = BOLD if finding.severity == "stop" else PLAIN
            parts = textwrap.wrap(safe_text(finding.summary), max(20, width - 6)) or [""]
            lines.append(_line((f"{word:<6}", style), parts[0]))
            lines.extend(_line(f"{'':<6}{part}") for part in parts[1 : None if in_full else 2])
            if finding.next_steps and width >= 60:
                for step in finding.next_steps[: None if in_full else 1]:
                    lines.append(_line((f"{'':<6}do: {safe_text(step)}", DIM)))
        if in_full and not lines:
            lines.append(_line("no findings so far"))
        if lines:
            lines.insert(0, _line((self._rule(width, "findings"), DIM)))
        return lines


def _fit(line: Line, width: int) -> Line:
    """The line cut to the width (rich measures cells, so a wide character cannot overhang)."""
    return list(Segment.adjust_line_length(line, width))


def _figure(value: float, form: str, absent: str = "-") -> str:
    return absent if value is None or math.isnan(value) else form.format(value)


def _distance(length_m: float, unit: LengthUnit) -> str:
    if unit.key == "m":
        return f"{length_m:.1f} m" if length_m < 1000 else f"{length_m / 1000:.2f} km"
    return f"{unit.of(length_m):,.0f} {unit.symbol}"


def _span(seconds: float) -> str:
    """A span of time in its two largest units."""
    s = int(max(0, seconds))
    if s < 60:
        return f"{s} s"
    if s < 3600:
        return f"{s // 60} min {s % 60:02d} s"
    return f"{s // 3600} h {s % 3600 // 60:02d} min"


def _worst_letter(group: Sequence[HistoryPoint]) -> str:
    return "GrH"[max((p.verdict for p in group), default=2)]


def _age_mark(group: Sequence[HistoryPoint], block: bool) -> str:
    ages = [p.age_s for p in group if not math.isnan(p.age_s)]
    if not ages:
        return " " if block else "?"
    age_s = max(ages)
    if block:
        return "▁▂▃▄▅▆▇█"[min(7, int(age_s * 7 / 10))]
    return "." if age_s < 2 else "-" if age_s < 10 else "#"
