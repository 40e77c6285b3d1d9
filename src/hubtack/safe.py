"""Text from outside, made safe for a terminal or a spreadsheet.

Source tables, sentences, file names and base texts (1029) come from strangers. HTML is escaped where the page is
made (autoescape); the two functions here serve the terminal and the spreadsheet.
"""

from __future__ import annotations

import unicodedata

# Cc: control (ESC, C1 CSI); Cf: format (bidirectional overrides, zero width); Cs, Co, Cn: no agreed glyph.
_UNSAFE_CATEGORIES = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def safe_text(text: str, limit: int = 200) -> str:
    """``text`` on one line without control, format or private characters, cut to ``limit`` characters."""
    clean = "".join("�" if unicodedata.category(ch) in _UNSAFE_CATEGORIES else ch for ch in text[: limit + 1])
    return clean if len(clean) <= limit else clean[: limit - 1] + "…"


def safe_cell(text: str, limit: int = 200) -> str:
    """``text`` as a spreadsheet cell that no program takes for a formula (OWASP, CSV injection)."""
    clean = safe_text(text, limit)
    return "'" + clean if clean[:1] in ("=", "+", "-", "@", "\t", "\r") else clean
