"""What counts as a change of a stream since it worked (``link --expect``). All rows: common practice, no source.

Below them are what an hour, a satellite that rises, and rounding do to a sound stream.
"""

from __future__ import annotations

from collections.abc import Mapping

from hubtack.knowledge.limits import Limit

_PRACTICE = "common practice, no source"

CHANGE_LIMITS: tuple[Limit, ...] = (
    Limit("interval_factor", 1.5, "", "a message comes this much more or less often", _PRACTICE),
    Limit("moved_m", 0.02, "m", "the base's broadcast position is farther than this from where it was", _PRACTICE),
    Limit("cn0_db", 3.0, "dB", "the median signal strength of a system differs by this", _PRACTICE),
    Limit("satellites", 3.0, "satellites", "the median number of a system differs by this", _PRACTICE),
    Limit("latency_s", 1.0, "s", "the median latency differs by this", _PRACTICE),
    Limit("rate_factor", 1.5, "", "the load differs by this factor", _PRACTICE),
    Limit("lost_share", 0.02, "", "the share of epochs that are not whole differs by this", _PRACTICE),
)
CHANGE: Mapping[str, float] = {row.key: row.value for row in CHANGE_LIMITS}
