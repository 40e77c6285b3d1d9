"""What an audit looks into: folders and files, each once, and how to tell that one has changed since."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from pathlib import Path

from hubtack.control.record import paths_of
from hubtack.errors import SourceError
from hubtack.fleet.plan import Place, Settings
from hubtack.logs.discover import NEVER_LOGS, Found, folders_under


def places_under(paths: Iterable[Path], found: Found) -> Iterator[Place]:
    """The folders and files to look into, each once, in the order of the paths and of the names below them.

    Raises
    ------
    SourceError
        If a path that was named does not exist.
    """
    seen: set[Path] = set()
    for top in paths:
        if not top.exists():
            raise SourceError(f"{top}: no such file or folder; check the path")
        places: Iterable[Place] = (
            (Place(folder, top, True) for folder in folders_under(top, found))
            if top.is_dir()
            else (Place(top, top, False),)
        )
        for place in places:
            if (real := place.path.resolve()) not in seen:
                seen.add(real)
                yield place


def signature_of(place: Place, settings: Settings) -> str | None:
    """A hash of the names, sizes and times of change of all that lies in a place; None where it cannot be listed."""
    folder = place.path if place.is_folder else place.path.parent
    try:
        if place.is_folder:
            files = [p for p in sorted(folder.iterdir()) if p.is_file() and not p.name.startswith(".")]
        else:
            files = [place.path, *(folder / n for n in sorted(NEVER_LOGS) if (folder / n).is_file())]
        facts = [(p.name, (s := p.stat()).st_size, s.st_mtime_ns) for p in files]
        site = Path(settings.site_path).read_bytes() if settings.site_path is not None else b""
        record = paths_of(Path(settings.site_path).parent)[0] if settings.site_path is not None else None
        checks = record.read_bytes() if record is not None and record.is_file() else b""
    except OSError:
        return None
    held = settings.digest(hashlib.sha256(site).hexdigest(), hashlib.sha256(checks).hexdigest())
    text = repr((str(place.path), facts, held))
    return hashlib.sha256(text.encode(errors="surrogateescape")).hexdigest()
