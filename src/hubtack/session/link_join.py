"""The link's columns at the rover's rows, in the terms the rover's engine uses."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hubtack.engine.link import LinkColumns
from hubtack.engine.rover import LATCHES, LinkAtRows
from hubtack.engine.setup import Setup

Ints = NDArray[np.int64]
DAY_MS = 86_400_000
COMPUTED = 2


def link_at_rows(columns: LinkColumns, tod_ms: Ints, setup: Setup) -> LinkAtRows:
    """Join of the link at N rows; it is healthy where observation epochs were coming within the ROUGH limit of age."""
    age_ms = (tod_ms - columns.obs_utc_ms + DAY_MS / 2) % DAY_MS - DAY_MS / 2
    healthy = age_ms / 1000.0 < setup.limit("correction_age_rough_s")
    bits = np.zeros(len(tod_ms), dtype=np.int64)
    if columns.latches.any():
        for code, flag in columns.latch_flags.items():
            bits |= np.where((columns.latches & flag) != 0, LATCHES[code], 0)
    return LinkAtRows(
        arp_ecef_m=columns.arp_ecef_m,
        base_computed=columns.base_kind == COMPUTED,
        obs_utc_ms=columns.obs_utc_ms,
        station_id=columns.station_id,
        latch_bits=bits,
        healthy=healthy,
    )
