"""What each base said of its own position, day by day, and by how much that moved."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.fleet.account import SessionAccount
from hubtack.fleet.report.words import Clock
from hubtack.fleet.totals import machine_of, utc_ns
from hubtack.geo import ecef_offset_to_enu, ecef_to_geodetic

SAME_M = 0.001
MOVED_M = 0.020  # common practice, no source: below it a base set up again on its mark differs by centring and tape
OTHER_BASE_M = 30_000.0  # one ID farther apart is another base: IDs are 12 bits and repeat


@dataclass(slots=True)
class BaseRow:
    """One set of coordinates of one base, over the days on which it was heard."""

    id: str
    arp_ecef_m: NDArray[np.float64]
    first_ns: int | None
    last_ns: int | None
    machines: set[str]
    sessions: int = 1
    east_m: float | None = None
    north_m: float | None = None
    up_m: float | None = None
    is_first: bool = False

    @property
    def moved_m(self) -> float | None:
        """Distance from the base's earliest coordinates; None for those themselves. [m]"""
        if self.east_m is None or self.north_m is None or self.up_m is None:
            return None
        return float(np.sqrt(self.east_m**2 + self.north_m**2 + self.up_m**2))

    @property
    def has_moved(self) -> bool:
        """Moved by more than setting up again on the same mark explains."""
        moved = self.moved_m
        return moved is not None and moved > MOVED_M

    @property
    def place(self) -> tuple[float, float, float]:
        """Latitude, longitude [deg] and ellipsoidal height [m]."""
        lat, lon, height = ecef_to_geodetic(self.arp_ecef_m[None])
        return float(lat[0]), float(lon[0]), float(height[0])

    def when(self, clock: Clock) -> str:
        """The days, in words."""
        if self.first_ns is None or self.last_ns is None:
            return "date unknown"
        first, last = clock.date(self.first_ns), clock.date(self.last_ns)
        return first if first == last else f"{first} to {last}"


def base_rows(accounts: Iterable[SessionAccount]) -> list[BaseRow]:
    """Coordinates of all bases by ID and time; a base that comes back to earlier coordinates gets a row for each spell."""
    heard = []
    for account in accounts:
        machine = machine_of(account)
        for base in account.bases:
            arp = base.get("arp_ecef_m")
            if arp is not None and all(isinstance(v, int | float) for v in arp) and len(arp) == 3:
                first, last = utc_ns(base.get("first_utc")), utc_ns(base.get("last_utc"))
                heard.append((str(base.get("id")), first, last, np.array(arp, dtype=np.float64), machine))
    heard.sort(key=lambda h: (h[0], h[1] if h[1] is not None else 1 << 62))
    rows: list[BaseRow] = []
    firsts: list[BaseRow] = []
    newest: dict[int, BaseRow] = {}  # by the first row of the same base
    for name, first, last, arp, machine in heard:
        origin = next(
            (row for row in firsts if row.id == name and np.linalg.norm(row.arp_ecef_m - arp) <= OTHER_BASE_M), None
        )
        before = newest.get(id(origin)) if origin is not None else None
        if before is not None and np.linalg.norm(before.arp_ecef_m - arp) <= SAME_M:
            before.machines.add(machine)
            before.sessions += 1
            if last is not None:
                before.last_ns = last if before.last_ns is None else max(before.last_ns, last)
            continue
        row = BaseRow(name, arp, first, last, {machine})
        if origin is None:
            row.is_first = True
            firsts.append(row)
            newest[id(row)] = row
        else:
            lat, lon, _ = ecef_to_geodetic(origin.arp_ecef_m[None])
            enu = np.asarray(ecef_offset_to_enu((arp - origin.arp_ecef_m)[None], lat, lon))[0]
            row.east_m, row.north_m, row.up_m = (float(v) for v in enu)
            newest[id(origin)] = row
        rows.append(row)
    return rows
