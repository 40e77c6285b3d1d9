"""The check list of a radio as text, for a terminal or for paper. Pure functions."""

from __future__ import annotations

from collections.abc import Mapping

from hubtack.knowledge.radio import CAUTIONS, CHECKLIST
from hubtack.views.paragraphs import paragraph, points


def checklist_text(shown: Mapping[str, tuple[bool | None, str]], width: int = 80) -> list[str]:
    """The list for a terminal or for paper: ``[x]`` the stream says yes, ``[!]`` it says no, ``[ ]`` for a person."""
    lines = []
    for item, ask in CHECKLIST:
        well, says = shown.get(item, (None, ""))
        mark = {True: "x", False: "!", None: " "}[well]
        lines += paragraph(ask, width, f"[{mark}] {item:<27} ")
        if says:
            lines += paragraph(f"the stream: {says}", width, " " * 6, hang=8)
    return lines + points(CAUTIONS, width)
