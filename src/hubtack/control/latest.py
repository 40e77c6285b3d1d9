"""Has this machine been checked on a mark, and does that check still count? What the live commands and the audit ask.

A check counts for ``check_valid_h`` and until the base, its place or its station ID changes; the newest check that
passed or failed decides, so that a failure undoes the passes before it. Standard library only.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hubtack.control.record import paths_of, read_record
from hubtack.errors import UsageError
from hubtack.knowledge.control_limits import CONTROL_BY_KEY

CLOCK_SLACK_S = 300.0  # a check a little ahead of the moment asked for: clocks of two computers differ


@dataclass(frozen=True, slots=True)
class LatestCheck:
    """The newest check that passed or failed, and the base it was made on.

    ``up_m`` is measured less known, NaN where height was not compared. ``arp_ecef_m`` is None where the stream's base
    position was not seen, or is one that a network computes (``base_computed``), which moves with the rover.
    """

    utc: str
    up_m: float
    base_id: int | None
    arp_ecef_m: tuple[float, float, float] | None
    passed: bool
    point: str
    machine: str | None
    base_computed: bool = False
    site_sha256: str | None = None

    @property
    def at(self) -> dt.datetime:
        """The moment of the check."""
        return dt.datetime.fromisoformat(self.utc)

    def counts_at(
        self,
        now: dt.datetime,
        *,
        valid_h: float,
        base_id: int | None = None,
        arp_ecef_m: Sequence[float] | None = None,
        base_computed: bool = False,
    ) -> bool:
        """Whether the machine is checked at ``now``: passed, not too old, and on the base that is heard now.

        What is not known now (a base not yet heard) does not undo a check; what is known and differs does. A base that
        a network computes changes its ID and its place as the rover moves, and neither undoes a check.
        """
        age_s = (now - self.at).total_seconds()
        if not self.passed or not -CLOCK_SLACK_S <= age_s <= valid_h * 3600.0:
            return False
        if base_computed or self.base_computed:
            return base_computed == self.base_computed or (base_id is None and arp_ecef_m is None)
        if self.base_id is None and self.arp_ecef_m is None and (base_id is not None or arp_ecef_m is not None):
            return False  # made without a source: whether the base has changed since cannot be told
        if base_id is not None and self.base_id is not None and base_id != self.base_id:
            return False
        if arp_ecef_m is not None and self.arp_ecef_m is not None:
            return math.dist(arp_ecef_m, self.arp_ecef_m) <= CONTROL_BY_KEY["base_moved_m"]
        return True


def record_folder(site_path: Path | None, beside: Path) -> Path:
    """Where a site's control record lies: beside its site file, else beside the logs."""
    return site_path.parent if site_path is not None else beside


def all_checks(folder_or_file: Path, *, machine: str | None = None) -> list[LatestCheck]:
    """Every check of a machine that passed or failed and has a date, oldest first; empty where there is no record.

    Parameters
    ----------
    folder_or_file : Path
        The control record, or the folder that holds ``control.jsonl``.
    machine : str or None
        ``machine.name`` of the site file. Where both are named, checks of another machine do not count.

    Raises
    ------
    SourceError
        If the record is there and cannot be read.
    """
    if not paths_of(folder_or_file)[0].exists():
        return []
    try:
        entries, _ = read_record(folder_or_file)
    except UsageError:  # a file of that name that is no record is no check
        return []
    found = [_check(e) for e in entries if e["result"] in ("pass", "fail") and _is_of(e, machine)]
    return [check for check in found if check is not None]


def latest_check(
    folder_or_file: Path,
    *,
    machine: str | None = None,
    at: dt.datetime | None = None,
) -> LatestCheck | None:
    """The newest check of ``all_checks``, of those not after ``at`` where that is given; None where there is none.

    Raises
    ------
    SourceError
        If the record is there and cannot be read.
    """
    slack = dt.timedelta(seconds=CLOCK_SLACK_S)
    checks = [c for c in all_checks(folder_or_file, machine=machine) if at is None or c.at <= at + slack]
    return checks[-1] if checks else None


def _is_of(entry: dict[str, Any], machine: str | None) -> bool:
    named = entry["machine"]
    return machine is None or named is None or named.strip().casefold() == machine.strip().casefold()


def _check(entry: dict[str, Any]) -> LatestCheck | None:
    if entry["utc"] is None:
        return None
    try:
        at = dt.datetime.fromisoformat(entry["utc"])
    except ValueError:
        return None
    if at.tzinfo is None:
        return None
    arp = (entry["arp_x_m"], entry["arp_y_m"], entry["arp_z_m"])
    known = all(math.isfinite(v) for v in arp) and not entry["base_computed"]
    return LatestCheck(
        utc=entry["utc"],
        up_m=entry["up_m"],
        base_id=entry["base_id"],
        arp_ecef_m=arp if known else None,
        passed=entry["result"] == "pass",
        point=entry["point"],
        machine=entry["machine"],
        base_computed=entry["base_computed"],
        site_sha256=entry["site_sha256"],
    )
