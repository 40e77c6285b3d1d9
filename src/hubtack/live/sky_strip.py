"""The hours ahead for a live screen: worked out seldom, since a sky changes slowly and a forecast costs."""

from __future__ import annotations

from dataclasses import dataclass

from hubtack.orbits.outlook import outlook
from hubtack.session.session import Session
from hubtack.session.sky_state import sky_now
from hubtack.views.sky_text import strip_line

_STRIP_EVERY_NS = 300_000_000_000
_STRIP_LOOKS = 60
_LEAST_KNOWN = 8  # satellites with ephemerides, before a forecast says anything


@dataclass(slots=True)
class SkyStrip:
    """The hours ahead in one line, worked out anew every five minutes of content; empty while nothing is known."""

    width: int = 18  # leaves room for its words on a screen of 80
    _text: str = ""
    _at_ns: int | None = None
    _known: int = 0

    def line(self, session: Session) -> str:
        """The line at the session's newest datum; times in UTC."""
        now_ns = session.now_ns()
        # Until there is something to show it is looked for every ten seconds: ephemerides take a minute to come.
        known = len(session.base.watcher.ephemerides)
        # While ephemerides still come, which takes a minute or two, it is worth another look.
        every_ns = _STRIP_EVERY_NS if known == self._known else _STRIP_EVERY_NS // 10
        if self._at_ns is not None and 0 <= now_ns - self._at_ns < every_ns:
            return self._text
        self._at_ns, self._known = now_ns, known
        if known < _LEAST_KNOWN:
            return self._text
        now = sky_now(session, most_looks=_STRIP_LOOKS)
        if now is not None and len(now.ephemerides) >= _LEAST_KNOWN:
            self._text = strip_line(outlook(now).sky, now.leap_s, self.width)
        return self._text
