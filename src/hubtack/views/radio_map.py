"""Losses by place as text: a plan seen from above in characters, and the account around it. Pure functions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.knowledge.why_words import LOSS_WORDS
from hubtack.views.paragraphs import paragraph, points

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_SPAN_M = 40.0  # a plan smaller than this would show the receiver's noise


def plan(range_m: Floats, bearing_deg: Floats, lost: Bools, *, width: int = 60, rows: int = 12) -> list[str]:
    """A plan, north up, of where epochs came and were lost; each cell is twice as high as wide, as characters are.

    ``.`` nothing lost, ``1`` to ``9`` tenths lost, rounded up, ``#`` all lost, ``B`` the base, blank: never there.
    A base that lies far outside is named in the line below instead of drawn.
    """
    known = ~np.isnan(range_m)
    if not known.any():
        return []
    turn = np.radians(bearing_deg[known])
    east, north = range_m[known] * np.sin(turn), range_m[known] * np.cos(turn)
    lost = lost[known]
    low = np.array([east.min(), north.min()])
    high = np.array([east.max(), north.max()])
    span = max(float((high - low).max()), LEAST_SPAN_M)
    with_base = np.minimum(low, 0.0), np.maximum(high, 0.0)
    shows_base = float((with_base[1] - with_base[0]).max()) <= 3.0 * span
    if shows_base:
        low, high = with_base
    cell_m = max(
        float(high[0] - low[0]) / (width - 1), float(high[1] - low[1]) / (2 * (rows - 1)), LEAST_SPAN_M / width
    )
    n_across = min(width, int((high[0] - low[0]) / cell_m) + 1)
    n_down = min(rows, int((high[1] - low[1]) / (2 * cell_m)) + 1)
    col = np.minimum(((east - low[0]) / cell_m + 1e-6).astype(np.int64), n_across - 1)
    row = np.minimum(((high[1] - north) / (2 * cell_m) + 1e-6).astype(np.int64), n_down - 1)
    there = np.zeros((n_down, n_across), dtype=np.int64)
    gone = np.zeros_like(there)
    np.add.at(there, (row, col), 1)
    np.add.at(gone, (row, col), lost.astype(np.int64))
    cells = np.full(there.shape, " ", dtype="<U1")
    cells[there > 0] = "."
    for r, c in zip(*np.nonzero(gone), strict=True):
        tenths = -(-10 * int(gone[r, c]) // int(there[r, c]))
        cells[r, c] = "#" if gone[r, c] == there[r, c] else str(min(9, tenths))
    where = ""
    if shows_base:
        b_row = min(int(high[1] / (2 * cell_m) + 1e-6), n_down - 1)
        b_col = min(int(-low[0] / cell_m + 1e-6), n_across - 1)
        cells[b_row, b_col] = "B"
    else:
        middle = np.array([float(east.mean()), float(north.mean())])
        back = (np.degrees(np.arctan2(-middle[0], -middle[1])) + 360.0) % 360.0
        where = f", base {np.hypot(*middle) / 1000:.1f} km away on bearing {back:.0f}"
    legend = f"north up, a column is {cell_m:.0f} m, a row {2 * cell_m:.0f} m{where}"
    return ["".join(line).rstrip() for line in cells] + [legend, ". all came  1-9 tenths lost  # all lost  B base"]


def losses_text(document: Mapping[str, Any], drawn: Sequence[str], width: int = 80) -> list[str]:
    """The account for a terminal: how much, where, when, by range, and the likelier cure."""
    d = document
    names = ", ".join(s["name"] for s in d["sessions"]) or "no session"
    lines = [f"Correction epochs of {names}"[:width]]
    share = "" if d["lost_percent"] is None else f" ({d['lost_percent']:.1f} %)"
    by = "" if all(s["basis"] == "stream" for s in d["sessions"]) else ", told by the rover's age of corrections"
    lines.append(f"  {d['lost']} of {d['slots']} lost{share}; place known for {d['placed_slots']}{by}")
    if any(s["base_computed"] for s in d["sessions"]):
        lines.append("  a network computes the base: no antenna stands there, so no ranges and bearings")
    lines += ["  " + line for line in drawn]
    if d["by_range"]:
        lines.append("range m          epochs   lost   open ground would lose")
        for b in d["by_range"]:
            model = (
                "-"
                if b["expected_percent"] is None
                else f"{b['expected_percent']:.1f} % (margin {b['margin_db']:.0f} dB)"
            )
            span = f"{b['from_m']:.0f} to {b['to_m']:.0f}"
            lines.append(f"{span:<16}{b['slots']:>7}{b['lost_percent']:>6.1f} %   {model}")
    said = [("where", p["says"] + f" ({_p(p['p_value'])})") for p in d["places"]]
    if not said:
        said = [("where", d["why_not"] or f"no place stands out ({d['places_tried']} tried)")]
    said.append(("when", _when(d)))
    cure = d["cure"]
    because = list(cure["because"]) or ["nothing tells"]
    said.append(("cure", f"{cure['likelier'].upper()}: {cure['does']}" if cure["likelier"] else "cannot be told"))
    said += [("", f"because {because[0]}"), *(("", text) for text in because[1:])]
    for name, text in said:
        lines += paragraph(text, width, f"{name:<7}")
    lines.append(f"(a place or an hour is named by chance in {100 * d['false_alarm']:.0f} of 100 records each)")
    return lines + points(d["cautions"], width)


def _when(d: Mapping[str, Any]) -> str:
    pattern = d["pattern"]
    parts = []
    if pattern["kind"] == "periodic":
        parts.append(f"every {pattern['period_s']:.1f} s ({pattern['test']}): another transmitter's turn")
    elif pattern["kind"] == "burst":
        bursts = "one burst" if pattern["bursts"] == 1 else f"{pattern['bursts']} bursts"
        parts.append(f"in {bursts}, {pattern['longest_s']:.0f} s at the longest ({pattern['test']})")
    elif pattern["kind"] == "independent":
        parts.append(LOSS_WORDS["independent"])
    else:
        parts.append("too few losses for a pattern")
    if d["stretch"] is not None:
        s = d["stretch"]
        between = f" {s['start_utc']} to {s['end_utc']}" if s["start_utc"] else ""
        parts.append(f"{s['says']}{between} ({_p(s['p_value'])})")
    return "; ".join(parts)


def _p(value: float) -> str:
    return f"p {value:.3f}" if value >= 0.001 else f"p < {max(value, 1e-12):.0e}"
