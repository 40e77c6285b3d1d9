"""What is kept from one day to the next: the site's last base, and where each machine was parked.

One small JSON file beside the site file (else in the user's state folder), written whole and renamed into place. It
is a help and never a gate: a file that is missing, damaged or of an unknown version is as good as none.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import math
import os
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from hubtack.engine.parked import Stand
from hubtack.site import Site

FILE_NAME = "hubtack-memory.json"
_VERSION = 1
_MOST_MACHINES = 200
_MOST_ROWS = 1_000_000_000
_FARTHEST_M = 1e8  # of any place on earth from its middle, with room to spare


@dataclass(frozen=True, slots=True)
class LastBase:
    """The base a site's machines worked with last: station ID, broadcast ARP, antenna descriptor, and when.

    ``antenna_since_utc`` is when that antenna took the place of another; empty where no change has been seen.
    """

    station_id: int | None
    arp_ecef_m: tuple[float, float, float]
    antenna: str
    utc: str
    antenna_since_utc: str = ""


@dataclass(frozen=True, slots=True)
class LastStand:
    """Where a machine stood when it was last heard, fixed."""

    ecef_m: tuple[float, float, float]
    heading_deg: float | None
    n: int
    utc: str

    def stand(self) -> Stand:
        """As the engine compares it; its place on the axis of a new session is unknown and does not count."""
        return Stand(self.ecef_m, 0, math.nan if self.heading_deg is None else self.heading_deg, self.n)


@dataclass(frozen=True, slots=True)
class Remembered:
    """What is known from before, for one machine; either part may be missing."""

    base: LastBase | None = None
    stand: LastStand | None = None


def state_folder(site: Site) -> Path:
    """Where the verdict log, the control record and the memory of a site are kept."""
    if site.path is not None:
        return site.path.parent
    state = os.environ.get("XDG_STATE_HOME")
    return (Path(state) if state else Path.home() / ".local" / "state") / "hubtack"


def recall(folder: Path, machine: str | None) -> Remembered:
    """What was kept for the machine of that name; nothing where there is no file, or none that can be read."""
    data = _read(folder / FILE_NAME)
    base = _base(data.get("base"))
    machines = data.get("machines")
    return Remembered(base, _stand(machines.get(machine or "") if isinstance(machines, dict) else None))


def remember(folder: Path, machine: str | None, what: Remembered) -> str | None:
    """Keep what is given beside what others have kept; returns what went wrong in one sentence, or None."""
    path = folder / FILE_NAME
    data = _read(path)
    data["version"] = _VERSION
    if what.base is not None:
        data["base"] = asdict(what.base)
    if what.stand is not None:
        machines = data["machines"] if isinstance(data.get("machines"), dict) else {}
        machines.pop(machine or "", None)
        machines[machine or ""] = asdict(what.stand)
        data["machines"] = dict(list(machines.items())[-_MOST_MACHINES:])
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=".hubtack-", dir=folder)  # private by itself
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as stream:
                json.dump(data, stream, allow_nan=False, indent=1)
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(temporary, path)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
            raise
    except OSError as err:
        return f"{path}: cannot be kept: {err.strerror}"
    return None


def age_s(utc: str, now: dt.datetime) -> float:
    """Seconds from an ISO time to ``now``; NaN where it is none. [s]"""
    try:
        at = dt.datetime.fromisoformat(utc)
    except ValueError:
        return math.nan
    return (now - (at if at.tzinfo is not None else at.replace(tzinfo=dt.UTC))).total_seconds()


def _read(path: Path) -> dict[str, Any]:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        json.dumps(data, allow_nan=False)  # what cannot be written again would stop the next one who remembers
    except (OSError, ValueError, RecursionError):
        return {}
    return data if isinstance(data, dict) and data.get("version") == _VERSION else {}


def _base(data: object) -> LastBase | None:
    if not isinstance(data, dict):
        return None
    arp, number, utc = _ecef(data.get("arp_ecef_m")), data.get("station_id"), data.get("utc")
    if arp is None or not isinstance(utc, str):
        return None
    known = isinstance(number, int) and 0 <= number < 4096
    since = data.get("antenna_since_utc")
    return LastBase(
        number if known else None, arp, str(data.get("antenna") or ""), utc, since if isinstance(since, str) else ""
    )


def _stand(data: object) -> LastStand | None:
    if not isinstance(data, dict):
        return None
    ecef, heading, utc, n = _ecef(data.get("ecef_m")), data.get("heading_deg"), data.get("utc"), data.get("n")
    if ecef is None or not isinstance(utc, str) or not isinstance(n, int) or not 0 <= n < _MOST_ROWS:
        return None
    heading_deg = float(heading) if isinstance(heading, int | float) and abs(heading) < 1000.0 else None
    return LastStand(ecef, heading_deg, n, utc)


def _ecef(value: object) -> tuple[float, float, float] | None:
    if not isinstance(value, list) or len(value) != 3:
        return None
    if not all(isinstance(v, int | float) and abs(v) < _FARTHEST_M for v in value):  # a NaN is not below it either
        return None
    return float(value[0]), float(value[1]), float(value[2])
