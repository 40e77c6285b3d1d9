"""The GPS week out of the weeks that ephemerides name, each in its system's own count.

GPS and QZSS send ten bits (the count starts again every 1024 weeks, last in April 2019), Galileo twelve from GPS week
1024 on, BeiDou thirteen from January 2006 on. GLONASS names no week here.
"""

from __future__ import annotations

from collections import Counter

from hubtack.knowledge.messages import BEIDOU, GALILEO, GPS, QZSS
from hubtack.orbits.ephemeris import EphemerisStore

_ROLLOVER_WEEK = 2048  # 7 April 2019: ten bits are counted from here (IS-GPS-200, 20.3.3.3.1.1)
GALILEO_WEEK0 = 1024  # Galileo OS SIS ICD 5.1.2
BEIDOU_WEEK0 = 1356  # BDS-SIS-ICD 3.3: 1 January 2006
_NEAR_TURN_S = 6 * 3600.0


def week_of(store: EphemerisStore, t_gpst_s: float) -> int | None:
    """Full GPS week by most of the ephemerides; None without any, or so near to a week's end that they may differ.

    ``t_gpst_s`` is the time of the GPS week now. [s]
    """
    if not _NEAR_TURN_S < t_gpst_s < 604_800.0 - _NEAR_TURN_S:
        return None
    votes: Counter[int] = Counter()
    for ephemeris in store.all():
        week = ephemeris.week
        if week < 0:
            continue
        if ephemeris.system in (GPS, QZSS):
            votes[_ROLLOVER_WEEK + week % 1024] += 1
        elif ephemeris.system == GALILEO:
            votes[GALILEO_WEEK0 + week] += 1
        elif ephemeris.system == BEIDOU:
            votes[BEIDOU_WEEK0 + week] += 1
    if not votes:
        return None
    week, count = votes.most_common(1)[0]
    return week if 2 * count > sum(votes.values()) else None
