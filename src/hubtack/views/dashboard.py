"""The operator's screen: one word, one reason, one next step, and under them what they rest on.

A pure function of a snapshot and the size of the terminal; it keeps nothing and asks no clock. Lines are laid out by
hand, so that nothing jumps, and cost little enough to be drawn between two epochs. No line is longer than the screen:
what does not fit goes onto the next one, and where rows are wanting the least important are left out.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, RenderResult
from rich.segment import Segment
from rich.style import Style

from hubtack.knowledge.screen_words import FOOT, KEYS, WORDS
from hubtack.safe import safe_text
from hubtack.session.snapshot import HistoryPoint, Snapshot
from hubtack.units import LengthUnit
from hubtack.views import dashboard_rows as rows
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
SEVERITY_WORD = {"stop": "STOP", "warn": "warn", "note": "note"}
_LABEL = 12  # cells of a label, with the blank behind it
_TWO_COLUMNS_FROM = 72
_FINDINGS_FROM, _FINDING_ROWS = 18, 3  # rows of a screen from which so many are kept for findings

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

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw exactly the terminal's size: no line too long, none too many."""
        width = options.max_width
        height = self.height or options.height or console.height
        for i, line in enumerate(self.lines(width, height)):
            if i:
                yield Segment.line()
            yield from _fit(line, width)

    def lines(self, width: int, height: int) -> list[Line]:
        """The screen as at most ``height`` lines of segments, none wider than ``width`` cells where that is 40 or more."""
        if height < 3 or width < 12:
            return [_line((self.snap.standing.word, VERDICT_STYLE[self.snap.standing.word]))][: max(height, 1)]
        head = self._head(width, height)
        foot = [_line((part, DIM)) for part in textwrap.wrap(FOOT, width)]
        foot += [_line((part, DIM)) for part in textwrap.wrap(self.keys, width)]
        room = max(0, height - len(head) - len(foot))
        if self.page == "keys":
            under = _cut(self._key_page(width), room)
        elif self.page == "findings":
            under = _cut(self._findings(width, in_full=True), room)
        else:
            kept = _FINDING_ROWS if height >= _FINDINGS_FROM and (self.snap.findings or self.snap.notices) else 0
            body = self._body(width, room - kept)
            under = body + self._findings(width)[: max(0, room - len(body))]
        filler: list[Line] = [[] for _ in range(room - len(under))]
        return (head + under + filler + foot)[:height]

    # The top third ------------------------------------------------------------------------------------------------

    def _head(self, width: int, height: int) -> list[Line]:
        snap = self.snap
        word = snap.standing.word
        style = VERDICT_STYLE[word]
        big = self._big_word(width, height // 3 - 1) if height >= 12 else [f"** {word} **"]
        head = [_line((row.center(width), style)) for row in big]
        for part in _flow(rows.tolerance_parts(snap, self.unit), " | ", width):
            head.append(_line((part.center(width), BOLD)))
        for part in textwrap.wrap(rows.reason_text(snap, self.unit), width)[:2]:
            head.append(_line((part.center(width), BOLD)))
        for part in textwrap.wrap(f"next: {snap.next_step}", width)[:3] if snap.next_step else [""]:
            head.append(_line((part.center(width), PLAIN)))
        return head

    def _big_word(self, width: int, rows_free: int) -> list[str]:
        """The largest letters that fit, with both marks or else with one: the word is to be read from a metre away."""
        word = self.snap.standing.word
        for stretch, tall in ((3, 3), (2, 2), (1, 2), (1, 1)):
            for marks in (2, 1):
                found = word_rows(word, block=self.block, stretch=stretch, tall=tall, marks=marks)
                if len(found[0]) <= width and len(found) <= max(5, rows_free):
                    return found
        return [f"** {word} **"]

    # The middle ---------------------------------------------------------------------------------------------------

    def _body(self, width: int, room: int) -> list[Line]:
        """What the verdict rests on, in ``room`` rows; what matters least is left out first."""
        ranked: list[tuple[int, Line]] = [
            (0, _line((_rule(width, rows.clock_text(self.snap, self.title)), DIM))),
            *((1, line) for line in self._columns(width)),
            *((2, line) for line in _labelled("link", _wrapped(rows.link_text(self.snap), width))),
            *((3, line) for line in _labelled("from", _wrapped(rows.parts_text(self.snap, self.unit), width))),
            *((4, line) for line in self._sky(width)),
            *((5, line) for line in self._hours_ahead(width)),
            *self._strips(width),
        ]
        while len(ranked) > max(0, room):
            worst = max(rank for rank, _ in ranked)
            last = max(i for i, (rank, _) in enumerate(ranked) if rank == worst)
            del ranked[last]
        return [line for _, line in ranked]

    def _columns(self, width: int) -> list[Line]:
        """Position and edge side by side; one under the other on a narrow screen, or where one is too wide."""
        left, right = rows.position_rows(self.snap, self.unit), rows.edge_rows(self.snap, self.unit)
        half = width // 2
        fits = all(cell_len(text) < half - _LABEL for _, text in left) and all(
            cell_len(text) <= width - half - _LABEL for _, text in right
        )
        if width < _TWO_COLUMNS_FROM or not fits:
            ordered = [left[0], *right[:2], *left[1:], *right[2:]]
            return [line for label, text in ordered for line in _labelled(label, _wrapped(text, width))]
        lines = []
        for (name, text), (other, beside) in zip(left, right, strict=True):
            pad = " " * (half - _LABEL - cell_len(text))
            lines.append(_line((f"{name:<{_LABEL}}", DIM), text + pad, (f"{other:<{_LABEL}}", DIM), beside))
        return lines

    def _sky(self, width: int) -> list[Line]:
        label, parts = rows.sky_parts(self.snap)
        wide = sum(len(part) + 2 for part in parts) - 2 <= width - _LABEL
        return _labelled(label, _flow(parts, "  " if wide else " ", width - _LABEL))

    def _hours_ahead(self, width: int) -> list[Line]:
        """The sky of the next hours, where the stream tells of it."""
        head, hours, _, said = (*self.snap.sky.split(" ", 3), "", "", "", "")[:4]
        if head != "sky" or not said:
            return []
        return _labelled(f"next {hours} h", _flow(said.split(", "), ", ", width - _LABEL))

    def _strips(self, width: int) -> list[tuple[int, Line]]:
        """Verdict and correction age over the last minutes, newest at the right."""
        points = self.snap.history
        if not points:
            return []
        room = max(10, width - _LABEL - 2)
        per = max(1, math.ceil(len(points) / room))
        groups = [points[max(0, i - per) : i] for i in range(len(points), 0, -per)][::-1][-room:]
        ages = "▁ 1 ▄ 5 █ 10+ s" if self.block else ". 1 - 5 # 10+ s"
        legend = _first_that_fits(
            (
                f"last {rows.span(len(points))}: G grade, r rough, H hold; age {ages}",
                f"last {rows.span(len(points))}; age {ages}",
                f"last {rows.span(len(points))}",
            ),
            width - _LABEL,
        )
        return [
            (6, _line((f"{'verdict':<{_LABEL}}", DIM), "".join(_worst_letter(g) for g in groups))),
            (7, _line((f"{'age':<{_LABEL}}", DIM), "".join(_age_mark(g, self.block) for g in groups))),
            (8, _line((f"{'':<{_LABEL}}{legend}", DIM))),
        ]

    # Findings, keys -----------------------------------------------------------------------------------------------

    def _findings(self, width: int, *, in_full: bool = False) -> list[Line]:
        """Findings, the gravest first: each in two lines and its first step in two, or all of it."""
        lines: list[Line] = []
        for text in self.snap.notices.values():
            lines.extend(_labelled("source", _wrapped(safe_text(text), width, 7), 7, BOLD))
        for finding in self.snap.findings:
            style = BOLD if finding.severity == "stop" else PLAIN
            parts = _wrapped(safe_text(finding.summary), width, 6)[: None if in_full else 2]
            lines.extend(_labelled(SEVERITY_WORD[finding.severity], parts, 6, style))
            for step in finding.next_steps[: None if in_full else 1]:
                parts = _wrapped(safe_text(step), width, 10)[: None if in_full else 2]
                lines.extend(_line((f"{'' if i else 'do:':>9} {part}", DIM)) for i, part in enumerate(parts))
        if in_full and not lines:
            lines.append(_line("no findings so far"))
        if lines:
            n = len(self.snap.findings)
            lines.insert(0, _line((_rule(width, f"findings: {n}" if n > 1 else "findings"), DIM)))
        return lines

    def _key_page(self, width: int) -> list[Line]:
        """Keys, and the words of the screen."""
        lines: list[Line] = [_line((_rule(width, "keys"), DIM))]
        for key in KEYS:
            lines.extend(_labelled(key.key, _wrapped(key.does, width)))
        lines.append(_line((_rule(width, "words"), DIM)))
        for word in WORDS:
            lines.extend(_labelled(word.label, _wrapped(word.means, width)))
        return lines


def _fit(line: Line, width: int) -> Line:
    """The line cut to the width (rich measures cells, so a wide character cannot overhang)."""
    return list(Segment.adjust_line_length(line, width))


def _rule(width: int, text: str) -> str:
    text = f"-- {text.strip()} "
    return (text + "-" * max(0, width - len(text)))[:width]


def _flow(parts: Sequence[str], between: str, width: int) -> list[str]:
    """The parts in as many lines as they need, broken between parts only."""
    lines: list[str] = []
    for part in parts:
        if lines and cell_len(lines[-1]) + len(between) + cell_len(part) <= width:
            lines[-1] += between + part
        else:
            lines.append(part)
    return lines


def _wrapped(text: str, width: int, label: int = _LABEL) -> list[str]:
    return textwrap.wrap(text, max(20, width - label))


def _labelled(label: str, texts: Iterable[str], width: int = _LABEL, style: Style = DIM) -> list[Line]:
    """Lines of which the first has a label."""
    return [_line((f"{'' if i else label:<{width}}", style), text) for i, text in enumerate(texts)]


def _first_that_fits(texts: Sequence[str], width: int) -> str:
    return next((text for text in texts if cell_len(text) <= width), texts[-1])


def _cut(lines: list[Line], room: int) -> list[Line]:
    """At most ``room`` lines; the last then says how many there are more."""
    if len(lines) <= room:
        return lines
    kept = lines[: max(0, room - 1)]
    return [*kept, _line((f"... {len(lines) - len(kept)} lines more: a taller window", DIM))][:room]


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
