"""The three verdicts in letters five rows high, readable from a metre away.

Only full cells are used, so that the letters stand on any terminal; the mark beside the word has a shape of its own for
each verdict, so that no colour is needed to tell them apart.
"""

from __future__ import annotations

from collections.abc import Mapping

_LETTERS: Mapping[str, tuple[str, ...]] = {
    "G": (" ##### ", "##     ", "##  ###", "##   ##", " ##### "),
    "R": ("###### ", "##   ##", "###### ", "##  ## ", "##   ##"),
    "A": (" ##### ", "##   ##", "#######", "##   ##", "##   ##"),
    "D": ("###### ", "##   ##", "##   ##", "##   ##", "###### "),
    "E": ("#######", "##     ", "#####  ", "##     ", "#######"),
    "O": (" ##### ", "##   ##", "##   ##", "##   ##", " ##### "),
    "U": ("##   ##", "##   ##", "##   ##", "##   ##", " ##### "),
    "H": ("##   ##", "##   ##", "#######", "##   ##", "##   ##"),
    "L": ("##     ", "##     ", "##     ", "##     ", "#######"),
}

# A level line, a heap, a barrier.
MARKS: Mapping[str, tuple[str, ...]] = {
    "GRADE": ("         ", "         ", "=========", "         ", "         "),
    "ROUGH": ("    ^    ", "   ^^^   ", "  ^^^^^  ", " ^^^^^^^ ", "^^^^^^^^^"),
    "HOLD": ("XX     XX", "  XX XX  ", "   XXX   ", "  XX XX  ", "XX     XX"),
}


def word_rows(word: str, *, block: bool, stretch: int = 1, tall: int = 1, marks: int = 2) -> list[str]:
    """The word as rows of text, between two of its marks, or behind one where ``marks`` is 1.

    ``block`` draws with full blocks instead of ``#``; ``stretch`` and ``tall`` repeat each cell across and down.
    """
    ink = "█" if block else "#"
    rows = []
    for i in range(5):
        letters = "  ".join(_LETTERS[ch][i] for ch in word)
        row = f"{MARKS[word][i]}   {letters}" + (f"   {MARKS[word][i]}" if marks == 2 else "")
        if block:
            row = row.replace("#", ink).replace("=", "━").replace("^", "▲").replace("X", "▚")
        wide = "".join(ch * stretch for ch in row)
        rows.extend([wide] * tall)
    return rows
