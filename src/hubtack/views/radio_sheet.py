"""The check list of a radio as text, for a terminal or for paper. Pure functions."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping

from hubtack.knowledge.radio import CAUTIONS, CHECKLIST


def checklist_text(shown: Mapping[str, tuple[bool | None, str]], width: int = 80) -> list[str]:
    """The list for a terminal or for paper: ``[x]`` the stream says yes, ``[!]`` it says no, ``[ ]`` for a person."""
    lines = []
    for item, ask in CHECKLIST:
        well, says = shown.get(item, (None, ""))
        mark = {True: "x", False: "!", None: " "}[well]
        lines += textwrap.wrap(f"[{mark}] {item:<27} {ask}", width, subsequent_indent=" " * 32, break_on_hyphens=False,
                               drop_whitespace=True)  # fmt: skip
        if says:
            lines += textwrap.wrap(
                f"the stream: {says}", width, initial_indent=" " * 6, subsequent_indent=" " * 8, break_on_hyphens=False
            )
    for text in CAUTIONS:
        lines += textwrap.wrap(text, width, initial_indent="- ", subsequent_indent="  ")
    return lines
