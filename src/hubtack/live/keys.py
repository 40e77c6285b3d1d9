"""Single keys from a terminal, where it has any; everywhere else there are none, and nothing fails for it."""

from __future__ import annotations

import contextlib
import os
import select
import sys
from dataclasses import dataclass, field
from typing import Any

_MOST = 32  # bytes a look: a pasted page is not a hundred key presses


@dataclass(slots=True)
class Keys:
    """Context in which single keys can be read from standard input. ``available`` is False where they cannot."""

    available: bool = False
    _handle: int = -1
    _before: list[Any] = field(default_factory=list)

    def __enter__(self) -> Keys:
        try:
            import termios
            import tty

            self._handle = sys.stdin.fileno()
            if not os.isatty(self._handle) or os.getpgrp() != os.tcgetpgrp(self._handle):
                return self  # in the background a read would stop the whole program
            self._before = termios.tcgetattr(self._handle)
            tty.setcbreak(self._handle)
            self.available = True
        except (ImportError, OSError, ValueError, AttributeError):
            self.available = False
        except Exception as err:  # termios.error is no OSError
            if type(err).__name__ != "error":
                raise
            self.available = False
        return self

    def __exit__(self, *_: object) -> None:
        if self.available:
            import termios

            with contextlib.suppress(OSError, termios.error):
                termios.tcsetattr(self._handle, termios.TCSADRAIN, self._before)
        self.available = False

    def pressed(self) -> str:
        """Keys pressed since the last look, as text; empty where there are none. A closed terminal gives none."""
        if not self.available:
            return ""
        try:
            if not select.select([self._handle], [], [], 0.0)[0]:
                return ""
            data = os.read(self._handle, _MOST)
        except OSError:
            data = b""
        if not data:
            self.available = False
            return ""
        # An escape sequence (an arrow, a mouse) is no key of ours.
        return "" if data.startswith(b"\x1b") else data.decode("ascii", "ignore")
