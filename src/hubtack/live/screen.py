"""The live screen of ``watch`` and its keys. Drawing waits for reading, never the other way round."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from hubtack.knowledge.screen_words import CONFIRM_AGAIN, CONFIRMED, KEY_LINE
from hubtack.live.keeping import Keeper
from hubtack.live.keys import Keys
from hubtack.session.snapshot import Snapshot
from hubtack.views.dashboard import Dashboard

if TYPE_CHECKING:
    from rich.console import Console

CONFIRM_WITHIN_S = 5.0


@dataclass(slots=True)
class Screen:
    """What the keys have set, and how the next picture is drawn."""

    console: Console
    dashboard: Dashboard  # the empty one that pictures are made from
    keeper: Keeper
    bell: bool = False
    page: str = "state"
    message: str = ""
    ended: bool = False
    mono: Callable[[], float] = time.monotonic
    _asked_at_s: float | None = None
    _verdict: int | None = None

    def press(self, keys: str) -> None:
        """Act on keys; unknown ones do nothing."""
        for key in keys:
            asked, self._asked_at_s = self._asked_at_s, None
            if key == "q":
                self.ended = True
            elif key == "?":
                self.page = "state" if self.page == "keys" else "keys"
            elif key == "f":
                self.page = "state" if self.page == "findings" else "findings"
            elif key == "b":
                self.bell = not self.bell
                self.message = f"bell {'on' if self.bell else 'off'}"
            elif key == "a":
                if asked is not None and self.mono() - asked <= CONFIRM_WITHIN_S:
                    self.keeper.confirm("key")
                    self.message = CONFIRMED
                else:
                    self._asked_at_s = self.mono()
                    self.message = CONFIRM_AGAIN

    def picture(self, snap: Snapshot, *, keys: bool) -> Dashboard:
        """The picture of a moment."""
        if self._asked_at_s is not None and self.mono() - self._asked_at_s > CONFIRM_WITHIN_S:
            self._asked_at_s, self.message = None, ""
        complaint = self.keeper.complaints[-1] if self.keeper.complaints else ""
        line = "   ".join(part for part in (KEY_LINE if keys else "Ctrl-C ends", self.message, complaint) if part)
        return replace(self.dashboard, snap=snap, keys=line, page=self.page)

    def ring(self, snap: Snapshot) -> None:
        """Ring at a change of the verdict, where that was asked for."""
        if self.bell and self._verdict is not None and self._verdict != snap.standing.verdict:
            self.console.bell()
        self._verdict = snap.standing.verdict


def show(screen: Screen, run_with: Callable[[Callable[[Snapshot], bool]], None]) -> None:
    """Keep the screen up while ``run_with`` calls back with snapshots; it is given what draws one and says "go on"."""
    from rich.live import Live

    with (
        Keys() as keys,
        Live(console=screen.console, screen=True, auto_refresh=False, vertical_overflow="crop") as live,
        contextlib.suppress(KeyboardInterrupt),
    ):

        def draw(snap: Snapshot) -> bool:
            screen.press(keys.pressed())
            live.update(screen.picture(snap, keys=keys.available), refresh=True)
            screen.ring(snap)
            return not screen.ended

        run_with(draw)


__all__ = ["Screen", "show"]
