"""Plain text in lines of a width: paragraphs with a lead, and how wide a page of text is."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterable


def paragraph(text: str, width: int, lead: str = "", *, hang: int | None = None) -> list[str]:
    """``text`` in lines of at most ``width`` characters; the first has ``lead`` before it, the others are indented.

    ``hang`` is the indent of the others in characters (default: as long as the lead). Nothing is broken at a hyphen.
    """
    indent = " " * (len(lead) if hang is None else hang)
    wrapped = textwrap.wrap(
        text, max(width, len(indent) + 20), initial_indent=lead, subsequent_indent=indent, break_on_hyphens=False
    )
    return wrapped or [lead.rstrip()]


def points(texts: Iterable[str], width: int) -> list[str]:
    """Each text as a paragraph behind a dash."""
    return [line for text in texts for line in paragraph(text, width, "- ")]


def text_columns() -> int:
    """Width of a page of text [characters]: the terminal's, between 60 and 100; 80 where there is none."""
    return min(100, max(60, shutil.get_terminal_size((80, 24)).columns))


__all__ = ["paragraph", "points", "text_columns"]
