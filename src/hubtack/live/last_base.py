"""The base that is heard beside the one that was heard last: its station ID and its antenna.

Where it stands is compared by the engine, which latches. Another antenna on the same place changes the heights without
any other sign: designs are measured from its reference point, and the old one's height above the mark no longer holds.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

from hubtack.engine.link import LATCH_FLAGS, PHYSICAL, LinkEngine
from hubtack.knowledge.screen_words import ANOTHER_ANTENNA, ANOTHER_ID
from hubtack.live.memory import LastBase
from hubtack.safe import safe_text

_MOST_CHARS = 60  # a descriptor has at most 31 (RTCM 10403, message 1008), a stream may say anything


@dataclass(slots=True)
class BesideLast:
    """What is known of the site's base from before, and since when its antenna is another one.

    Of a computed base nothing is compared, and while two bases are heard neither is the one to compare.
    """

    last: LastBase | None = None

    @property
    def antenna_since(self) -> dt.datetime | None:
        """Checks made before this moment were made on another antenna; None where none has been seen to change."""
        if self.last is None or not self.last.antenna_since_utc:
            return None
        try:
            at = dt.datetime.fromisoformat(self.last.antenna_since_utc)
        except ValueError:
            return None
        return at if at.tzinfo is not None else at.replace(tzinfo=dt.UTC)

    def look(self, link: LinkEngine, now_utc: str) -> list[str]:
        """Take what is heard now; sentences about what has changed since the last look, or since the last run."""
        if link.base_kind != PHYSICAL or link.arp_ecef_m is None or link.latches & LATCH_FLAGS["two_bases"]:
            return []
        station_id = link.tally.last_id
        station = link.tally.stations.get(station_id) if station_id is not None else None
        antenna = (station.antenna or "").strip() if station is not None else ""
        if self.last is None:
            self.last = LastBase(station_id, link.arp_ecef_m, antenna, now_utc)
            return []
        said, last = [], self.last
        if None not in (last.station_id, station_id) and station_id != last.station_id:
            said.append(ANOTHER_ID.format(was=last.station_id, now=station_id))
        since = last.antenna_since_utc
        if antenna and last.antenna and antenna != last.antenna:
            was, now = safe_text(last.antenna, _MOST_CHARS), safe_text(antenna, _MOST_CHARS)
            said.append(ANOTHER_ANTENNA.format(was=was, now=now))
            since = now_utc
        self.last = replace(
            last,
            station_id=last.station_id if station_id is None else station_id,
            antenna=antenna or last.antenna,  # descriptors come seldom: silence is no change
            antenna_since_utc=since,
        )
        return said

    def to_keep(self, link: LinkEngine, now_utc: str) -> LastBase | None:
        """What the next run is to compare with. What nobody has confirmed yet must not become that."""
        if self.last is None or link.arp_ecef_m is None or link.base_kind != PHYSICAL or link.latched.any:
            return None
        return replace(self.last, arp_ecef_m=link.arp_ecef_m, utc=now_utc)
