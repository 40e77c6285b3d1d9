"""Puts ``[site.local]`` into a site file and leaves every other line, comments included, as it was.

The file is replaced in one step, and only by a text that loads and says exactly what was to be written.
"""

from __future__ import annotations

import os
import re
import tempfile
from pathlib import Path

from hubtack.errors import SourceError, UsageError
from hubtack.safe import safe_text
from hubtack.site.load import load_site
from hubtack.site.model import LocalGrid

_HEADER = re.compile(r"\s*\[{1,2}\s*([^\]]+?)\s*\]{1,2}\s*(#.*)?$")
_OURS = re.compile(r"site\s*\.\s*local(\s*\..*)?$")
_MULTILINE = ('"""', "'''")


def write_local_grid(path: Path, block: str, grid: LocalGrid) -> bool:
    """Replace or add the ``[site.local]`` block; returns whether one was there before.

    Parameters
    ----------
    path : Path
        The site file; a new one is made where there is none.
    block : str
        The block as TOML, heading included.
    grid : LocalGrid
        What the block says, to hold the written file against.

    Raises
    ------
    UsageError
        If the file is no site file, or keeps its grid in a form that cannot be replaced by lines.
    SourceError
        If it cannot be written.
    """
    path = Path(path)
    target = path.resolve() if path.is_symlink() else path
    name = safe_text(str(path))
    before = ""
    had = False
    if target.exists():
        had = load_site(target).site.local is not None  # a file with mistakes of its own is not touched
        before = target.read_text(encoding="utf-8-sig")
    text = _without_block(before).rstrip("\n")
    text = f"{text}\n\n{block}" if text else block
    try:
        handle, temporary = tempfile.mkstemp(prefix=".hubtack-", suffix=".toml", dir=target.parent)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as stream:
                stream.write(text)
                stream.flush()
                os.fsync(stream.fileno())
            _agrees(Path(temporary), grid, name)
            if target.exists():
                os.chmod(temporary, target.stat().st_mode & 0o777)
            os.replace(temporary, target)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as err:
        raise SourceError(f"{name} cannot be written: {err.strerror}; it is as it was") from err
    return had


def _agrees(written: Path, grid: LocalGrid, name: str) -> None:
    """The text that is about to be the site file must say what was fitted."""
    try:
        found = load_site(written).site.local
    except UsageError:
        found = None
    o, want = (found.origin, grid.origin) if found is not None else (None, grid.origin)
    close = (
        found is not None
        and o is not None
        and abs(o.easting_m - want.easting_m) < 1e-3
        and abs(o.northing_m - want.northing_m) < 1e-3
        and abs(o.latitude_deg - want.latitude_deg) < 1e-8
        and abs(o.longitude_deg - want.longitude_deg) < 1e-8
        and abs(found.rotation_deg - grid.rotation_deg) < 1e-7
        and abs(found.scale - grid.scale) < 1e-9
        and abs(found.height_plane.offset_m - grid.height_plane.offset_m) < 1e-3
    )
    if not close:
        raise UsageError(
            f"{name} holds its grid in a form that cannot be replaced line by line (site.local inside [site]); take it "
            "out by hand and write again. The file is as it was"
        )


def _without_block(text: str) -> str:
    """``text`` without the tables ``[site.local]`` and below; comments in front of the next table stay with it."""
    kept: list[str] = []
    dropped: list[str] = []
    inside, quoted = False, ""
    for line in text.split("\n"):
        match = None if quoted else _HEADER.match(line)
        quoted = _quoted_after(line, quoted)
        if match is not None:
            if inside:
                kept.extend(_trailing_comments(dropped))
            inside, dropped = bool(_OURS.match(match[1])), []
        (dropped if inside else kept).append(line)
    return "\n".join(kept)


def _trailing_comments(lines: list[str]) -> list[str]:
    """Comments right in front of the next heading, with the blank lines around them."""
    at = len(lines)
    while at and (not lines[at - 1].strip() or lines[at - 1].lstrip().startswith("#")):
        at -= 1
    return lines[at:]


def _quoted_after(line: str, quoted: str) -> str:
    """The mark of a text over several lines that is open after this line, else ""."""
    for mark in (quoted,) if quoted else _MULTILINE:
        if line.count(mark) % 2:
            return "" if quoted else mark
    return quoted
